"""Orders to the running daemon: given, and followed until they end."""

import time
from collections.abc import Callable, Sequence
from typing import Any

import click

from daemon.commands.opened import home_here
from daemon.commands.showing import interactive, say, typed_ahead
from daemon.service import Client, RefusedOrderError

POLL_S = 0.5
QUIET_S = 2.0
ANSWER = "holdpoint bench answer"
"""What answers where nobody is asked in a terminal."""


READ_IT = (
    "Type what the meter shows, with any prefix, such as 90.02u or 0.9004 V. There is "
    "no going back here: a slip is corrected when the unit is measured again, with "
    "--rerun. Both are kept."
)
COMPILES = (
    "The program is being prepared for this PC. That is done once after it was "
    "installed, and takes a minute or more."
)
NOT_KEPT = (
    "Somebody answered this question elsewhere meanwhile. The readings that you typed "
    "now are not kept."
)
DONE_FIRST = "Do what it says, then press Enter. There is no going back here."


class NotMeasuredError(Exception):
    """A unit was not measured; the daemon says why."""


def ordered(work: str, **what: Any) -> str:
    """Have the daemon do what is of the bench, not of a unit; return what it says.

    Raises
    ------
    NotMeasuredError
        It was not carried out, and why.
    """
    with Client.of(home_here().data) as client:
        return str(follow(client, client.work(work, **what))["message"])


def follow(
    client: Client,
    ticket: str,
    *,
    while_waiting: str | None = None,
    read_again: Callable[[Sequence[str]], dict[str, Any]] | None = None,
    ahead: list[str] | None = None,
) -> dict[str, Any]:
    """Wait for an order to end, passing on what the daemon asks for meanwhile.

    Parameters
    ----------
    while_waiting
        Said once, where it does not end at once.
    read_again
        Asks for all readings of these ranges of the unit, which was seated again, and
        returns them as `Client.answer` takes them. None where nobody types readings.
    ahead
        Takes labels that are scanned meanwhile; None: they are dropped.

    Raises
    ------
    NotMeasuredError
        It was not carried out, and why.
    """
    asked = None
    until_said_s = time.monotonic() + QUIET_S
    told = False
    while True:
        seen = client.ticket(ticket, wait_s=POLL_S)
        if seen["state"] == "done":
            return seen
        if seen["state"] == "failed":
            raise NotMeasuredError(seen["message"])
        state = client.state()
        prompt = state["prompt"]
        if state["compiles"] and not told:
            say(COMPILES)
            told = True
        if prompt is None and while_waiting and time.monotonic() > until_said_s:
            say(while_waiting)
            while_waiting = None
        if prompt is not None and prompt["prompt"] != asked:
            asked = prompt["prompt"]
            if _is_anothers(client, seen):
                # Enter here would confirm what stands before somebody else.
                say(f"Another order comes first, and asks: {prompt['text']}")
                say(
                    "It is answered where it was given, on the page Bench, or with "
                    f"`{ANSWER}`."
                )
            else:
                _pass_on(client, prompt, read_again, ahead)


def _is_anothers(client: Client, ticket: dict[str, Any]) -> bool:
    """Whether what is asked now is asked for the order before this one."""
    if ticket["state"] != "waiting" or ticket["behind"] is None:
        return False
    try:
        before = client.ticket(ticket["behind"])
    except RefusedOrderError:  # it is forgotten: long since ended
        return False
    return before["state"] not in {"done", "failed"}


def asking(text: str, wants: str | None) -> str:
    """Return a question with what it wants, once.

    >>> asking("1 mA. The output reads (V)", "V"), asking("Connect it", None)
    ('1 mA. The output reads (V):', 'Connect it [Enter]')
    """
    if wants and text.endswith(f"({wants})"):
        return f"{text}:"
    return f"{text} [{wants or 'Enter'}]"


def _pass_on(
    client: Client,
    prompt: dict[str, Any],
    read_again: Callable[[Sequence[str]], dict[str, Any]] | None,
    ahead: list[str] | None = None,
) -> None:
    """Ask the person what the daemon wants, and answer for them."""
    wants = prompt["wants"]
    if not interactive():
        how = f"{ANSWER} VALUE, in {wants}" if wants else ANSWER
        say(f"{prompt['text']} ({how})")
        return
    text = asking(prompt["text"], wants)
    if prompt["by_scan"]:
        have_connected(text, prompt["subject"], ahead)
        client.answer(prompt["prompt"])
        return
    while True:
        # What was typed before a reading was asked for is no label.
        set_aside(None if wants else ahead)
        said = click.prompt(
            text,
            default=None if wants else "",
            show_default=False,
            prompt_suffix=" " if wants else "",
            err=True,
        ).strip()
        # A question is no answer, and what is asked here goes one way only.
        if said in {"?", "back"}:
            say(READ_IT if wants else DONE_FIRST)
        elif not wants and said not in {"", prompt["subject"]}:
            # The label of the next unit would have its readings kept as this one's.
            say(_not_enter(said, prompt))
        else:
            break
    if read_again is None or not prompt["ranges"]:
        client.answer(prompt["prompt"], said if wants else "done")
    elif not client.answer(prompt["prompt"], read_again=read_again(prompt["ranges"])):
        say(NOT_KEPT)


def _not_enter(said: str, prompt: dict[str, Any]) -> str:
    """Say what comes first, to who typed or scanned something where Enter is due."""
    if not prompt["ranges"]:
        return f"You gave {said}. {DONE_FIRST}"
    return (
        f"You gave {said}. Unit {prompt['subject']} is to be read once more first: "
        "seat it again, then press Enter."
    )


def set_aside(ahead: list[str] | None) -> None:
    """Take what was typed before anything was asked, each line once; None drops it."""
    lines = typed_ahead()
    if ahead is not None:
        ahead += [one for one in dict.fromkeys(lines) if one not in ahead]


def have_connected(text: str, serial: str, ahead: list[str] | None = None) -> None:
    """Wait for Enter, or for the label of what is to be connected, and for no other."""
    while True:
        set_aside(ahead)
        said = click.prompt(
            text, default="", show_default=False, prompt_suffix="", err=True
        ).strip()
        if said in {"", serial}:
            return
        say(asking(f"{said} is not {serial}. Connect {serial}, then confirm.", None))
