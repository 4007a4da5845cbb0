"""`holdpoint init`: from questions in plain words to the files."""

from pathlib import Path

from config.ask_bench import ask_bench, ask_selectors
from config.ask_product import ask_product
from config.check import summary
from config.dialogue import Ask, Dialogue, Say, integer, text
from config.load import load_texts
from config.model import Alerts, Plan, Settings, Watching
from config.plan import FalseHolds
from config.strict import Name
from config.write import refuse_existing, texts, write

__all__ = ["init"]

INTRODUCTION = """\
A few questions about your product and your bench. ? explains a question, Enter takes
the answer in brackets, and everything can be corrected in the files later."""


def init(folder: Path, ask: Ask, say: Say) -> tuple[Path, ...]:
    """Ask what is needed and write the files; return their paths, none if refused.

    Parameters
    ----------
    ask
        Shows a question and returns what is typed. Whatever it raises ends the
        dialogue with nothing written.
    say
        Shows a text of one or more lines.

    Raises
    ------
    ConfigError
        A file is there already (nothing is asked), or cannot be written.
    """
    refuse_existing(folder)
    dialogue = Dialogue(ask, say)
    say(INTRODUCTION)
    files = texts(_ask_settings(dialogue, folder))
    settings = load_texts(files, folder)
    say("This is what was understood:")
    for line in summary(settings):
        say(f"  {line}")
    if not dialogue.agree(
        f"Write {', '.join(files)}?", why="Nothing has been written yet.", default=True
    ):
        say("Nothing was written.")
        return ()
    made = write(folder, files)
    say(f"Written to {folder}. `holdpoint config check` reads them again.")
    return made


def _ask_settings(dialogue: Dialogue, folder: Path) -> Settings:
    product = ask_product(dialogue)
    bench = None
    if dialogue.agree(
        "Shall a bench be set up?",
        why="The meters with their accuracy, whether they are connected or read by "
        "hand. Without it nothing can be measured, typed or imported.",
        default=True,
    ):
        bench = ask_bench(dialogue, product, folder)
        if bench.selector is not None:
            product = ask_selectors(dialogue, product)
    people = dialogue.put(
        "Who may end a hold? Names, with commas between them",
        _names,
        why="Every release, concession, rework and scrap is recorded with one of them.",
    )
    accepted = dialogue.put(
        "One false hold is accepted in how many units?",
        integer(FalseHolds),
        why="A small number finds smaller shifts, and holds good builds more often.",
        default="5000",
    )
    plan = Plan(
        people=people, watching=Watching(accepted_false_holds_per_units=accepted)
    )
    return Settings(product=product, bench=bench, plan=plan, alerts=Alerts())


def _names(answer: str) -> tuple[str, ...]:
    """Read names with commas between them.

    Examples
    --------
    >>> _names("Ada Moreno, Jon Birk")
    ('Ada Moreno', 'Jon Birk')
    """
    names = tuple(text(Name)(one.strip()) for one in answer.split(",") if one.strip())
    if not names or len(set(names)) < len(names):
        message = f"{answer!r}: must be names, each of them once"
        raise ValueError(message)
    return names
