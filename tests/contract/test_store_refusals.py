"""What every Store refuses, and that a refusal changes nothing.

One store serves all these tests: each proves that it left everything as it was.
"""

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from math import inf, nan
from typing import Any

import pytest

from storage.errors import ConflictError, NotFoundError, RefusedValueError
from storage.records import Evaluation, RunKind, Scope
from storage.store import Store
from tests.storage.samples import (
    BUILD,
    CONFIGURATION,
    END,
    ENDED,
    EVALUATION,
    FITTING,
    PERSONS_HOLD,
    PLACED,
    PRODUCT,
    REEL,
    SESSION,
    SIGNAL,
    START,
    everything,
    record,
    record_all,
    results,
    run,
    unit,
)


@pytest.fixture(scope="module")
def kept(behind: Store) -> dict[str, Any]:
    """Return all that the shared store keeps."""
    record_all(behind)
    return everything(behind)


CONFLICTS: dict[str, Callable[[Store], object]] = {
    "build": lambda s: s.keep(replace(BUILD, planned_units=31)),
    "reel": lambda s: s.keep(replace(REEL, nominal_ohm=10_001.0)),
    "fitting": lambda s: s.keep(replace(FITTING, part="R12")),
    "session": lambda s: s.keep(replace(SESSION, bench="bench 2")),
    "configuration": lambda s: s.keep(replace(CONFIGURATION, body="[]")),
    "run": lambda s: s.record_run(
        replace(run(1), note="again"), results(run(1)), unit(run(1))
    ),
    "range result": lambda s: s.record_run(
        run(1), results(run(1), error_ppm=101.0), unit(run(1))
    ),
    "signal": lambda s: s.record_evaluation(
        Evaluation(
            product="photoamp", number=1, signals=(replace(SIGNAL, size_ppm=1.0),)
        )
    ),
    "hold": lambda s: s.keep(
        replace(PERSONS_HOLD, subject="B2"), decision=replace(PLACED, reason="another")
    ),
    "hold_end": lambda s: s.keep(
        replace(END, reason="another"), decision=replace(ENDED, reason="another")
    ),
}


@pytest.mark.parametrize("kind", CONFLICTS)
def test_the_same_id_with_other_content_is_a_conflict(
    shared: Store, behind: Store, kept: dict[str, Any], kind: str
) -> None:
    with pytest.raises(ConflictError) as caught:
        CONFLICTS[kind](shared)
    assert caught.value.kind == kind
    assert caught.value.key
    assert everything(behind) == kept


NOT_FOUND: dict[str, tuple[tuple[str, str], Callable[[Store], object]]] = {
    "build of a product": (
        ("product", "nothing"),
        lambda s: s.keep(replace(BUILD, build="B9", product="nothing")),
    ),
    "fitting to a build": (
        ("build", "B9"),
        lambda s: s.keep(replace(FITTING, fitting="F9", build="B9")),
    ),
    "fitting of a reel": (
        ("reel", "reel 9"),
        lambda s: s.keep(replace(FITTING, fitting="F9", reel="reel 9")),
    ),
    "session under settings": (
        ("configuration", "none"),
        lambda s: s.keep(replace(SESSION, session="s9", configuration="none")),
    ),
    "run of a product": (
        ("product", "nothing"),
        lambda s: record(s, replace(run(5), product="nothing")),
    ),
    "run of a build": (("build", "B9"), lambda s: record(s, run(5, build="B9"))),
    "run in a session": (
        ("session", "s9"),
        lambda s: record(s, replace(run(5), session="s9")),
    ),
    "run under settings": (
        ("configuration", "none"),
        lambda s: record(s, replace(run(5), configuration="none")),
    ),
    "run again": (
        ("run", "run 9"),
        lambda s: record(s, run(5, serial="S001", rerun_of="run 9")),
    ),
    "run of an unknown unit": (
        ("unit", "S005"),
        lambda s: s.record_run(run(5), results(run(5))),
    ),
    "evaluation of a product": (
        ("product", "nothing"),
        lambda s: s.record_evaluation(Evaluation(product="nothing", number=1)),
    ),
    "evaluation up to a run": (
        ("run", "3"),
        lambda s: s.record_evaluation(Evaluation(product="photoamp", number=3)),
    ),
    "signal on a reel": (
        ("reel", "reel 9"),
        lambda s: s.record_evaluation(
            replace(EVALUATION, signals=(replace(SIGNAL, reel="reel 9"),), holds=())
        ),
    ),
    "signal since a unit": (
        ("serial", "S009"),
        lambda s: s.record_evaluation(
            replace(
                EVALUATION, signals=(replace(SIGNAL, first_serial="S009"),), holds=()
            )
        ),
    ),
    "hold on a build": (
        ("build", "B9"),
        lambda s: s.keep(
            replace(PERSONS_HOLD, hold="h", subject="B9"), decision=PLACED
        ),
    ),
    "hold on a unit": (
        ("unit", "S009"),
        lambda s: s.keep(
            replace(PERSONS_HOLD, hold="h", scope=Scope.UNIT, subject="S009"),
            decision=PLACED,
        ),
    ),
    "hold for a signal": (
        ("signal", "signal 9"),
        lambda s: s.keep(
            replace(PERSONS_HOLD, hold="h", signal="signal 9"), decision=PLACED
        ),
    ),
    "end of a hold": (
        ("hold", "hold 9"),
        lambda s: s.keep(replace(END, hold="hold 9"), decision=ENDED),
    ),
    "query": (("query", "secrets"), lambda s: s.table("secrets")),
}


@pytest.mark.parametrize("naming", NOT_FOUND)
def test_naming_what_is_not_recorded_is_refused(
    shared: Store, behind: Store, kept: dict[str, Any], naming: str
) -> None:
    (kind, key), send = NOT_FOUND[naming]
    with pytest.raises(NotFoundError) as caught:
        send(shared)
    assert (caught.value.kind, caught.value.key) == (kind, key)
    assert everything(behind) == kept


REFUSED: dict[str, Callable[[Store], object]] = {
    "NaN": lambda s: s.keep(replace(REEL, reel="r", nominal_ohm=nan)),
    "NaN for what may be missing": lambda s: record(s, replace(run(5), ambient_c=nan)),
    "infinity": lambda s: s.keep(replace(REEL, reel="r", tolerance_ppm=-inf)),
    "infinite reading": lambda s: s.record_run(
        run(5),
        [replace(results(run(5))[0], output_readings=(1.0, inf, 1.0))],
        unit(run(5)),
    ),
    "time without a zone": lambda s: s.note_job(
        "backup",
        datetime(2026, 1, 5),  # noqa: DTZ001 - the fault itself
    ),
    "NUL in text": lambda s: s.keep(replace(PRODUCT, product="a\x00b")),
    "half a character": lambda s: s.keep(replace(PRODUCT, product="\ud800")),
    "an integer beyond 64 bits": lambda s: s.keep(
        replace(BUILD, build="B9", planned_units=2**64)
    ),
    "a unit's run without a build": lambda s: s.record_run(
        run(5, build=None), results(run(5))
    ),
    "an end before the start": lambda s: record(
        s, replace(run(5), finished_at=START - timedelta(days=1))
    ),
    "another run's result": lambda s: s.record_run(
        run(5), results(run(3)), unit(run(5))
    ),
    "one range twice": lambda s: s.record_run(
        run(5), results(run(5), ("1 uA", "1 uA")), unit(run(5))
    ),
    "lists of different length": lambda s: s.record_run(
        run(5), [replace(results(run(5))[0], level=(1.0,))], unit(run(5))
    ),
    "another run's unit": lambda s: s.record_run(run(5), results(run(5)), unit(run(3))),
    "a unit with a check": lambda s: s.record_run(
        run(5, kind=RunKind.CHECK), results(run(5)), unit(run(5))
    ),
    "another product's signal": lambda s: s.record_evaluation(
        replace(EVALUATION, signals=(replace(SIGNAL, product="other"),))
    ),
    "a withdrawn finding without a reason": lambda s: s.record_evaluation(
        replace(EVALUATION, signals=(replace(SIGNAL, standing=False, withdrawn=" "),))
    ),
    "a standing finding with a reason why not": lambda s: s.record_evaluation(
        replace(EVALUATION, signals=(replace(SIGNAL, withdrawn="measured again"),))
    ),
    "evidence that is no JSON object": lambda s: s.record_evaluation(
        replace(EVALUATION, signals=(replace(SIGNAL, evidence="9.5"),))
    ),
    "evidence of another type": lambda s: s.record_evaluation(
        replace(EVALUATION, signals=(replace(SIGNAL, evidence='{"claim": 9.5}'),))
    ),
    "another person's hold": lambda s: s.keep(
        PERSONS_HOLD, decision=replace(PLACED, person="Bob")
    ),
    "another person's end": lambda s: s.keep(
        END, decision=replace(ENDED, person="Bob")
    ),
    "a parameter too few": lambda s: s.table("range_rows", product="photoamp"),
    "a parameter too many": lambda s: s.table("decided", product="photoamp"),
    "a parameter of another type": lambda s: s.table(
        "range_rows", product="photoamp", after="yesterday", kind=None
    ),
}


@pytest.mark.parametrize("fault", REFUSED)
def test_a_value_no_row_may_hold_is_refused_whole(
    shared: Store, behind: Store, kept: dict[str, Any], fault: str
) -> None:
    with pytest.raises(RefusedValueError):
        REFUSED[fault](shared)
    assert everything(behind) == kept
