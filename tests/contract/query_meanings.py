"""What each named query means, as plain loops over the rows that were kept.

Slow and simple on purpose: `MEANINGS` holds one function a query.
"""

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import datetime
from functools import partial
from typing import Any

from storage.kept import RECORDS
from storage.records import (
    Cause,
    Disposal,
    Fitting,
    ProofKind,
    RunKind,
    Scope,
    Verdict,
)
from storage.records_shipping import Rework, ReworkKind
from storage.serials import reels_of, serial_order, within
from tests.contract.two_products import PRODUCTS, Book, Row, Rows, of_product, units
from tests.storage.samples import WAITING

GOOD = {Verdict.CONFORMING, Verdict.LIKE_KNOWN_GOOD}


def picked(row: Mapping[str, Any], names: str) -> Row:
    """Return some columns of a row; `a=b` is column b under the name a."""
    found: Row = {}
    for name in names.split():
        new, _, old = name.partition("=")
        found[new] = row[old or new]
    return found


def first(rows: Iterator[Row] | Rows) -> Row | None:
    """Return the first row, None where there is none."""
    return next(iter(rows), None)


def joined(one: Row, other: Row | None, names: str) -> Row:
    """Return a row with columns of another, None where there is no other."""
    new = [name.partition("=")[0] for name in names.split()]
    found = dict.fromkeys(new) if other is None else picked(other, names)
    return {**one, **found}


def by(*names: str) -> Callable[[Row], tuple[Any, ...]]:
    """Return a key for sorting."""
    return lambda one: tuple(one[name] for name in names)


def build_of(book: Book, serial: str) -> str:
    """Return the build of a serial."""
    return next(
        str(one["build"])
        for product in PRODUCTS
        for one in units(book, product)
        if one["serial"] == serial
    )


def again(book: Book, result: Row) -> Row | None:
    """Return how a result was judged again."""
    key = (result["run"], result["range"])
    return first(o for o in book.of("rejudgement") if (o["run"], o["range"]) == key)


def verdict(book: Book, result: Row) -> Verdict:
    """Return a result's verdict as it was judged last."""
    return Verdict((again(book, result) or result)["verdict"])


def measured_units(book: Book, product: str) -> Rows:
    """Return a product's results of units, oldest first."""
    rows = of_product(book, "range_result", product)
    units_ = [one for one in rows if one["kind"] is RunKind.UNIT]
    return sorted(units_, key=by("number", "place"))


def latest_of(book: Book, product: str) -> dict[tuple[str, str], Row]:
    """Return the latest result of each unit and range."""
    return {(r["serial"], r["range"]): r for r in measured_units(book, product)}


def latest_signals(book: Book, product: str) -> dict[str, Row]:
    """Return the latest revision of each finding."""
    rows = sorted(of_product(book, "signal", product), key=by("revision"))
    return {one["signal"]: one for one in rows}


def standing_holds(book: Book, product: str) -> Rows:
    """Return a product's holds that nobody ended."""
    ended = {one["hold"] for one in book.of("hold_end")}
    return [h for h in of_product(book, "hold", product) if h["hold"] not in ended]


def holds_on(book: Book, product: str, build: str) -> int:
    """Return how many holds keep a build, or anything of it."""
    serials_ = [o["serial"] for o in units(book, product) if o["build"] == build]
    # What took a place last feeds it; what it took it from does not any more.
    feeds: dict[Any, str] = {}
    for one in sorted(book.of("fitting"), key=by("fitted_at", "fitting")):
        if one["build"] == build:
            feeds[one["part"], one["from_serial"]] = one["reel"]
    for one in sorted(book.of("rework"), key=by("reworked_at")):
        if one["kind"] is ReworkKind.REPLACE and one["serial"] in serials_:
            feeds[one["part"], one["serial"], "replaced"] = one["reel"]
    reels = set(feeds.values())
    found = 0
    for one in standing_holds(book, product):
        subject = one["subject"]
        found += {
            Scope.BUILD: subject == build,
            Scope.REEL: subject in reels,
            Scope.UNIT: subject in serials_,
            Scope.SERIALS: any(
                within(s, subject, str(one["to_serial"])) for s in serials_
            ),
        }[one["scope"]]
    return found


def yields(book: Book, product: str) -> Rows:
    """Return first-pass and final yield of each build.

    Of the units of which any result was judged; first-pass yield is that of `builds`.
    """
    found = []
    results = measured_units(book, product)
    checks = sorted(of_product(book, "check_result", product), key=by("number"))
    last = {(o["serial"], o["name"]): o["verdict"] for o in checks}
    failed = {k[0] for k, verdict in last.items() if verdict is Verdict.NONCONFORMING}
    latest = latest_of(book, product)
    reworked_ = {one["serial"] for one in book.of("rework")}
    for build in sorted({str(one["build"]) for one in results}):
        final = {}
        for serial in {o["serial"] for o in results if o["build"] == build}:
            own = [verdict(book, o) for o in results if o["serial"] == serial]
            if set(own) != {Verdict.NOT_JUDGED}:
                ends = {verdict(book, o) for k, o in latest.items() if k[0] == serial}
                final[serial] = ends <= GOOD and serial not in failed
        if final:
            found.append(
                {
                    "build": build,
                    "units": len(final),
                    "first_pass_yield": first_pass(book, product, build),
                    "final_yield": sum(final.values()) / len(final),
                    "reworked": len(reworked_ & set(final)),
                }
            )
    return found


def range_story(book: Book, product: str, range: str, most: int) -> Rows:  # noqa: A002 -- as the query names it
    """Return how a range read in each stretch of builds that follow each other."""
    latest = [one for (_, key), one in latest_of(book, product).items() if key == range]
    told = []
    for build in by_age(book, product):
        mine = [one for one in latest if one["build"] == build["build"]]
        if mine:
            told.append((build, mine))
    found = []
    for number, several in enumerate(stretches(told, most), start=1):
        errors = [[error(book, one) for one in mine] for _, mine in several]
        means = [sum(one) / len(one) for one in errors]
        every = [e for one in errors for e in one]
        squares = sum(
            (e - mean) ** 2
            for one, mean in zip(errors, means, strict=True)
            for e in one
            if len(one) > 1
        )
        freedom = sum(len(one) - 1 for one in errors)
        rows = [one for _, mine in several for one in mine]
        odd = {Verdict.NONCONFORMING, Verdict.CHANGED}
        found.append(
            {
                "stretch": number,
                "builds": len(several),
                "units": len(every),
                "first_build": several[0][0]["build"],
                "last_build": several[-1][0]["build"],
                "since": several[0][0]["opened_at"],
                "until": several[-1][0]["opened_at"],
                "mean_ppm": round(sum(every) / len(every), 6),
                "low_mean_ppm": round(min(means), 6),
                "high_mean_ppm": round(max(means), 6),
                "s_ppm": round((squares / freedom) ** 0.5, 6) if freedom else None,
                "low_ppm": min(every),
                "high_ppm": max(every),
                "limit_ppm": max(one["limit_ppm"] for one in rows),
                "outside": sum(verdict(book, one) in odd for one in rows),
            }
        )
    return found


def error(book: Book, result: Row) -> float:
    """Return a result's error as it was judged last."""
    return float((again(book, result) or result)["error_ppm"])


def stretches(rows: Sequence[Any], most: int) -> list[Sequence[Any]]:
    """Part rows into at most so many groups, the first ones larger by one."""
    groups = min(most, len(rows))
    if not groups:
        return []
    each, more = divmod(len(rows), groups)
    found, begin = [], 0
    for place in range(groups):
        end = begin + each + (place < more)
        found.append(rows[begin:end])
        begin = end
    return found


def left_since(book: Book, product: str, since: datetime) -> Rows:
    """Return how many units left after a moment."""
    left = {
        one["serial"]
        for one in of_product(book, "shipment", product)
        if one["shipped_at"] > since
    }
    return [{"units": len(left)}]


def units_like(book: Book, product: str, part: str, newest: int) -> Rows:
    """Return units whose serial contains a text, of the newest build first."""
    opened = {
        one["build"]: one["opened_at"] for one in of_product(book, "build", product)
    }
    found = sorted(
        (o for o in units(book, product) if part.lower() in o["serial"].lower()),
        key=lambda one: (len(one["serial"]), one["serial"]),
    )
    found.sort(key=lambda one: opened[one["build"]], reverse=True)
    return [picked(one, "serial build") for one in found[:newest]]


def by_age(book: Book, product: str) -> list[Row]:
    """Return builds, oldest first."""
    return sorted(of_product(book, "build", product), key=by("opened_at", "build"))


def newest_measured(book: Book, product: str, newest: int) -> list[Row]:
    """Return so many of the builds that were measured, the newest ones."""
    measured = {
        one["build"]
        for one in of_product(book, "run", product)
        if one["kind"] is RunKind.UNIT
    }
    mine = [one for one in by_age(book, product) if one["build"] in measured]
    return mine[max(len(mine) - newest, 0) :]


def narrowed(meaning: Callable[..., Rows], *names: str) -> Callable[..., Rows]:
    """Return the meaning of a query that may be narrowed to a column's value.

    One that takes several `builds` is narrowed to those too.
    """

    def rows(book: Book, **given: Any) -> Rows:
        wanted = {name: given.pop(name) for name in names}
        several = given.pop("builds", None)
        return [
            one
            for one in meaning(book, **given)
            if all(value in {None, one[name]} for name, value in wanted.items())
            and (several is None or one["build"] in json.loads(several))
        ]

    return rows


def builds(book: Book, product: str, newest: int | None) -> Rows:
    """Return what each build came to.

    Its first-pass yield is of units of which any first result was judged.
    """
    found = []
    recent = newest_measured(book, product, newest or 0)
    for one in by_age(book, product):
        if (
            newest is not None
            and recent
            and not holds_on(book, product, one["build"])
            and one["opened_at"] < recent[0]["opened_at"]
        ):
            continue
        runs = [
            o
            for o in book.of("run")
            if o["build"] == one["build"] and o["kind"] is RunKind.UNIT
        ]
        open_ = holds_on(book, product, one["build"])
        found.append(
            {
                **picked(one, "build planned_units opened_at"),
                "units": len({o["serial"] for o in runs}),
                "first_pass_yield": first_pass(book, product, one["build"]),
                "state": "held" if open_ else "open",
                "open_holds": open_,
                "last_run_at": max((o["started_at"] for o in runs), default=None),
            }
        )
    return found


def first_pass(book: Book, product: str, build: str) -> float | None:
    """Return a build's share of units that were good at first."""
    reruns = {o["run"] for o in book.of("run") if o["rerun_of"] is not None}
    failed = {
        o["serial"]
        for o in of_product(book, "check_result", product)
        if o["verdict"] is Verdict.NONCONFORMING and o["run"] not in reruns
    }
    passed = []
    own = [o for o in measured_units(book, product) if o["build"] == build]
    for serial in {o["serial"] for o in own}:
        begun = [
            verdict(book, o) for o in own if o["serial"] == serial and not o["repeat"]
        ]
        if any(one is not Verdict.NOT_JUDGED for one in begun):
            passed.append(set(begun) <= GOOD and serial not in failed)
    return sum(passed) / len(passed) if passed else None


def latest_errors(book: Book, product: str, newest: int | None) -> Rows:
    """Return the latest result of each unit and range, with its place."""
    recent = {one["build"] for one in newest_measured(book, product, newest or 0)}
    begun: dict[str, list[str]] = {}
    for one in sorted(of_product(book, "run", product), key=by("number")):
        place = begun.setdefault(str(one["build"]), [])
        if one["kind"] is RunKind.UNIT and one["serial"] not in place:
            place.append(one["serial"])
    rows = []
    for one in sorted(latest_of(book, product).values(), key=by("number", "place")):
        counts = again(book, one) or one
        if newest is not None and one["build"] not in recent:
            continue
        rows.append(
            {
                **picked(
                    one,
                    "number run serial build started_at session range limit_ppm "
                    "reruns=repeat",
                ),
                **picked(counts, "error_ppm uncertainty_ppm verdict"),
                "points": counts["points"] or one["points"],
                "position": begun[one["build"]].index(one["serial"]) + 1,
            }
        )
    return rows


_OF_RESULT = (
    "number run kind serial build session started_at range reference indicated "
    "error_ppm offset_ppm uncertainty_ppm limit_ppm verdict conformance_probability "
    "own_uncertainty_ppm"
)
_OF_RUN = "origin rerun_of ambient_c configuration"


def run_of(book: Book, result: Row) -> Row:
    """Return the run of a result."""
    return next(one for one in book.of("run") if one["run"] == result["run"])


def range_rows(book: Book, product: str, after: int, kind: str | None) -> Rows:
    """Return results with what their runs say."""
    set_up = {one["session"]: one["set_up"] for one in book.of("session")}
    return [
        {
            **picked(one, _OF_RESULT),
            **picked(run_of(book, one), _OF_RUN),
            "set_up": set_up[one["session"]],
        }
        for one in sorted(of_product(book, "range_result", product), key=by("number"))
        if one["number"] > after and kind in {None, one["kind"]}
    ]


def watched_rows(
    book: Book, product: str, after: int, until: int, serial: str | None
) -> Rows:
    """Return results up to a run with how often they were measured before."""
    rows = range_rows(book, product, after, None)
    repeats = {
        (one["number"], one["range"]): one["repeat"] for one in book.of("range_result")
    }
    return [
        {**one, "repeat": repeats[one["number"], one["range"]]}
        for one in rows
        if one["number"] <= until and serial in {None, one["serial"]}
    ]


def line_bench_from(book: Book, product: str, place: int) -> Rows:
    """Return the pieces that hold events from one on."""
    rows = sorted(of_product(book, "line_bench", product), key=by("place"))
    first = max((one["place"] for one in rows if one["place"] <= place), default=0)
    return [one for one in rows if one["place"] >= first]


def unit_runs(book: Book, serial: str, session: str | None) -> Rows:
    """Return a serial's results, of one session or all, with later judgements."""
    numbers = {one["run"]: one["number"] for one in book.of("run")}
    rows = []
    for one in book.of("range_result"):
        run = run_of(book, one)
        if one["serial"] != serial or session not in (None, run["session"]):
            continue
        row = {
            **picked(one, f"{_OF_RESULT} points"),
            **picked(run, f"{_OF_RUN} note"),
        }
        names = (
            *("drift_ppm", "error_ppm", "uncertainty_ppm"),
            *("verdict", "conformance_probability", "points"),
        )
        new = again(book, one)
        row = joined(row, new, " ".join(f"again_{name}={name}" for name in names))
        row["again_number"] = None if new is None else numbers[new["check_run"]]
        rows.append(row)
    return rows


def untold(book: Book) -> Rows:  # noqa: ARG001 -- no command of the Store makes them
    """Return what waits, kind after kind."""
    found: dict[str, Row] = {}
    for one in sorted(map(dict, WAITING), key=by("kept_at")):
        row = found.setdefault(
            str(one["command"]),
            {"command": one["command"], "waiting": 0, "since": one["kept_at"]},
        )
        row["waiting"] += 1
    return [*found.values()]


def rejudgements(
    book: Book, product: str, after: int, changed: bool | None, until: int | None
) -> Rows:
    """Return what checks judged again."""
    numbers = {one["run"]: one["number"] for one in book.of("run")}
    latest = latest_of(book, product)
    rows = []
    for one in measured_units(book, product):
        new = again(book, one)
        if new is None or numbers[new["check_run"]] <= after:
            continue
        if until is not None and numbers[new["check_run"]] > until:
            continue
        if changed not in {None, new["verdict"] != one["verdict"]}:
            continue
        rows.append(
            {
                **picked(
                    one,
                    "number run serial build range limit_ppm first_error_ppm=error_ppm "
                    "first_uncertainty_ppm=uncertainty_ppm first_verdict=verdict",
                ),
                **picked(
                    new,
                    "check_run drift_ppm error_ppm uncertainty_ppm verdict "
                    "conformance_probability made_at",
                ),
                "check_number": numbers[new["check_run"]],
                "latest": latest[one["serial"], one["range"]] is one,
            }
        )
    return sorted(rows, key=by("check_number"))


def holds(book: Book, product: str) -> Rows:
    """Return holds with their ends."""
    ends = {one["hold"]: one for one in book.of("hold_end")}
    return [
        joined(
            one,
            ends.get(one["hold"]),
            "disposal person end_reason=reason ended_at evidence "
            "end_after_number=after_number",
        )
        for one in sorted(
            of_product(book, "hold", product), key=by("placed_at", "hold")
        )
    ]


def hold_ends(book: Book, product: str) -> Rows:
    """Return ends of holds with their findings."""
    placed = {one["hold"]: one for one in of_product(book, "hold", product)}
    latest = latest_signals(book, product)
    rows = [
        joined(
            {
                **picked(placed[end["hold"]], "hold scope subject to_serial signal"),
                **picked(end, "disposal person reason ended_at after_number"),
            },
            latest.get(str(placed[end["hold"]]["signal"])),
            "build range part reel cause",
        )
        for end in book.of("hold_end")
        if end["hold"] in placed
    ]
    return sorted(rows, key=by("after_number", "ended_at", "hold"))


def proofs(book: Book, product: str) -> Rows:
    """Return measurements for findings, and checks of the reels that they name."""
    latest = latest_signals(book, product)
    names = (
        "proof signal kind subject readings unit from_value uncertainty person made_at"
    )
    rows = [picked(o, names) for o in book.of("proof") if o["signal"] in latest]
    nominal = {one["reel"]: one["nominal_ohm"] for one in book.of("reel")}
    rows += [
        {
            **picked(
                one, "subject=reel readings uncertainty=uncertainty_ohm person made_at"
            ),
            "proof": f"{one['reel_check']}:{signal['signal']}",
            "signal": signal["signal"],
            "kind": ProofKind.LOOSE_PARTS,
            "unit": "ohm",
            "from_value": nominal[one["reel"]],
        }
        for one in book.of("reel_check")
        for signal in latest.values()
        if signal["reel"] == one["reel"]
        and signal["part"] is not None
        and not one["incoming"]
    ]
    return sorted(rows, key=by("made_at", "proof"))


def reel_checks(book: Book) -> Rows:
    """Return every time loose parts of a reel were measured."""
    rows = [dict(one) for one in book.of("reel_check")]
    rows += [
        {
            **picked(
                one,
                "reel_check=proof reel=subject readings uncertainty_ohm=uncertainty "
                "person made_at",
            ),
            "origin": f"for {one['signal']}",
            "method": None,
            "incoming": False,
        }
        for one in book.of("proof")
        if one["kind"] is ProofKind.LOOSE_PARTS and one["subject"] is not None
    ]
    return sorted(rows, key=by("made_at", "reel_check"))


def runs_in_doubt(book: Book, product: str) -> Rows:
    """Return runs of units with each doubt that stands on them."""
    ended = {one["doubt"] for one in book.of("doubt_end")}
    rows = [
        {
            **picked(run, "number run serial build"),
            **picked(one, "doubt reason raised_at"),
        }
        for one in of_product(book, "doubt", product)
        for run in of_product(book, "run", product)
        if one["doubt"] not in ended
        and run["kind"] is RunKind.UNIT
        and run["session"] == one["session"]
        and one["from_number"] <= run["number"] <= one["to_number"]
    ]
    return sorted(rows, key=by("number", "raised_at", "doubt"))


def runs_that_keep(book: Book, product: str) -> Rows:
    """Return those of them that are the latest of some range of their unit."""
    latest: dict[tuple[str, str], int] = {}
    for one in of_product(book, "range_result", product):
        if one["kind"] is RunKind.UNIT:
            key = one["serial"], one["range"]
            latest[key] = max(one["number"], latest.get(key, 0))
    counting = {(serial, number) for (serial, _), number in latest.items()}
    return [
        one
        for one in runs_in_doubt(book, product)
        if (one["serial"], one["number"]) in counting
    ]


def last_serial(book: Book, build: str) -> Rows:
    """Return the unit of a build that was measured last."""
    mine = [
        one
        for one in sorted(book.of("run"), key=by("number"))
        if one["build"] == build and one["kind"] is RunKind.UNIT
    ]
    return [{"serial": one["serial"]} for one in mine[-1:]]


def not_closed(book: Book, product: str, bench: str) -> Rows:
    """Return the bench's last session with how many units no check of it follows."""
    here = {one["session"] for one in book.of("session") if one["bench"] == bench}
    mine = [
        one
        for one in of_product(book, "run", product)
        if one["origin"] == "bench" and one["session"] in here
    ]
    if not mine:
        return []
    last = max(mine, key=by("number"))["session"]
    of_it = [one for one in mine if one["session"] == last]
    checks = [one["number"] for one in of_it if one["kind"] is RunKind.CHECK]
    since = {
        one["serial"]
        for one in of_it
        if one["kind"] is RunKind.UNIT and one["number"] > max(checks, default=0)
    }
    return [{"session": last, "units": len(since)}] if since else []


def sessions(book: Book, product: str) -> Rows:
    """Return sessions in which the product was measured."""
    rows = []
    for one in sorted(book.of("session"), key=by("opened_at", "session")):
        kinds = [
            o["kind"]
            for o in of_product(book, "run", product)
            if o["session"] == one["session"]
        ]
        if kinds:
            rows.append(
                {
                    **picked(one, "session bench opened_at"),
                    "runs": kinds.count(RunKind.UNIT),
                    "checks": kinds.count(RunKind.CHECK),
                }
            )
    return rows


def shipments(book: Book, product: str) -> Rows:
    """Return each time a unit left, and its return from there."""
    rows = []
    for one in sorted(
        of_product(book, "shipment", product), key=by("shipped_at", "shipment")
    ):
        back = first(
            o
            for o in sorted(book.of("unit_return"), key=by("returned_at"))
            if o["serial"] == one["serial"] and o["returned_at"] >= one["shipped_at"]
        )
        row = joined(
            {**one, "build": build_of(book, one["serial"])},
            back,
            "returned_at return_reason=reason",
        )
        rows.append(row)
    return rows


def away(book: Book, product: str, serials: str | None = None) -> Rows:
    """Return units that did not come back."""
    gone = {o["serial"] for o in shipments(book, product) if o["returned_at"] is None}
    asked = gone if serials is None else gone & set(json.loads(serials))
    return [{"serial": one} for one in sorted(asked)]


def good_before(
    book: Book, product: str, build: str, before: int, **narrow: str | None
) -> Rows:
    """Return units of other builds in the house that were good before a run."""
    gone = {one["serial"] for one in away(book, product)}
    mine: dict[str, Rows] = {}
    for one in latest_of(book, product).values():
        if (
            one["build"] != build
            and one["number"] < before
            and narrow["range"] in {None, one["range"]}
            and one["serial"] not in gone
        ):
            mine.setdefault(one["serial"], []).append(one)
    good = [
        (max(one["number"] for one in rows), serial)
        for serial, rows in mine.items()
        if all(verdict(book, one) in GOOD for one in rows)
    ]
    return [{"serial": serial} for _, serial in sorted(good, reverse=True)]


def first_runs(book: Book, product: str, serials: str) -> Rows:
    """Return the first run of each unit of a list, and what its last one says."""
    found: dict[str, Row] = {}
    for one in sorted(of_product(book, "run", product), key=by("number")):
        if one["kind"] is RunKind.UNIT and one["serial"] in json.loads(serials):
            mine = found.setdefault(one["serial"], picked(one, "serial run"))
            mine |= picked(one, "build last_run=run origin")
    return sorted(found.values(), key=by("serial"))


def last_good_check(book: Book, product: str, before: int | None) -> Rows:
    """Return the latest check that was good on every range."""
    found: dict[int, list[Verdict]] = {}
    for one in of_product(book, "range_result", product):
        if one["kind"] is RunKind.CHECK and (before is None or one["number"] < before):
            found.setdefault(one["number"], []).append(one["verdict"])
    good = [n for n, said in found.items() if set(said) == {Verdict.CONFORMING}]
    return [{"number": max(good, default=0)}]


def good_checks(
    book: Book, product: str, serial: str, configuration: str, most: int
) -> Rows:
    """Return the latest good results of a check standard, range by range."""
    rows = [
        one
        for one in sorted(
            of_product(book, "range_result", product), key=by("number", "place")
        )
        if one["kind"] is RunKind.CHECK
        and one["serial"] == serial
        and one["verdict"] is Verdict.CONFORMING
        and run_of(book, one)["configuration"] == configuration
    ]
    return [
        picked(one, "number range error_ppm")
        for place, one in enumerate(rows)
        if sum(o["range"] == one["range"] for o in rows[place + 1 :]) < most
    ]


def last_by_bench(book: Book, product: str) -> Rows:
    """Return the last unit's run that the bench measured."""
    runs = [
        one
        for one in map(partial(run_of, book), measured_units(book, product))
        if one["origin"] == "bench"
    ]
    last = sorted(runs, key=by("number"))[-1:]
    return [picked(one, "run serial") for one in last]


def signals(book: Book, product: str) -> Rows:
    """Return findings as their latest revisions say, no warnings."""
    rows = []
    for name, one in latest_signals(book, product).items():
        if one["cause"] is Cause.CHART:
            continue
        made = [o["made_at"] for o in book.of("signal") if o["signal"] == name]
        rows.append({**one, "first_made_at": min(made)})
    return sorted(rows, key=by("first_made_at", "signal"))


def latest_instruments(book: Book, bench: str) -> Rows:
    """Return the last instrument met in each role of a bench."""
    opened = {
        one["session"]: (one["opened_at"], one["session"])
        for one in book.of("session")
        if one["bench"] == bench
    }
    found: dict[str, Row] = {}
    for one in sorted(
        (o for o in book.of("bench_instrument") if o["session"] in opened),
        key=lambda o: opened[o["session"]],
    ):
        found[one["role"]] = one
    return [found[role] for role in sorted(found)]


def delivery_of(book: Book, alert: Row) -> Row | None:
    """Return how far a message is; what arrived stays arrived."""
    last: Row | None = None
    for one in book.of("delivery"):
        mine = (one["alert"], one["target"]) == (alert["alert"], alert["target"])
        if mine and (last is None or last["delivered_at"] is None):
            last = one
    return last


def alerts(book: Book, product: str) -> Rows:
    """Return messages with delivery and who took note."""
    noted = {one["alert"]: one for one in book.of("acknowledgement")}
    rows = []
    for one in sorted(
        of_product(book, "alert", product), key=by("made_at", "alert", "target")
    ):
        sent = delivery_of(book, one)
        row = joined(
            one,
            sent,
            "tries tried_at next_at last_error delivered_at dead_at",
        )
        row["tries"] = row["tries"] or 0
        rows.append(joined(row, noted.get(one["alert"]), "person acknowledged_at"))
    return rows


def alerts_due(book: Book, target: str, at: datetime) -> Rows:
    """Return messages that are to be sent to a target by a time."""
    rows = []
    for one in sorted(book.of("alert"), key=by("made_at", "alert")):
        sent = delivery_of(book, one)
        if one["target"] != target or (
            sent is not None and (sent["next_at"] is None or sent["next_at"] > at)
        ):
            continue
        rows.append({**one, "tries": 0 if sent is None else sent["tries"]})
    return rows


def changes(book: Book, product: str, but_by: str) -> Rows:
    """Return how many rows people recorded."""
    by_hand = [o for o in of_product(book, "hold", product) if o["placed_by"] != but_by]
    return [
        {
            "fittings": len(of_product(book, "fitting", product)),
            "holds": len(by_hand),
            "hold_ends": len(book.of("hold_end")),
            "reworks": len(of_product(book, "rework", product)),
            "amendments": 0,
        }
    ]


def carried_by(book: Book, product: str, unit: Row) -> set[str]:
    """Return the reels that a unit's parts are of."""
    fitted = of_product(book, "fitting", product)
    replaced = [
        Rework(**one)
        for one in of_product(book, "rework", product)
        if one["kind"] is ReworkKind.REPLACE and one["serial"] == unit["serial"]
    ]
    of_build = [Fitting(**one) for one in fitted if one["build"] == unit["build"]]
    return set(reels_of(unit["serial"], of_build, replaced).values())


def stands_on(hold: Row, unit: Row, reels: set[str]) -> bool:
    """Whether a hold stands on a unit that carries these reels."""
    subject = hold["subject"]
    return bool(
        {
            Scope.UNIT: subject == unit["serial"],
            Scope.BUILD: subject == unit["build"],
            Scope.REEL: subject in reels,
            Scope.SERIALS: within(unit["serial"], subject, str(hold["to_serial"])),
        }[hold["scope"]]
    )


def to_measure_again(book: Book, product: str, serial: str | None) -> Rows:
    """Return units that were measured, worked on or sent to rework, and not since.

    Where other ranges were, those that were not.
    """
    kinds = {ReworkKind.REPLACE, ReworkKind.TRIM}
    works = [o for o in of_product(book, "rework", product) if o["kind"] in kinds]
    placed = {one["hold"]: one for one in of_product(book, "hold", product)}
    gone = {one["serial"] for one in away(book, product)}
    latest = latest_of(book, product)
    rows: Rows = []
    asked = [o for o in units(book, product) if serial in {None, o["serial"]}]
    for unit in sorted(asked, key=by("serial")):
        serial = unit["serial"]
        done = [one for one in works if one["serial"] == serial]
        reels = carried_by(book, product, unit)
        mine = [one["reworked_at"] for one in done]
        since = list(mine)
        for end in book.of("hold_end"):
            hold = placed.get(end["hold"])
            if hold is None or end["disposal"] is not Disposal.REWORK:
                continue
            if stands_on(hold, unit, reels):
                confirmed = [
                    one for one in mine if hold["placed_at"] <= one <= end["ended_at"]
                ]
                since.append(max(confirmed, default=end["ended_at"]))
        begun = [
            one["started_at"]
            for one in of_product(book, "run", product)
            if one["serial"] == serial and one["kind"] is RunKind.UNIT
        ]
        if serial in gone:
            continue
        if since and begun and max(begun) <= max(since):
            rows.append({"serial": serial, "range": None})
            continue
        rows += [
            {"serial": serial, "range": key}
            for (whose, key), result in sorted(latest.items())
            if whose == serial
            and any(
                result["started_at"] < one["reworked_at"]
                and one["range"] in {None, key}
                for one in done
            )
        ]
    return rows


def plain(
    table: str, order: str, names: str | None = None, **same: str
) -> Callable[..., Rows]:
    """Return the meaning of a query that picks rows of one table.

    `same` says which column must equal which parameter.
    """

    def rows(book: Book, **given: Any) -> Rows:
        mine = [
            one
            for one in book.of(table)
            if all(one[column] == given[name] for column, name in same.items())
        ]
        found = sorted(mine, key=by(*order.split()))
        return found if names is None else [picked(one, names) for one in found]

    return rows


MEANINGS: dict[str, Callable[..., Rows]] = {
    "alerts": alerts,
    "alerts_due": alerts_due,
    "build_configurations": lambda book, serial: [
        {"configuration": one}
        for one in sorted(
            {
                o["configuration"]
                for o in book.of("run")
                if o["build"] == build_of(book, serial) and o["kind"] is RunKind.UNIT
            }
        )
    ],
    "away": away,
    "builds": narrowed(builds, "build"),
    "changes": changes,
    "check_results": narrowed(
        lambda book, product, after: [
        picked(
            one,
            "number run serial build started_at check=name value unit low high verdict",
        )
        for one in sorted(of_product(book, "check_result", product), key=by("number"))
        if one["number"] > after
    ],
        "serial",
    ),
    "decided": lambda book: sorted(
        book.decided, key=by("decided_at", "kind", "subject")
    ),
    "decided_rows": lambda book: sorted(
        (
            {"kind": table, "key": row[record.kept.key[0]]}
            for table, record in RECORDS.items()
            if record.kept.decided is not None
            for row in book.of(table)
        ),
        key=by("kind", "key"),
    ),
    "doubts": lambda book, product: [
        joined(
            one,
            first(o for o in book.of("doubt_end") if o["doubt"] == one["doubt"]),
            "ended_by ended_reason=reason ended_at",
        )
        for one in sorted(
            of_product(book, "doubt", product),
            key=by("raised_at", "from_number", "doubt"),
        )
    ],
    "first_run": lambda book, serial: [
        picked(one, "run") for one in book.of("run") if one["serial"] == serial
    ][:1],
    "hold_ends": hold_ends,
    "holds": narrowed(holds, "subject"),
    "jobs": plain("job", "job"),
    "first_runs": first_runs,
    "good_before": good_before,
    "good_checks": good_checks,
    "last_by_bench": last_by_bench,
    "last_good_check": last_good_check,
    "latest_errors": narrowed(latest_errors, "build", "serial"),
    "latest_instruments": latest_instruments,
    "proofs": proofs,
    "range_rows": range_rows,
    "readings": plain(
        "range_result", "place", "range level reference_readings output_readings at_s",
        run="run",
    ),
    "reel_checks": reel_checks,
    "measured_units": lambda book, product: [
        {
            "units": len(
                {
                    one["serial"]
                    for one in of_product(book, "run", product)
                    if one["kind"] is RunKind.UNIT
                }
            )
        }
    ],
    "rejudgements": rejudgements,
    "reworks": lambda book, product: [
        {**one, "build": build_of(book, one["serial"])}
        for one in sorted(
            of_product(book, "rework", product), key=by("reworked_at", "rework")
        )
    ],
    "to_measure_again": to_measure_again,
    "untold": untold,
    "runs_in_doubt": runs_in_doubt,
    "runs_that_keep": runs_that_keep,
    "last_serial": last_serial,
    "sessions": sessions,
    "not_closed": not_closed,
    "runs_known": lambda book, product, runs: [
        {"run": one}
        for one in sorted(
            o["run"]
            for o in of_product(book, "run", product)
            if o["kind"] is RunKind.UNIT and o["run"] in json.loads(runs)
        )
    ],
    "shipments": narrowed(shipments, "build", "serial"),
    "unit_configurations": lambda book, serial: [
        {"configuration": one}
        for one in sorted(
            {o["configuration"] for o in book.of("run") if o["serial"] == serial}
        )
    ],
    "unit_errors": lambda book, product: [
        picked(one, "build serial range error_ppm limit_ppm points")
        for one in sorted(measured_units(book, product), key=by("number", "place"))
    ],
    "signals": signals,
    "unit_runs": unit_runs,
    "fittings_since": lambda book, product, after: [
        one
        for one in sorted(
            of_product(book, "fitting", product), key=by("fitted_at", "fitting")
        )
        # All of them were recorded before the first run.
        if after == 0
    ],
    "latest_check": lambda book, product, until: [
        {
            "number": max(
                (
                    one["number"]
                    for one in of_product(book, "run", product)
                    if one["kind"] == "check" and one["number"] <= until
                ),
                default=0,
            )
        }
    ],
    "standards_used": lambda book, product: [
        {"configuration": one["configuration"]}
        for one in sorted(
            (
                one
                for one in of_product(book, "run", product)
                if one["kind"] == "check"
            ),
            key=lambda one: one["number"],
        )[-1:]
    ],
    "known_builds": lambda book, product: [
        {"builds": len(of_product(book, "build", product))}
    ],
    "known_units": lambda book, product: [
        {"units": len(units(book, product))}
    ],
    "latest_run": lambda book, product: [{"number": book.last_number(product)}],
    "line_bench_from": line_bench_from,
    "watched_rows": watched_rows,
    "watermark": lambda book, product: [
        {
            "number": min(
                one["number"] for one in book.of("run") if one["product"] == product
            ),
            "history": None,
            "worked_out_with": None,
            "ahead": None,
        }
    ],
    "newest_decisions": lambda book, newest: book.of("decision")[::-1][:newest],
    "range_story": range_story,
    "left_since": left_since,
    "units_like": units_like,
    "yields": narrowed(yields, "build"),
}  # fmt: skip

TABLES: dict[str, tuple[str, Sequence[str], Callable[..., Rows]]] = {
    "configuration": (
        "configuration",
        ["configuration"],
        plain("configuration", "stored_at", configuration="configuration"),
    ),
    "containment_steps": (
        "containment_step",
        ["product", "subject"],
        plain(
            "containment_step",
            "noted_at containment_step",
            product="product",
            subject="subject",
        ),
    ),
    "cross_checks": (
        "cross_check",
        ["product"],
        plain("cross_check", "measured_at cross_check", product="product"),
    ),
    "decisions": ("decision", [], lambda book: book.of("decision")),
    "fittings": (
        "fitting",
        ["product"],
        plain("fitting", "fitted_at fitting", product="product"),
    ),
    "fittings_of_builds": (
        "fitting",
        ["product", "build_in"],
        lambda book, product, build_in: [
            one
            for one in plain("fitting", "fitted_at fitting", product="product")(
                book, product=product
            )
            if one["build"] in json.loads(build_in)
        ],
    ),
    "instruments": (
        "bench_instrument",
        ["session"],
        plain("bench_instrument", "role", session="session"),
    ),
    "line_marks": (
        "line_mark",
        ["product"],
        plain("line_mark", "number", product="product"),
    ),
    "line_segments": (
        "line_segment",
        ["product"],
        plain("line_segment", "segment number", product="product"),
    ),
    "line_pieces": (
        "line_piece",
        ["product"],
        plain("line_piece", "segment number piece", product="product"),
    ),
    "past_shipments": (
        "past_shipment",
        ["product"],
        plain("past_shipment", "shipped_at past_shipment", product="product"),
    ),
    "products": ("product", [], plain("product", "product")),
    "receipts": ("reel_receipt", [], plain("reel_receipt", "reel")),
    "reel_uses": (
        "fitting",
        ["reel"],
        plain("fitting", "fitted_at fitting", reel="reel"),
    ),
    "reels": ("reel", [], plain("reel", "received_at reel")),
    "signal_history": (
        "signal",
        ["signal"],
        plain("signal", "number signal revision", signal="signal"),
    ),
    "units": (
        "unit",
        ["product"],
        lambda book, product: sorted(
            ({**one, "product": product} for one in units(book, product)),
            key=lambda o: (o["build"], serial_order(o["serial"])),
        ),
    ),
    "warnings": (
        "signal",
        ["product", "cause"],
        lambda book, product, cause: sorted(
            (o for o in of_product(book, "signal", product) if o["cause"] == cause),
            key=by("number", "signal", "revision"),
        ),
    ),
}
"""What records are asked for by their own tables: table, by which fields, meaning."""
