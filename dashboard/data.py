"""What the screens ask: the Store's rows and the daemon's control, nothing else.

A daemon that goes away for a while takes nothing off the screen: each viewer keeps
what was last read, and reads on when the daemon is back. One that hangs is known
within seconds: it is asked what it does with little patience, and nobody waits for
rows from one that does not say.
"""

from collections.abc import Callable, Hashable, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, field, fields
from datetime import UTC, datetime
from threading import RLock, get_ident
from time import monotonic
from typing import Any, Self, TypeVar
from uuid import uuid4

import httpx
import pandas as pd
import pyarrow as pa
import streamlit as st

from config import Settings
from daemon.holds import doubted, sharpened_now
from daemon.judging import ProductModel, StandardsThen
from daemon.presentation import capital, left_to_measure, screens
from daemon.service import Client, Home, RefusedOrderError
from daemon.traceability import Gate, good_again, kept_units, reworked_since
from daemon.watch import replaced_parts
from storage import (
    BuildState,
    Cause,
    Configuration,
    Endpoint,
    Fitting,
    HoldState,
    Proof,
    RemoteStore,
    ReworkOf,
    Row,
    RunInDoubt,
    Scope,
    Signal,
    StandardCheck,
    StandardValue,
    StorageError,
    Unit,
    UnreachableError,
    endpoint,
    typed,
)

R = TypeVar("R", bound=Row)
SHOWN, DRAWN, REMARKS, REDRAW = "shown", "drawn", "remarks", "redraw"
"""Keys of a viewer's session: the rows last read; the stamp of those that a page was
drawn of, where it follows them; why nothing was done; when the page is drawn anew."""
SAID_S = 20.0
VIEWER = "viewer"
"""Key of a viewer's session: a name that no other has."""
FITTED = ("build", "part", "reel", "from_serial", "fitted_at")
"""What pages show of a fitting."""
BUILDS_SHOWN = 12
"""Newest builds whose units are shown one by one."""
RUNS_BEFORE = 200
"""Runs before the first shown unit, of which the checks are shown too."""
FRESH_S = 0.8
"""For so long nobody asks again, on one page or on several."""
PULSE_S = 0.5
"""For so long nobody asks again what it does."""
PATIENCE_S, SHORT_PATIENCE_S = 2.0, 1.0
"""How long a daemon may take to say what it does; one that just did not."""
SILENT_S = 3.0
"""How often one that does not answer is asked."""
ACTION_S = 5.0
"""How long it may take to do what a person asks for."""
_ASKING = ThreadPoolExecutor(16, thread_name_prefix="asking")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Line:
    """The way to one running daemon."""

    store: RemoteStore
    client: Client


@dataclass(frozen=True, slots=True, kw_only=True)
class Connection:
    """One running daemon: its rows, its control, its settings."""

    store: RemoteStore
    client: Client
    settings: Settings
    product: ProductModel
    gate: Gate
    then: StandardsThen
    """What was known of check standards when they were run."""
    configuration: str
    """Hash of these settings: assigned standards make other ones of them."""

    @property
    def name(self) -> str:
        """Name of the product."""
        return self.settings.product.name


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """What the screens show: rows of one moment.

    Of units those of the newest builds, so that a page costs the same after a long
    history. `stamp` is another one as soon as any row is; what was drawn is kept by it.
    """

    connection: Connection
    builds: list[str]
    """Names of all builds, oldest first."""
    recent: pd.DataFrame
    """The newest builds, and those that are held: rows of the query `builds`."""
    states: list[BuildState]
    """The same, as rows."""
    units: int
    """How many were measured, in all builds."""
    errors: pd.DataFrame
    """Latest results of the `BUILDS_SHOWN` newest builds that were measured, with
    `reworked`: whether a unit was measured so after rework."""
    signals: pd.DataFrame
    raised: list[Signal]
    """Findings as they were raised, oldest first."""
    findings: list[Signal]
    """The same, those that matter now after what was measured to settle them.

    Those that were withdrawn are among them; see `current`.
    """
    warnings: list[Signal]
    fittings: pd.DataFrame
    """Of each fitting what `FITTED` names."""
    holds: list[HoldState]
    kept: dict[str, dict[str, tuple[str, ...]]]
    """By build that is held in part, and by hold, the units that it keeps here."""
    measured: list[Proof]
    """What was measured to settle findings, oldest first."""
    checks: pd.DataFrame
    """Of the check standard, every range of every check since the shown builds began,
    and of those not long before."""
    beside: list[StandardCheck]
    """Of several check standards run beside one another, oldest first."""
    assigned: list[StandardValue]
    """Check standards' values that people assigned anew, oldest first."""
    doubts: pd.DataFrame
    runs_in_doubt: list[RunInDoubt]
    doubted: dict[str, tuple[str, ...]]
    """Units that a doubt keeps, by serial, each with every reason."""
    reworked: dict[str, datetime]
    """When each unit was first worked on, by serial."""
    replaced: frozenset[tuple[str, str]]
    """Serials, each with a part that was replaced in it."""
    good_again: dict[str, int]
    """By finding how many units it had, where all were reworked and are good now."""
    again: dict[str, dict[str, str]]
    """Reworked units that wait for the bench, as `left_to_measure` has them."""
    messages: pd.DataFrame
    reels: list[str]
    """Names of all reels, as they were recorded."""
    stamp: str = field(default_factory=lambda: uuid4().hex)

    @classmethod
    def of(cls, connection: Connection) -> Self:
        """Ask a daemon for all of it."""
        store = connection.store

        def rows(query: str, **more: Any) -> pd.DataFrame:
            return store.frame(query, product=connection.name, **more)

        found = store.table("signals", product=connection.name)
        recent = store.table("builds", product=connection.name, newest=BUILDS_SHOWN)
        builds = store.table("build", product=connection.name)
        measured = store.table("measured_units", product=connection.name)
        reworks = store.rows(ReworkOf, product=connection.name)
        since = reworked_since(reworks)
        errors = measured_since(rows("latest_errors", newest=BUILDS_SHOWN), since)
        first = 0 if errors.empty else int(errors["number"].min())
        raised = typed(Signal, found)
        holds = store.rows(HoldState, product=connection.name)
        proofs = store.rows(Proof, "proofs", product=connection.name)
        near = {*recent.column("build").to_pylist()}
        bench = connection.settings.bench
        return cls(
            connection=connection,
            builds=builds.sort_by([("opened_at", "ascending"), ("build", "ascending")])
            .column("build")
            .to_pylist(),
            recent=recent.to_pandas(),
            states=typed(BuildState, recent),
            units=int(measured.column("units")[0].as_py()),
            errors=errors,
            signals=found.to_pandas(),
            raised=raised,
            findings=sharpened_now(
                raised,
                proofs,
                holds,
                product=connection.product,
                reworks=reworks,
                near=near,
            ),
            warnings=store.rows(Signal, product=connection.name, cause=Cause.CHART),
            fittings=_slim(store.table("fitting", product=connection.name), FITTED),
            holds=holds,
            kept=kept_in_part(connection, typed(BuildState, recent), holds, errors),
            measured=proofs,
            checks=store.frame(
                "range_rows",
                product=connection.name,
                after=max(0, first - RUNS_BEFORE),
                kind="check",
            ),
            beside=[]
            if bench is None or not bench.further_standards
            else store.rows(StandardCheck, product=connection.name),
            assigned=store.rows(StandardValue, product=connection.name),
            doubts=rows("doubts"),
            runs_in_doubt=store.rows(RunInDoubt, product=connection.name),
            doubted=doubted(store, connection.name),
            reworked=since,
            replaced=replaced_parts(reworks),
            good_again=good_again(store, connection.name, raised, reworks),
            again=left_to_measure(
                store.table("to_measure_again", product=connection.name).to_pylist(),
                connection.product.titles,
            ),
            messages=rows("alerts"),
            reels=store.table("reel").column("reel").to_pylist(),
        )

    def same_as(self, other: Self) -> bool:
        """Whether not one row differs."""
        return self.connection is other.connection and all(
            mine.equals(theirs) if isinstance(mine, pd.DataFrame) else mine == theirs
            for one in fields(self)
            if one.name not in {"connection", "stamp"}
            for mine, theirs in [(getattr(self, one.name), getattr(other, one.name))]
        )

    @property
    def product(self) -> ProductModel:
        """The product as numbers."""
        return self.connection.product

    def measured_ever(self, serial: str) -> bool:
        """Whether a unit was measured; not, while the daemon does not answer."""
        with suppress(StorageError):
            at = self.connection
            found = at.store.table("latest_errors", product=at.name, serial=serial)
            return bool(found.num_rows)
        return False

    @property
    def current(self) -> list[Signal]:
        """Findings that stand, oldest first."""
        return [one for one in self.findings if one.standing]

    @property
    def in_doubt(self) -> list[dict[Hashable, Any]]:
        """Doubts that stand on units, oldest first, each with its `serials`."""
        serials: dict[str, dict[str, None]] = {}
        for run in self.runs_in_doubt:
            serials.setdefault(run.doubt, {})[run.serial] = None
        mine = self.doubts[self.doubts["doubt"].isin(list(serials))]
        return [
            {**one, "serials": list(serials[one["doubt"]])}
            for one in mine.to_dict("records")
        ]

    @property
    def given_up(self) -> pd.DataFrame:
        """Messages that did not arrive and that nobody took note of."""
        told = self.messages
        return told[told["dead_at"].notna() & told["acknowledged_at"].isna()]

    def stays(self, build: str) -> int | None:
        """Return how many units of a build are kept by holds in part; None: all."""
        if build not in self.kept:
            return None
        return len({one for units in self.kept[build].values() for one in units})

    def with_reel(self) -> dict[str, int]:
        """Return by hold on a reel how many units of all builds have a part of it.

        Reels that are in a build which is held itself are left out: its units are not
        counted one by one.
        """
        whole = held_whole(self.standing)
        in_whole = {*self.fittings["reel"][self.fittings["build"].isin([*whole])]}
        found: dict[str, int] = {}
        for one in self.standing:
            counts = [
                len(each[one.hold]) for each in self.kept.values() if one.hold in each
            ]
            if one.scope is Scope.REEL and counts and one.subject not in in_whole:
                found[one.hold] = sum(counts)
        return found

    @property
    def standing(self) -> list[HoldState]:
        """Holds that nobody has ended."""
        return [one for one in self.holds if one.disposal is None]


def kept_in_part(
    connection: Connection,
    builds: Sequence[BuildState],
    holds: Sequence[HoldState],
    errors: pd.DataFrame,
) -> dict[str, dict[str, tuple[str, ...]]]:
    """Return what is kept of builds that are not held themselves.

    A hold on a reel that was never in a build is none of that build's.
    """
    standing = [one for one in holds if one.disposal is None]
    whole = held_whole(standing)
    kept: dict[str, dict[str, tuple[str, ...]]] = {}
    for one in builds:
        if one.state != "held" or one.build in whole:
            continue
        serials = errors.loc[errors["build"] == one.build, "serial"].unique().tolist()
        if one.units and not serials:  # a build before those whose results are shown
            mine = connection.store.rows(Unit, product=connection.name, build=one.build)
            serials = [each.serial for each in mine]
        keeps = kept_units(
            connection.store, connection.name, one.build, serials, standing
        )
        had = reels_ever(connection, one.build)
        kept[one.build] = {
            hold.hold: keeps[hold.hold]
            for hold in standing
            if keeps[hold.hold] or (hold.scope is Scope.REEL and hold.subject in had)
        }
    return kept


def held_whole(standing: Sequence[HoldState]) -> set[str]:
    """Return the builds that are held themselves, by holds that stand."""
    return {one.subject for one in standing if one.scope is Scope.BUILD}


def reels_ever(connection: Connection, build: str) -> set[str]:
    """Return the reels that feed a build, or fed it before another took the place."""
    fittings = connection.store.rows(Fitting, product=connection.name, build=build)
    return {one.reel for one in fittings}


def measured_since(errors: pd.DataFrame, since: dict[str, datetime]) -> pd.DataFrame:
    """Return results with whether each was measured after its unit was reworked."""
    if not since:
        return errors.assign(reworked=False)
    at = pd.to_datetime(errors["serial"].map(since), utc=True)
    return errors.assign(reworked=errors["started_at"] > at)


def _slim(rows: pa.Table, columns: tuple[str, ...]) -> pd.DataFrame:
    """Return columns in which texts stand once each: there may be 100 000 rows."""
    kept = rows.select(list(columns))
    for place, name in enumerate(kept.column_names):
        if pa.types.is_string(kept.schema.field(name).type) or pa.types.is_large_string(
            kept.schema.field(name).type
        ):
            kept = kept.set_column(place, name, kept.column(name).dictionary_encode())
    found: pd.DataFrame = kept.to_pandas()
    return found


def asked(shown: Shown, query: str, **parameters: Any) -> pd.DataFrame:
    """Return the answer to a question about the product, kept until a row changes.

    Raises
    ------
    storage.errors.StorageError
        The daemon does not answer.
    """
    at = shown.connection
    rows = _answered(at, shown.stamp, query, product=at.name, **parameters)
    found: pd.DataFrame = rows.to_pandas()
    return found


def asked_of_unit(shown: Shown, serial: str) -> pd.DataFrame:
    """Return every result of a unit, the oldest first; kept until a row changes.

    Raises
    ------
    storage.errors.StorageError
        The daemon does not answer.
    """
    rows = _answered(shown.connection, shown.stamp, "unit_runs", serial=serial)
    found: pd.DataFrame = rows.to_pandas()
    return found


def told(shown: Shown, kind: type[R], query: str, **parameters: Any) -> list[R]:
    """Return the typed rows that answer a question, kept until a row changes.

    Raises
    ------
    storage.errors.StorageError
        The daemon does not answer.
    """
    return typed(kind, _answered(shown.connection, shown.stamp, query, **parameters))


@st.cache_data(max_entries=64, show_spinner=False)
def _answered(
    _connection: Connection, stamp: str, query: str, **parameters: Any
) -> pa.Table:
    del stamp  # what was answered is kept by it
    return _connection.store.table(query, **parameters)


def shown() -> Shown | None:
    """Return what the daemon remembers now, or what it last did; None: never."""
    if doing() is not None:
        with suppress(StorageError, RefusedOrderError):
            st.session_state[SHOWN] = _newest(connection())
    found: Shown | None = st.session_state.get(SHOWN)
    if found is None and (kept := _kept().shown) is not None:
        found = st.session_state[SHOWN] = kept[1]  # what another viewer last saw
    return found


def anything() -> bool:
    """Whether there is anything to show; cheap, for every page."""
    return SHOWN in st.session_state or doing() is not None or shown() is not None


@dataclass(slots=True)
class _Kept:
    """What all viewers were last shown, and when it was asked for.

    With the rows goes the number of the Store's changes from before they were read.
    """

    shown: tuple[int, Shown] | None = None
    asked_s: float = -FRESH_S


@st.cache_resource(show_spinner=False)
def _kept() -> _Kept:
    return _Kept()


def _newest(connection: Connection) -> Shown:
    """Ask for rows once some were kept; those that did not change keep their stamp."""
    kept = _kept()
    before, last = kept.shown or (-1, None)
    if last is not None and last.connection is not connection:
        last = None
    if last is not None and monotonic() - kept.asked_s < FRESH_S:
        return last
    kept.asked_s = monotonic()
    changes = connection.store.changes()
    if last is not None and changes == before:
        return last
    asked = Shown.of(connection)
    found = last if last is not None and asked.same_as(last) else asked
    # Both at once: two viewers may ask at one time, and the older answer come last.
    kept.shown = changes, found
    return found


def here() -> Shown:
    """Return what a page shows; it is only run when there is something."""
    found = shown()
    if found is None:
        st.stop()
    return found


def followed() -> Shown:
    """Return what a page shows, which is drawn anew once it has changed."""
    found = here()
    st.session_state[DRAWN] = found.stamp
    return found


def follow_nothing() -> None:
    """Begin a page: unless it says otherwise, it stays as it is drawn."""
    st.session_state[DRAWN] = None
    st.session_state[REDRAW] = None


def redraw_at(when: datetime) -> None:
    """Have the page drawn anew then, whatever changed."""
    st.session_state[REDRAW] = when


def outdated() -> bool:
    """Whether the page follows rows that have changed since it was drawn."""
    when: datetime | None = st.session_state.get(REDRAW)
    if when is not None and datetime.now(UTC) >= when:
        st.session_state[REDRAW] = None
        return True
    drawn = st.session_state.get(DRAWN)
    found = None if drawn is None else shown()
    return found is not None and found.stamp != drawn


@dataclass(slots=True)
class _Pulse:
    """Whether the daemon answers, for all viewers."""

    lock: RLock = field(default_factory=RLock)
    asked_s: float = -SILENT_S
    last: tuple[Connection, dict[str, Any]] | None = None
    answered_at: datetime | None = None
    with_bench: bool = False
    """Whether it had a bench open when it last answered."""
    asked_of: int | None = None
    """The process that was asked; another one is asked at once."""
    asking: int | None = None
    """The thread that asks just now."""
    configuration: tuple[int | None, str] = (None, "")
    """The process, and the hash of the settings by which it last said it judges."""

    def ask(self) -> None:
        """Ask what it does."""
        patience_s = SHORT_PATIENCE_S if self.last is None else PATIENCE_S
        self.last, self.asking = None, get_ident()
        with suppress(StorageError, RefusedOrderError):
            found = connection()
            state = found.client.state(wait_s=patience_s)
            named = str(state["configuration"])
            self.configuration = self.asked_of, named
            if found.configuration != named:
                found = connection()  # a standard was assigned other values
            self.last = found, state
            self.answered_at = datetime.now(UTC)
            self.with_bench = self.last[1]["bench"] is not None
        self.asked_s, self.asking = monotonic(), None


@st.cache_resource(show_spinner=False)
def _pulse() -> _Pulse:
    return _Pulse()


def doing() -> tuple[Connection, dict[str, Any]] | None:
    """Return the daemon and what it is doing; None while it does not answer."""
    pulse = _pulse()
    with pulse.lock:
        every_s = PULSE_S
        if pulse.last is None and pulse.asked_of == _process():
            every_s = SILENT_S
        if monotonic() - pulse.asked_s >= every_s:
            pulse.asked_of = _process()
            pulse.ask()
        return pulse.last


def _process() -> int | None:
    """Return the process that says it is the daemon, None where none does."""
    with suppress(StorageError):
        found = endpoint.read(Home.usual().data)
        return None if found is None else found.pid
    return None


def silence() -> screens.Silence:
    """Return what is known of a daemon that does not answer."""
    pulse = _pulse()
    found = None
    with suppress(StorageError):
        found = endpoint.read(Home.usual().data)
    return screens.Silence(
        since=pulse.answered_at,
        stopped=found is None or found.stale,
        with_bench=pulse.with_bench,
    )


def patiently(send: Callable[[], httpx.Response]) -> httpx.Response:
    """Send a request; wait for its answer while the daemon says what it does.

    Raises
    ------
    httpx.ReadTimeout
        It does not: it hangs, and so would whoever waits for it.
    """
    asked = _ASKING.submit(send)
    while True:
        # Whoever asks what it does cannot ask that meanwhile.
        mine = _pulse().asking == get_ident()
        with suppress(TimeoutError):
            return asked.result(timeout=ACTION_S if mine else FRESH_S)
        if not asked.done() and (mine or doing() is None):
            raise httpx.ReadTimeout(screens.HANGS)


def tried(action: Callable[[Connection], object]) -> bool:
    """Do what a person asks for; what is said against it stands on the page."""
    remarks().forget()
    if doing() is None:
        refuse(screens.GONE)
        return False
    try:
        action(connection())
    except (StorageError, RefusedOrderError) as exc:
        refuse(str(exc))
        return False
    _kept().asked_s = -FRESH_S
    _pulse().asked_s = -SILENT_S
    return True


def once(button: str) -> str:
    """Return a name for what one button of this viewer asks for, however often it does.

    Parameters
    ----------
    button
        Its key, which must be another one once it was pressed.

    Notes
    -----
    Streamlit ends a callback where it looks at the session, if the viewer has done
    something else meanwhile: what was asked of the daemon by then is done, and the
    screen does not know it.
    """
    viewer = st.session_state.setdefault(VIEWER, uuid4().hex)
    return f"{viewer} {button}"


@dataclass(slots=True)
class Remarks:
    """Why what one viewer asked for was not done; it fades after a while."""

    _text: str | None = None
    _at_s: float = 0.0

    def say(self, text: str) -> None:
        """Say it, as one sentence."""
        self._text = f"{capital(text.rstrip('.'))}."
        self._at_s = monotonic()

    def forget(self) -> None:
        """Say nothing."""
        self._text = None

    @property
    def last(self) -> str | None:
        """What was said last, unless it has faded."""
        return self._text if monotonic() - self._at_s < SAID_S else None


def remarks() -> Remarks:
    """Return where this viewer is told why something was not done."""
    found: Remarks = st.session_state.setdefault(REMARKS, Remarks())
    return found


def refuse(text: str) -> None:
    """Say why what a person asked for was not done."""
    remarks().say(text)


def said() -> str | None:
    """Return what was said against the last thing asked for."""
    return remarks().last


def last_connection() -> Connection:
    """Return the daemon that runs, or ran last; a page is only run when one did."""
    found = doing()
    return here().connection if found is None else found[0]


def connection() -> Connection:
    """Return the running daemon.

    Raises
    ------
    storage.errors.StorageError
        None answers, or one of another version.
    """
    folder = Home.usual().data
    found = endpoint.read(folder)
    if found is None or found.stale:
        raise UnreachableError(address=str(folder), reason="no daemon runs here")
    line = _connect(found)
    process, named = _pulse().configuration
    if process != found.pid:
        named = str(line.client.state()["configuration"])
    return _settled(found, named)


def _let_go(old: _Line) -> None:
    old.store.close()
    old.client.close()


@st.cache_resource(
    show_spinner=False,
    max_entries=2,
    hash_funcs={Endpoint: lambda one: (one.address, one.pid)},
    on_release=_let_go,
)
def _connect(found: Endpoint) -> _Line:
    return _Line(
        store=RemoteStore(found, waiting=patiently),
        client=Client(found, wait_s=ACTION_S),
    )


@st.cache_resource(
    show_spinner=False,
    max_entries=4,
    hash_funcs={Endpoint: lambda one: (one.address, one.pid)},
)
def _settled(found: Endpoint, configuration: str) -> Connection:
    """Return the daemon with the settings by which it judges."""
    line = _connect(found)
    (kept,) = line.store.rows(Configuration, configuration=configuration)
    settings = Settings.model_validate_json(kept.body)
    return Connection(
        store=line.store,
        client=line.client,
        settings=settings,
        product=ProductModel.of(settings.product),
        gate=Gate(settings, line.store),
        then=StandardsThen(line.store),
        configuration=configuration,
    )
