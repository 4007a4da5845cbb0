"""Rows of two products that share reels, a bench and its sessions.

They come late, out of order and for some ranges alone; several holds, findings and
doubts stand and end. What is kept is remembered beside, as plain lists.
"""

from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from datetime import datetime, timedelta
from random import Random
from typing import Any

from storage.local import LocalStore
from storage.points import JudgedPoint, text_of
from storage.records import (
    BenchInstrument,
    Build,
    Cause,
    CheckResult,
    Configuration,
    CrossCheck,
    Decision,
    Disposal,
    Doubt,
    DoubtCause,
    DoubtEnd,
    Evaluation,
    Fitting,
    Hold,
    HoldEnd,
    Product,
    Proof,
    ProofKind,
    RangeResult,
    Reel,
    ReelCheck,
    Rejudgement,
    Run,
    RunKind,
    Scope,
    Session,
    Signal,
    Unit,
    Verdict,
)
from storage.records_alerts import Acknowledgement, Alert, Delivery, Severity
from storage.records_line import (
    KeptLine,
    LineBench,
    LineMark,
    LinePiece,
    LineSegment,
)
from storage.records_shipping import (
    ContainmentStep,
    PastShipment,
    ReelReceipt,
    Rework,
    ReworkKind,
    Shipment,
    ShipRule,
    Step,
    UnitReturn,
)
from storage.store import Store
from tests.storage.samples import RANGES, START

PRODUCTS = ("amp", "shunt")
OF_PRODUCT = {"amp": "A", "shunt": "S"}
STANDARDS = {"amp": ("A1-8", "A1"), "shunt": ("S1-8", "S1")}
"""Check standards are units of the product, and measured as units too."""
REELS = tuple(f"K-{n}" for n in range(4))
SESSIONS = ("s 0", "s 1", "s 2")
SIGNALS = tuple(f"{p} F{n}" for p in PRODUCTS for n in range(4))
RUNS_EACH = 16
WATCH = "holdpoint"

Row = dict[str, Any]
Rows = list[Row]


def keep(store: Store, row: Any, decision: Decision | None = None) -> Any:
    """Keep a row: the one place that knows how the Store is told."""
    if isinstance(row, Delivery):
        store.note_delivery(row)
    elif isinstance(row, Evaluation):
        store.record_evaluation(row)
    else:
        store.keep(row, decision=decision)


def keep_run(
    store: Store,
    run: Run,
    results: Sequence[RangeResult],
    checks: Sequence[CheckResult],
    closes: Sequence[Rejudgement],
) -> int:
    """Keep a run with what belongs to it; return its number."""
    unit = None
    if run.kind is RunKind.UNIT:
        unit = Unit(serial=run.serial, product=run.product, build=str(run.build))
    return store.record_run(run, results, unit, checks, closes)


def keep_shipment(
    store: Store, shipment: Shipment, rule: ShipRule, decision: Decision
) -> list[str]:
    """Keep that a unit left; return what is against it."""
    return store.ship(shipment, rule, decision)


@dataclass
class Book:
    """All rows that were kept, as plain lists, each with what the Store adds."""

    store: LocalStore
    chance: Random
    rows: dict[str, Rows] = field(default_factory=dict)
    clock: datetime = START
    decided: Rows = field(default_factory=list)

    def of(self, table: str) -> Rows:
        """Return the rows of a table in the order in which they were kept."""
        return self.rows.setdefault(table, [])

    def late(self) -> datetime:
        """Return a time that is seldom later than the one before: rows come late."""
        return START + timedelta(minutes=self.chance.randrange(10_000))

    def decide(self, action: str, subject: str, at: datetime, person: str) -> Decision:
        """Return a line for the ledger, and remember it."""
        line = Decision(
            person=person, action=action, subject=subject, reason="why", decided_at=at
        )
        self.of("decision").append(asdict(line))
        return line

    def add(self, table: str, row: Any, **more: Any) -> Row:
        """Keep a row that nobody decided."""
        keep(self.store, row)
        return self.note(table, row, **more)

    def note(self, table: str, row: Any, **more: Any) -> Row:
        """Remember a row."""
        noted = {**asdict(row), **more}
        self.of(table).append(noted)
        return noted

    def last_number(self, product: str) -> int:
        """Return the product's highest run number."""
        return max((r["number"] for r in self.of("run") if r["product"] == product),
                   default=0)  # fmt: skip

    def say(self, kind: str, subject: str, person: str, at: datetime) -> None:
        """Remember what must have a line in the ledger."""
        self.decided.append(
            {"kind": kind, "subject": subject, "person": person, "decided_at": at}
        )


def furnish(book: Book) -> None:
    """Keep products, builds, reels, sessions and what is fitted."""
    chance = book.chance
    for n in range(2):
        book.add(
            "configuration",
            Configuration(configuration=f"c{n}", body=f"{{{n}}}", stored_at=START),
        )
    for reel in REELS:
        book.add(
            "reel",
            Reel(
                reel=reel, nominal_ohm=1e4, tolerance_ppm=1e3,
                received_at=START - timedelta(days=chance.randrange(1, 9)),
                supplier=chance.choice([None, "Corner shop"]),
            ),
        )  # fmt: skip
    for n, session in enumerate(SESSIONS):
        book.add(
            "session",
            Session(
                session=session, bench=f"bench {n % 2}", opened_at=book.late(),
                configuration="c0", set_up=n == 1,
            ),
        )  # fmt: skip
        for role in ("output", "source"):
            if chance.random() < 0.8:
                book.add(
                    "bench_instrument",
                    BenchInstrument(session=session, role=role, address=f"{n} {role}"),
                )
    for product in PRODUCTS:
        book.add("product", Product(product=product, title=product.upper()))
        letter = OF_PRODUCT[product]
        for build in (f"{letter}1", f"{letter}2", f"{letter}3"):
            book.add(
                "build",
                Build(
                    build=build, product=product, opened_at=book.late(),
                    planned_units=chance.choice([None, 5]),
                ),
            )  # fmt: skip
        for n in range(5):
            book.add(
                "fitting",
                Fitting(
                    fitting=f"{product} {n}", product=product,
                    build=f"{letter}{n % 2 + 1}", part=f"R{n % 2}",
                    reel=chance.choice(REELS), fitted_at=book.late(),
                    from_serial=chance.choice([None, f"{letter}{n % 2 + 1}-9"]),
                ),
            )  # fmt: skip
    for product in PRODUCTS:
        letter = OF_PRODUCT[product]
        for serial, place in ((f"{letter}1-9", 1), (f"{letter}2-10", 2)):
            book.add(
                "unit", Unit(serial=serial, product=product, build=f"{letter}{place}")
            )


def serials(product: str) -> dict[str, str]:
    """Return the build of each serial; those of the third build are not measured."""
    letter = OF_PRODUCT[product]
    return {
        f"{letter}{build}-{n}": f"{letter}{build}"
        for build in (1, 2)
        for n in (8, 9, 10, 11)
    }


def measure(book: Book) -> None:
    """Keep runs of units and checks of both products, as they come."""
    chance = book.chance
    for _ in range(RUNS_EACH * len(PRODUCTS)):
        product = chance.choice(PRODUCTS)
        serial, build = chance.choice(sorted(serials(product).items()))
        kind = RunKind.CHECK if chance.random() < 0.25 else RunKind.UNIT
        if kind is RunKind.CHECK or chance.random() < 0.2:
            serial, build = STANDARDS[product]
        before = [
            one["run"]
            for one in book.of("run")
            if one["serial"] == serial and one["kind"] is kind
        ]
        at = book.late()
        again = bool(before) and chance.random() < 0.5
        name = f"run {len(book.of('run'))}"
        run = Run(
            run=name, kind=kind, product=product, serial=serial,
            build=build if kind is RunKind.UNIT else None,
            session=chance.choice(SESSIONS), origin="bench", started_at=at,
            finished_at=at + timedelta(seconds=30),
            configuration=chance.choice(["c0", "c1"]),
            ambient_c=chance.choice([None, 23.5]),
            rerun_of=chance.choice(before) if again else None,
            note=chance.choice([None, "lid open"]),
        )  # fmt: skip
        measured = chance.sample(RANGES, chance.randint(1, len(RANGES)))
        verdicts = [chance.choice(list(Verdict)) for _ in measured]
        if chance.random() < 0.6:
            verdicts = [Verdict.CONFORMING] * len(measured)
        results = [
            RangeResult(
                run=name, range=one, reference=1e-6, indicated=1.001e-6,
                error_ppm=chance.uniform(-6000.0, 6000.0), offset_ppm=1.0,
                uncertainty_ppm=20.0, limit_ppm=5000.0, verdict=verdict,
                conformance_probability=0.5, level=(1e-6,),
                reference_readings=(chance.random(),), output_readings=(0.9,),
                at_s=(0.5,), own_uncertainty_ppm=chance.choice([None, 3.0]),
                points=None if len(book.of("run")) % 2 else point(RANGES.index(one)),
            )
            for one, verdict in zip(measured, verdicts, strict=True)
        ]  # fmt: skip
        checks = []
        if kind is RunKind.UNIT and chance.random() < 0.5:
            checks = [
                CheckResult(
                    run=name, name=one, value=1.0, unit="A", low=None, high=2.0,
                    verdict=chance.choice([Verdict.CONFORMING, Verdict.NONCONFORMING]),
                )
                for one in ("supply current", "lamp")
            ]  # fmt: skip
        keep_all_of(book, run, results, checks)


def point(error_ppm: float) -> str:
    """Return a range's one point, as rows keep it."""
    one = JudgedPoint(
        of_full_scale=1.0,
        error_ppm=error_ppm,
        uncertainty_ppm=1.0,
        verdict="conforming",
    )
    return text_of((one,))


def keep_all_of(
    book: Book,
    run: Run,
    results: Sequence[RangeResult],
    checks: Sequence[CheckResult],
) -> None:
    """Keep a run; a check judges some results of its session again."""
    closes = []
    if run.kind is RunKind.CHECK:
        known = {(one["run"], one["range"]) for one in book.of("rejudgement")}
        closes = [
            Rejudgement(
                run=one["run"], range=one["range"], check_run=run.run, drift_ppm=40.0,
                error_ppm=one["error_ppm"] - 40.0, uncertainty_ppm=22.0,
                verdict=book.chance.choice(list(Verdict)), conformance_probability=0.4,
                made_at=run.started_at,
                points=None if one["number"] % 3 else point(10.0),
            )
            for one in book.of("range_result")
            if one["session"] == run.session
            and one["kind"] is RunKind.UNIT
            and (one["run"], one["range"]) not in known
            and book.chance.random() < 0.4
        ]  # fmt: skip
    number = keep_run(book.store, run, results, checks, closes)
    assert number == len(book.of("run")) + 1
    row = book.note("run", run, number=number)
    shared = {
        key: row[key]
        for key in ("kind", "product", "build", "serial", "started_at", "session")
    }
    for place, one in enumerate(results):
        repeat = sum(
            kept["serial"] == run.serial
            and kept["range"] == one.range
            and kept["kind"] is RunKind.UNIT
            for kept in book.of("range_result")
        )
        repeat = repeat if run.kind is RunKind.UNIT else 0
        book.note(
            "range_result", one, **shared, number=number, place=place, repeat=repeat
        )
    for place, beside in enumerate(checks):
        book.note("check_result", beside, **shared, number=number, place=place)
    for again in closes:
        book.note("rejudgement", again)


def watch(book: Book) -> None:
    """Keep findings in revisions, charts' warnings, and what they hold."""
    chance = book.chance
    for product in PRODUCTS:
        letter = OF_PRODUCT[product]
        own = [one["number"] for one in book.of("run") if one["product"] == product]
        for n in range(4):
            for revision in range(1, chance.randint(2, 4)):
                standing = chance.random() < 0.7
                signal = Signal(
                    signal=f"{product} F{n}", revision=revision,
                    number=chance.choice(own), product=product,
                    build=f"{letter}{chance.randint(1, 2)}",
                    cause=Cause.CHART if n == 3 else chance.choice(
                        [Cause.REEL, Cause.BENCH, Cause.UNIT]
                    ),
                    statistic="odds", range=chance.choice([None, *RANGES]),
                    part=chance.choice([None, "R0", "R1"]),
                    reel=chance.choice([None, *REELS]),
                    first_serial=f"{letter}1-9", raised_serial=f"{letter}2-10",
                    units=revision, size_ppm=-3000.0, low_ppm=-3200.0,
                    high_ppm=-2800.0, implied_ohm=None, probability=0.9, holds=True,
                    evidence="{}", made_at=book.late(), standing=standing,
                    withdrawn=None if standing else "measured again",
                )  # fmt: skip
                keep(
                    book.store,
                    Evaluation(product=product, number=own[0], signals=(signal,)),
                )
                book.note("signal", signal)
        line(book, product)
        hold(book, product)


def line(book: Book, product: str) -> None:
    """Keep what was worked out at four marks; before the third it went back."""

    def mark(number: int) -> LineMark:
        return LineMark(product=product, number=number, fingerprint="f", body="{}")

    def segment(index: int, number: int) -> LineSegment:
        return LineSegment(
            product=product, segment=index, number=number, build="1", reels="[]",
            source=None, first=index, build_first=0, units=number, first_number=1,
            last_number=number,
        )  # fmt: skip

    def piece(index: int, number: int) -> LinePiece:
        return LinePiece(
            product=product, segment=index, number=number, piece=0, body="eJw="
        )

    def bench(place: int, number: int) -> LineBench:
        return LineBench(product=product, place=place, number=number, body="[]")

    lines: tuple[
        tuple[int, int, list[tuple[int, int]], list[tuple[int, int]], list[int]], ...
    ] = (
        (-1, 3, [(0, 3), (1, 3)], [(0, 3)], []),
        (3, 6, [(1, 6)], [(3, 6)], []),
        (3, 9, [(1, 9), (2, 9)], [(2, 9)], []),
        (9, 12, [(2, 12)], [(7, 12)], [9]),
    )
    number = min(r["number"] for r in book.of("run") if r["product"] == product)
    for after, at, segments, events, dropped in lines:
        kept = KeptLine(
            after=after,
            mark=mark(at),
            segments=tuple(segment(*one) for one in segments),
            pieces=tuple(piece(*one) for one in segments),
            bench=tuple(bench(*one) for one in events),
            dropped=tuple(map(mark, dropped)),
        )
        keep(book.store, Evaluation(product=product, number=number, lines=(kept,)))
    for one in (3, 12):
        book.note("line_mark", mark(one))
    # What segment 2 was at 9 no mark goes back to; what 1 was at 3, the first does.
    for pair in ((0, 3), (1, 3), (1, 9), (2, 12)):
        book.note("line_segment", segment(*pair))
        book.note("line_piece", piece(*pair))
    for pair in ((0, 3), (2, 9), (7, 12)):
        book.note("line_bench", bench(*pair))


def hold(book: Book, product: str) -> None:
    """Keep holds of every scope, by the watch and by hand; end some of them."""
    chance, letter = book.chance, OF_PRODUCT[product]
    subjects = [
        (Scope.BUILD, f"{letter}1", None),
        (Scope.BUILD, f"{letter}2", None),
        (Scope.REEL, chance.choice(REELS), None),
        (Scope.REEL, chance.choice(REELS), None),
        (Scope.UNIT, f"{letter}1-9", None),
        (Scope.UNIT, f"{letter}2-10", None),
        (Scope.SERIALS, f"{letter}2-10", f"{letter}2-11"),
        (Scope.SERIALS, f"{letter}1-8", f"{letter}1-9"),
        # the other product's serials, and some of another form: it holds none of them
        (Scope.SERIALS, "A2-8", "A2-9"),
        (Scope.SERIALS, "S000", "S999"),
    ]
    for n, (scope, subject, last) in enumerate(subjects):
        by_watch = chance.random() < 0.5
        one = Hold(
            hold=f"{product} hold {n}", scope=scope, subject=subject, product=product,
            signal=chance.choice([None, f"{product} F0", f"{product} F1"]),
            reason="reads low", placed_by=WATCH if by_watch else "Ada",
            placed_at=book.late(), to_serial=last,
        )  # fmt: skip
        line = book.decide("place hold", one.hold, one.placed_at, one.placed_by)
        number = book.last_number(product)
        if by_watch:
            line = Decision(**{**asdict(line), "reason": one.reason})
            book.of("decision")[-1] = asdict(line)
            (first, *_) = (r for r in book.of("run") if r["product"] == product)
            keep(
                book.store,
                Evaluation(product=product, number=first["number"], holds=(one,)),
            )
        else:
            keep(book.store, one, line)
        book.note("hold", one, after_number=number)
        book.say("hold", one.hold, one.placed_by, one.placed_at)
        if chance.random() < 0.6:
            end = HoldEnd(
                hold=one.hold, disposal=chance.choice(list(Disposal)), person="Bea",
                reason="measured", ended_at=book.late(),
                evidence=chance.choice([None, "R-1"]),
            )  # fmt: skip
            keep(book.store, end, book.decide("release", one.hold, end.ended_at, "Bea"))
            book.note("hold_end", end, after_number=number)
            book.say("hold end", end.hold, "Bea", end.ended_at)


def doubt(book: Book) -> None:
    """Keep doubts on runs, some ended, and comparisons of meters."""
    chance = book.chance
    numbers = [one["number"] for one in book.of("run")]
    for n in range(8):
        first, last = sorted(chance.choices(numbers, k=2))
        product = chance.choice(PRODUCTS)
        one = Doubt(
            doubt=f"doubt {n}", product=product, session=chance.choice(SESSIONS),
            from_number=first, to_number=last, cause=chance.choice(list(DoubtCause)),
            reason=f"why {n}", raised_at=book.late(),
        )  # fmt: skip
        book.add("doubt", one)
        if chance.random() < 0.4:
            end = DoubtEnd(
                doubt=one.doubt, ended_by="Ada", reason="loose lead",
                ended_at=book.late(),
            )  # fmt: skip
            keep(
                book.store,
                end,
                book.decide("end doubt", one.doubt, end.ended_at, "Ada"),
            )
            book.note("doubt_end", end)
            book.say("doubt end", end.doubt, "Ada", end.ended_at)
        book.add(
            "cross_check",
            CrossCheck(
                cross_check=f"cross {n}", product=product, session="s 0", serial="any",
                range=RANGES[0], role="output", meter="handheld", unit="V", value=0.9,
                expanded=1e-4, other=0.9, other_expanded=1e-4, normalised_error=0.0,
                agree=True, measured_at=book.late(),
            ),
        )  # fmt: skip


def leave(book: Book) -> None:
    """Keep shipments, returns, rework, steps, and what came and what was measured."""
    chance = book.chance
    for product in PRODUCTS:
        for n, (serial, build) in enumerate(serials(product).items()):
            if chance.random() < 0.3:
                book.add("unit", Unit(serial=serial, product=product, build=build))
            known = {r["serial"] for r in (*units(book, product),)}
            if serial not in known:
                continue
            reworked(book, product, serial, n)
            moved(book, product, serial, n)
            at = book.late()
            step = ContainmentStep(
                containment_step=f"step {serial}", product=product, serial=serial,
                subject=chance.choice(REELS[:2]), step=chance.choice(list(Step)),
                person="Ada", note="", noted_at=at,
            )  # fmt: skip
            keep(book.store, step, book.decide(step.step, serial, at, "Ada"))
            book.note("containment_step", step)
            book.say("step", serial, "Ada", at)
        past = PastShipment(
            past_shipment=f"past {product}", product=product, units=3,
            build=f"{OF_PRODUCT[product]}1", destination="order 1", person="Ada",
            shipped_at=book.late(),
        )  # fmt: skip
        keep(book.store, past, book.decide("ship", past.build, past.shipped_at, "Ada"))
        book.note("past_shipment", past)
        book.say("past shipment", past.build, "Ada", past.shipped_at)
    for reel in REELS[1:]:
        book.add(
            "reel_receipt", ReelReceipt(reel=reel, quantity=9, invoice=f"of {reel}")
        )
        book.add(
            "reel_check",
            ReelCheck(
                reel_check=f"check {reel}", reel=reel, readings=(9_970.0, 9_968.5),
                uncertainty_ohm=1.0, origin="typed", person="Ada", made_at=book.late(),
                method="ratio", incoming=reel == REELS[0],
            ),
        )  # fmt: skip
    for n, (signal, kind) in enumerate(
        (signal, kind) for signal in SIGNALS for kind in list(ProofKind)[:2]
    ):
        book.add(
            "proof",
            Proof(
                proof=f"proof {n}", signal=signal, kind=kind,
                subject=chance.choice([None, *REELS]), readings=(9_970.0,), unit="ohm",
                from_value=1e4, uncertainty=2.0, person="Ada", made_at=book.late(),
            ),
        )  # fmt: skip


def reworked(book: Book, product: str, serial: str, n: int) -> None:
    """Keep what was done to a unit, for some."""
    if book.chance.random() < 0.5:
        return
    at = book.late()
    one = Rework(
        rework=f"rework {product} {n}", serial=serial, product=product,
        kind=ReworkKind.REPLACE, person="Ada", reason="why", reworked_at=at, part="R0",
        reel=book.chance.choice(REELS),
    )  # fmt: skip
    keep(book.store, one, book.decide("rework", serial, at, "Ada"))
    book.note("rework", one)
    book.say("rework", serial, "Ada", at)


def moved(book: Book, product: str, serial: str, n: int) -> None:
    """Keep that a unit left and came back, up to twice."""
    at = book.late()
    rule = ShipRule(ranges=RANGES, configurations=("c0", "c1"))
    for time in range(book.chance.randrange(3)):
        shipment = Shipment(
            shipment=f"out {product} {n} {time}", serial=serial, product=product,
            destination=f"order {n}", reseller=n == 1, person="Ada",
            shipped_at=at + timedelta(hours=2 * time), override_reason="as it is",
        )  # fmt: skip
        line = book.decide("ship", serial, shipment.shipped_at, "Ada")
        assert keep_shipment(book.store, shipment, rule, line) == []
        book.note("shipment", shipment)
        book.say("shipment", serial, "Ada", shipment.shipped_at)
        if time == 1 and book.chance.random() < 0.5:
            return
        back = UnitReturn(
            unit_return=f"back {product} {n} {time}", serial=serial, product=product,
            person="Bea", reason=f"time {time}",
            returned_at=at + timedelta(hours=2 * time + 1),
        )  # fmt: skip
        keep(book.store, back, book.decide("back", serial, back.returned_at, "Bea"))
        book.note("unit_return", back)
        book.say("return", serial, "Bea", back.returned_at)


def tell(book: Book) -> None:
    """Keep messages, how far their deliveries are and who took note."""
    chance = book.chance
    for n in range(16):
        made = book.late()
        alert = Alert(
            alert=f"m{n // 2}", target=("mail", "chat")[n % 2],
            product=PRODUCTS[n // 2 % 2], severity=Severity.HOLD, subject="s",
            title="t", body="b", said="", follows=None, made_at=made,
        )  # fmt: skip
        book.add("alert", alert)
        for tries in range(1, chance.randint(1, 3)):
            at = book.late()
            ends = [at, None, None]
            chance.shuffle(ends)
            book.add(
                "delivery",
                Delivery(
                    alert=alert.alert, target=alert.target, tries=tries, tried_at=at,
                    next_at=ends[0], last_error=None, delivered_at=ends[1],
                    dead_at=ends[2],
                ),
            )  # fmt: skip
        if n % 2 and chance.random() < 0.5:
            taken = Acknowledgement(
                alert=alert.alert, person="Ada", acknowledged_at=book.late()
            )
            line = book.decide("note", alert.alert, taken.acknowledged_at, "Ada")
            keep(book.store, taken, line)
            book.note("acknowledgement", taken)
    for job in ("backup", "archive"):
        at = book.late()
        book.store.note_job(job, at)
        book.of("job").append({"job": job, "succeeded_at": at})


def of_product(book: Book, table: str, product: str) -> Rows:
    """Return the rows of a product."""
    return [one for one in book.of(table) if one["product"] == product]


def units(book: Book, product: str) -> Rows:
    """Return serial and build of each unit."""
    found = {
        one["serial"]: one["build"]
        for one in (*book.of("unit"), *book.of("run"))
        if one["product"] == product and one.get("kind") is not RunKind.CHECK
    }
    return [{"serial": serial, "build": build} for serial, build in found.items()]


def told_to(store: LocalStore, seed: int) -> Book:
    """Keep everything, and return it."""
    made = Book(store=store, chance=Random(seed))  # noqa: S311 -- no secret
    for keep_some in (furnish, measure, watch, doubt, leave, tell):
        keep_some(made)
    return made
