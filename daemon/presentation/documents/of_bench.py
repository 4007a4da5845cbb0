"""What papers say of the bench: its instruments and what the check standard showed."""

from collections.abc import Iterator, Sequence

from daemon.presentation.documents.blocks import Block, Column, Grid, Prose
from daemon.presentation.documents.content import InstrumentLine, StandardLine
from daemon.presentation.figures import counted, moment

NO_INSTRUMENTS = "No instruments are recorded for this session."
NOT_STATED = "not stated"
OFTEN = {1: "once", 2: "twice"}


def instruments(lines: Sequence[InstrumentLine]) -> Block:
    """Return what stood in each role, with the days of its calibration."""
    if not lines:
        return Prose(text=NO_INSTRUMENTS)
    return Grid(
        columns=(
            Column(heading="Role", share=1.1),
            Column(heading="Instrument", share=2.0),
            Column(heading="Serial number", share=1.0),
            Column(heading="Calibrated", share=0.9),
            Column(heading="Due", share=0.9),
            Column(heading="Remark", share=1.4),
        ),
        rows=tuple(
            (
                one.role,
                one.identity,
                one.serial_number or NOT_STATED,
                one.calibrated_at or NOT_STATED,
                one.due_at or NOT_STATED,
                one.remark or "",
            )
            for one in lines
        ),
    )


def standards_said(lines: Sequence[StandardLine]) -> Iterator[str]:
    """Say how often each check standard was measured, what it showed, and its values.

    A standard that was assigned other values meanwhile is said once for each.
    """
    for serial, known, certificate in dict.fromkeys(
        (one.serial, one.known, one.certificate) for one in lines
    ):
        mine = [
            one
            for one in lines
            if (one.serial, one.known, one.certificate) == (serial, known, certificate)
        ]
        wrong = [one for one in mine if one.wrong]
        often = OFTEN.get(len(mine), f"{len(mine)} times")
        where = (
            "on the same bench"
            if mine[-1].beside is None
            else f"beside {mine[-1].beside}"
        )
        said = (
            f"A check standard of known error, {serial}, was measured {where} {often}, "
            f"last on {moment(mine[-1].at)} (run {mine[-1].run})"
        )
        if wrong:
            said += (
                f". {counted(len(wrong), 'time')} it read wrong, last in run "
                f"{wrong[-1].run} on {', '.join(wrong[-1].wrong)}."
            )
        else:
            said += ": it read right on every range."
        if known:
            said += f" Its known errors then (k = 2): {'; '.join(known)}."
        if certificate:
            said += f" Certificate {certificate}."
        yield said
