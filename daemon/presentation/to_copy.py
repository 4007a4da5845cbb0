"""Commands that a person copies: whole, with a word in capitals to be filled in."""

import re
import shlex
from collections.abc import Iterable

HOW, NAME, WHY = "HOW", "NAME", "WHY"
BY_PERSON = f'--person {NAME} --reason "{WHY}"'
"""What every decision is asked for."""
MEANING = {
    HOW: "how it ends: release, concession, rework or scrap (`holdpoint hold list` "
    "says what each does)",
    NAME: "who decides",
    WHY: "the reason",
}


def command(*words: str) -> str:
    """Return a command that nobody needs to decide, each word as a shell takes it.

    >>> command("reel", "add", "K-1", "--nominal", "5 kohm")
    "holdpoint reel add K-1 --nominal '5 kohm'"
    """
    return shlex.join(["holdpoint", *words])


def decided(*words: str) -> str:
    r"""Return a command that a named person gives with a reason.

    >>> decided("shipment", "undo", "PA 1")
    'holdpoint shipment undo \'PA 1\' --person NAME --reason "WHY"'
    """
    return f"{command(*words)} {BY_PERSON}"


def hold_end(name: str) -> str:
    """Return the command that ends a hold, by its id or by what is held.

    >>> hold_end("K-1")
    'holdpoint hold end K-1 --by HOW --person NAME --reason "WHY"'
    """
    return decided("hold", "end", name, "--by", HOW)


def fill_in(commands: Iterable[str]) -> str | None:
    """Say what the words in capitals of some commands stand for; None without any.

    >>> fill_in([decided("doubt", "end", "d1")])
    'In these commands put for NAME: who decides; for WHY: the reason.'
    """
    asked = {word for one in commands for word in re.findall(r'(?<=[ "])[A-Z]+\b', one)}
    said = [f"for {word}: {means}" for word, means in MEANING.items() if word in asked]
    return f"In these commands put {'; '.join(said)}." if said else None
