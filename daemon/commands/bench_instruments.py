"""Meet the bench's instruments: what answers, and what each role reads."""

import re
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import click

from config import (
    TYPED,
    Back,
    Bench,
    ConfigError,
    Dialogue,
    Instrument,
    Settings,
    Unit,
    load,
    load_profile,
    private_folder,
    profile_names,
    spell,
    write_whole,
)
from daemon.bench import Found, ScaledClock, Tried, find, try_out
from daemon.commands.opened import home_here
from daemon.commands.showing import (
    Shown,
    interactive,
    listed,
    misuse,
    refuse,
    say,
    shown,
)
from daemon.judging import TITLES, due_remark
from daemon.service import Client, Home
from storage import UnreachableError


class BenchInUseError(Exception):
    """A running daemon speaks to the instruments."""


class NoBenchError(Exception):
    """There is no bench to speak to."""


@click.command("find")
@shown
def bench_find() -> Shown:
    """List instruments that answer.

    It looks on the buses, the network and at bench.toml's addresses, and asks every
    instrument who it is, which takes some seconds. Instruments on plain sockets do not
    show themselves: write their addresses in bench.toml. A serial port that bench.toml
    does not name is listed and not spoken to.
    """
    # Loaded late: it looks for the libraries of every bus.
    from daemon.bench import connect, resources  # noqa: PLC0415

    home = home_here()
    _require_free(home)
    settings = _settings_if_any(home)
    say("Looking at buses and network; this takes some seconds.")
    found = find(
        None if settings is None else settings.bench,
        {} if settings is None else settings.profiles,
        resources(),
        connect=connect,
    )
    rows = [_found_row(one) for one in found]
    return listed(
        rows,
        {"address": "address", "role": "role", "says, or why not": "says"},
        nothing="Nothing answers. An instrument on a plain socket is found by its "
        "address in bench.toml; one on USB or GPIB needs a VISA library on this "
        "machine.",
    )


@click.command("try")
@shown
def bench_try() -> Shown:
    """Read every instrument once.

    It shows value, noise, identity and error queue of every role. The source is turned
    off first and stays off, so the meters should read about zero. Each meter is read
    on its largest range.
    """
    from daemon.bench import connect  # noqa: PLC0415 -- as above

    home = home_here()
    _require_free(home)
    settings = load(home.folder)
    bench = settings.bench
    if bench is None:
        message = "bench.toml is missing: there is no instrument to try"
        raise NoBenchError(message)
    say("The source is turned off first and stays off: the meters read about zero.")
    tried = list(
        try_out(
            bench,
            settings.profiles,
            connect=connect,
            clock=ScaledClock(bench.time_scale),
            selectors={
                key: one.selector
                for key, one in settings.product.ranges.items()
                if one.selector is not None
            },
        )
    )
    return Shown(
        [_tried_row(one, bench) for one in tried],
        *(line for one in tried for line in _said(one, bench)),
        failed=any(one.fault for one in tried),
    )


@click.command("talk")
@click.argument("role")
@click.argument("line")
@shown
def bench_talk(role: str, line: str) -> Shown:
    """Send one line by hand.

    ROLE is that of bench.toml: reference, output, selector and so on. A source is told
    nothing by hand; it may be asked what its profile asks.
    """
    from daemon.bench import connect, talk  # noqa: PLC0415 -- as above

    home = home_here()
    _require_free(home)
    settings = load(home.folder)
    bench = settings.bench
    if bench is None:
        message = "bench.toml is missing: there is no instrument to talk to"
        raise NoBenchError(message)
    one = bench.instruments.get(role)
    if one is None or one.profile == TYPED:
        refuse(
            "no instrument that can be told anything; roles: "
            + ", ".join(bench.instruments),
            "ROLE",
        )
    answer = talk(role, one, settings.profiles[one.profile], line, connect=connect)
    said = answer or f"Nothing was answered within {one.timeout_s:g} s."
    return Shown({"role": role, "sent": line, "answer": answer}, said)


@click.command("describe")
@click.argument("name")
@click.option("--address", required=True, help="VISA address of the instrument.")
def bench_describe(name: str, address: str) -> None:
    """Write a profile by trying.

    It asks how the instrument speaks, sends each line, shows the answer, and writes
    profiles/NAME.toml. A source is turned off first and told nothing that turns it on.
    """
    from daemon.bench import (  # noqa: PLC0415 -- as above
        connect,
        describe,
        overhear,
        registers,
    )

    if not interactive():
        misuse("describe asks questions and needs a terminal")
    home = home_here()
    file = home.folder / "profiles" / f"{name}.toml"
    if not re.fullmatch(r"[A-Za-z][A-Za-z0-9_]*", name) or file.exists():
        refuse(
            "must be a letter, then letters, digits or _, and of no profile that is "
            "there already",
            "NAME",
        )
    _require_free(home)
    text: str | None = None
    given: tuple[tuple[str, str], ...] = ()
    while text is None:
        dialogue = Dialogue(
            lambda question: click.prompt(
                question, default="", show_default=False, prompt_suffix=" ", err=True
            ),
            say,
            given=given,
        )
        try:
            text = describe(
                dialogue,
                name=name,
                instrument=Instrument(address=address, profile=name),
                connect=connect,
                overhear=overhear,
                registers=registers,
                known={
                    one: load_profile(one, home.folder)
                    for one in profile_names(home.folder)
                },
            )
        except Back:
            given = tuple(dialogue.answers[:-1])
    private_folder(file.parent)
    write_whole(file, text)
    say(f'Written: {file}. Say profile = "{name}" at the role in bench.toml.')


def _require_free(home: Home) -> None:
    """Refuse while a daemon measures: two who speak to one instrument mix answers."""
    try:
        with Client.of(home.data) as client:
            in_use = client.state()["bench"] is not None
    except UnreachableError:
        return
    if in_use:
        message = (
            "a running daemon speaks to these instruments; stop it first (Ctrl-C where "
            "it was started), then try again"
        )
        raise BenchInUseError(message)


def _settings_if_any(home: Home) -> Settings | None:
    """Return the settings, or say why none can be used and go on without."""
    try:
        return load(home.folder)
    except ConfigError as exc:
        say(f"Without bench.toml: {exc}")
        return None


def _found_row(one: Found) -> dict[str, Any]:
    return {
        "address": one.address,
        "role": one.role,
        "says": one.identity or one.fault,
        "answers": bool(one.identity),
    }


def _tried_row(one: Tried, bench: Bench) -> dict[str, Any]:
    return {
        "role": one.role,
        "address": one.address,
        "identity": one.identity,
        "unit": one.unit,
        "full_scale": one.full_scale,
        "value": one.value,
        "noise": one.noise,
        "state": one.state,
        "error_queue": None if one.complaints is None else list(one.complaints),
        "remark": _remark(one, bench),
        "fault": one.fault,
    }


def _said(one: Tried, bench: Bench) -> Iterator[str]:
    """Say of one role what it read, who it is and what it complains of."""
    title = TITLES[one.role].capitalize()
    if one.fault:
        yield f"{title}: not read. {one.fault}."
        return
    said = [one.state] if one.state else []
    if one.value is not None:
        on = (
            ""
            if one.full_scale is None
            else f" on range {_spelled(one.full_scale, one.unit)}"
        )
        said.append(f"reads {_spelled(one.value, one.unit)}{on}")
    if one.noise is not None:
        said.append(f"noise {_spelled(one.noise, one.unit)} (one reading, k = 1)")
    yield f"{title}: {', '.join(said)}"
    yield f"  {one.identity or 'cannot say who it is'}, at {one.address}"
    if one.complaints is not None:
        yield f"  error queue: {'; '.join(one.complaints) or 'empty'}"
    if remark := _remark(one, bench):
        yield f"  {remark}"


def _remark(one: Tried, bench: Bench) -> str | None:
    due = bench.instruments[one.role].calibration_due
    return due_remark(due, datetime.now(UTC).date())


def _spelled(value: float, unit: str) -> str:
    return spell(float(f"{value:.4g}"), Unit(unit))
