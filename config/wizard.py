"""`holdpoint init`: from questions in plain words to the files."""

import json
import tomllib
from collections.abc import Callable, Collection, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from shlex import quote

from config.ask_bench import ask_bench, ask_selectors, ask_settling
from config.ask_product import ask_product
from config.check import summary
from config.dialogue import Ask, Back, Dialogue, Say, text
from config.document import FILES, read
from config.errors import ConfigError, Fault
from config.files import FOLDER_MODE, write_whole
from config.form import Field, Form, Unanswered
from config.handheld import USUAL_METERS, Meters
from config.load import load_texts
from config.model import Alerts, Plan, Settings, Watching
from config.simulated import simulated_bench, with_selectors
from config.strict import Name
from config.write import refuse_existing, texts, write

__all__ = ["Filled", "answers_of", "filled", "init", "write_anew"]

INTRODUCTION = """\
Some 20 questions about your product and your bench. ? explains a question, Enter
takes the answer in brackets, "back" asks the question before again. You may stop at
any time with Ctrl-C and go on later."""
WAY_BACK = (
    "What moves is found all the same. To change the error limit or the meters: type "
    "back, or write this and use `holdpoint init --edit`, where Enter keeps an answer."
)
ANSWERS = "init-answers.json"
"""What was answered: to go on after a break, and to answer again."""
OLD = "settings-before"
Foresee = Callable[[Settings], Sequence[str]]
"""Says of settings what they will not do well, a sentence each."""


def _nothing(settings: Settings) -> Sequence[str]:  # noqa: ARG001 -- see `Foresee`
    return ()


def init(
    folder: Path,
    ask: Ask,
    say: Say,
    *,
    edit: bool = False,
    foresee: Foresee = _nothing,
    needs: Foresee = _nothing,
) -> tuple[Path, ...]:
    """Ask what is needed and write the files; return their paths, none if refused.

    Parameters
    ----------
    ask
        Shows a question and returns what is typed. Whatever it raises ends the
        dialogue; where the folder is there, the answers are kept to go on later.
    say
        Shows a text of one or more lines.
    edit
        Whether the questions are answered again, from the answers of the last time.
        The files of before are kept in a folder beside them.
    foresee
        What the settings will not do well is said before they are written.
    needs
        How good meters must be for the limits is said before they are asked about.

    Raises
    ------
    ConfigError
        A file is there already (nothing is asked), or cannot be written; or there are
        no answers to edit.
    """
    known = _answers_in(folder)
    if edit and not known:
        problem = (
            "there are no answers to change: these settings were not written by "
            "`holdpoint init`. Change the files themselves"
        )
        raise ConfigError([Fault(file=str(folder / ANSWERS), problem=problem)])
    if not edit:
        refuse_existing(folder)
    say(INTRODUCTION)
    given: list[tuple[str, str]] = []
    if known and not edit:
        asked = Dialogue(ask, say)
        if asked.agree(
            f"Go on after the {len(known)} answers of before?",
            why="You stopped before the end. No begins anew.",
            default=True,
        ):
            given = known
    before = dict(known) if edit else None
    dialogue, files, wanted = _asked(
        ask, say, folder, given=given, before=before, foresee=foresee, needs=needs
    )
    if not wanted:
        say("Nothing was written.")
        return ()
    made, kept = _written(folder, files, dialogue.answers[:-1], anew=edit)
    if kept is not None:
        say(
            f"The settings of before are kept in {kept}. What was changed in them by "
            "hand is not in the new ones."
        )
    command = f"holdpoint --home {quote(str(folder))}"
    say(
        f"Written to {folder}. `{command} config check` reads them again, "
        f"`{command} init --edit` asks again."
    )
    steps = _next(load_texts(files, folder)).replace("`holdpoint ", f"`{command} ")
    say(f"Next: {steps}.")
    return made


def _next(settings: Settings) -> str:
    """Say how to come to the first unit."""
    if settings.bench is None:
        return (
            "`holdpoint import FILE --dry-run` for a sheet of measured units, or "
            "`holdpoint build open B-1`, then `holdpoint measure --typed`, "
            "to type readings"
        )
    if settings.bench.simulated:
        return (
            "`holdpoint daemon --simulated`, and `holdpoint dashboard` in a second "
            "window"
        )
    return "`holdpoint bench find`, `holdpoint bench try`, then `holdpoint daemon`"


@dataclass(frozen=True, slots=True, kw_only=True)
class Filled:
    """The form as far as it is answered, and what its answers come to.

    Attributes
    ----------
    fields
        The questions in their order, up to the first that is still to be answered.
    said
        What the answers come to, in lines.
    files
        What would be written, by name; nothing while an answer is missing.
    summary
        What these files mean, in lines.
    foreseen
        What they will not do well, in lines.
    problem
        Why files of these answers cannot be used.
    """

    fields: tuple[Field, ...]
    said: tuple[str, ...]
    files: Mapping[str, str]
    summary: tuple[str, ...] = ()
    foreseen: tuple[str, ...] = ()
    problem: str | None = None


def filled(
    folder: Path, answers: Mapping[str, str], *, foresee: Foresee = _nothing
) -> Filled:
    """Go through the questions of `init` with these answers; write nothing.

    Parameters
    ----------
    folder
        Where the settings are: its profiles may be named, and the product keeps the
        name that the records are under.
    answers
        By question.
    foresee
        Says what the settings will not do well.
    """
    form = Form(answers)
    files: dict[str, str] = {}
    lines: tuple[str, ...] = ()
    foreseen: tuple[str, ...] = ()
    problem = None
    try:
        settings = _as_recorded(_ask_settings(form, folder), folder)
        files = dict(texts(settings))
        loaded = load_texts(files, folder)
        lines, foreseen = tuple(summary(loaded)), tuple(foresee(loaded))
    except Unanswered:
        pass
    except ConfigError as exc:
        problem, files = str(exc), {}
    return Filled(
        fields=tuple(form.fields),
        said=tuple(form.said),
        files=files,
        summary=lines,
        foreseen=foreseen,
        problem=problem,
    )


def answers_of(folder: Path) -> dict[str, str]:
    """Return what was answered when the settings of a folder were made, by question."""
    return dict(_answers_in(folder))


def write_anew(
    folder: Path, answers: Mapping[str, str], names: Collection[str] = FILES
) -> tuple[tuple[Path, ...], Path | None]:
    """Write files of a form that is complete, the files of before kept aside.

    Returns the files, and the folder in which those of before are.

    Parameters
    ----------
    names
        The files that are written; the others stay as they are, and must fit.

    Raises
    ------
    ConfigError
        An answer is missing or cannot be used, or the disk refuses; the files of
        before stand as they did.
    """
    form = filled(folder, answers)
    if not form.files:
        problem = form.problem or "answers are missing"
        raise ConfigError([Fault(file=str(folder), problem=problem)])
    files = {key: one for key, one in form.files.items() if key in names}
    for name in FILES:
        if name not in names and (folder / name).exists():
            files[name] = read(folder / name, name)
    load_texts(files, folder)
    given = [(one.question, one.answer) for one in form.fields]
    return _written(folder, files, given, anew=True)


def _written(
    folder: Path,
    files: dict[str, str],
    answers: Sequence[tuple[str, str]],
    *,
    anew: bool,
) -> tuple[tuple[Path, ...], Path | None]:
    """Write files, in place of those that are there where they are written anew."""
    kept = None
    if anew:
        for name in ("alerts.toml", "sharing.toml"):  # nothing is asked about them
            if (folder / name).exists():
                files[name] = read(folder / name, name)
        kept = _put_aside(folder)
    try:
        made = write(folder, files)
    except ConfigError:
        for path in () if kept is None else tuple(kept.iterdir()):
            path.replace(folder / path.name)
        raise
    _keep(folder, answers)
    return made, kept


def _asked(
    ask: Ask,
    say: Say,
    folder: Path,
    *,
    given: Sequence[tuple[str, str]],
    before: Mapping[str, str] | None,
    foresee: Foresee,
    needs: Foresee,
) -> tuple[Dialogue, dict[str, str], bool]:
    """Ask everything, again and again where the person goes back.

    Returns the dialogue, the files, and whether they are to be written.
    """
    kept = dict(before or {})
    again = None
    while True:
        dialogue = Dialogue(
            ask,
            say,
            given=given,
            before=kept,
            again=again,
            note=lambda answers: _keep(folder, answers),
        )
        try:
            settings = _ask_settings(dialogue, folder, needs)
            if before is not None:
                settings = _as_recorded(settings, folder)
            files = dict(texts(settings))
            dialogue.say("This is what was understood:")
            loaded = load_texts(files, folder)
            for line in summary(loaded):
                dialogue.say(f"  {line}")
            if foreseen := foresee(loaded):
                dialogue.say("Before you write this:")
                for line in (*foreseen, WAY_BACK):
                    dialogue.say(f"  {line}")
            wanted = dialogue.agree(
                f"Write {', '.join(files)}?",
                why="Nothing has been written yet.",
                default=True,
            )
        except Back as back:
            kept |= dialogue.answers  # what Enter means from now on
            again = back.question
            given = dialogue.answers if again else dialogue.answers[:-1]
        else:
            return dialogue, files, wanted


def _as_recorded(settings: Settings, folder: Path) -> Settings:
    """Return settings with the product's name as it was: the records are under it."""
    try:
        written = tomllib.loads((folder / "product.toml").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return settings
    name = written.get("name")
    if not isinstance(name, str):
        return settings
    product = settings.product.model_copy(update={"name": name})
    return settings.model_copy(update={"product": product})


def _answers_in(folder: Path) -> list[tuple[str, str]]:
    """Return the questions and answers of before; none where they cannot be read."""
    try:
        known = json.loads((folder / ANSWERS).read_text(encoding="utf-8"))
        return [(str(question), str(answer)) for question, answer in known]
    except (OSError, ValueError, TypeError):
        return []


def _keep(folder: Path, answers: Sequence[tuple[str, str]]) -> None:
    """Keep the answers beside the settings, where there is such a folder."""
    if not folder.is_dir():
        return
    with suppress(OSError):  # the dialogue goes on without
        write_whole(folder / ANSWERS, json.dumps(answers, ensure_ascii=False, indent=1))


def _put_aside(folder: Path) -> Path | None:
    """Move the settings that are written anew into a folder; return it."""
    there = [folder / name for name in FILES if (folder / name).exists()]
    if not there:
        return None
    kept = folder / f"{OLD}-{datetime.now(UTC):%Y%m%dT%H%M%S%fZ}"
    kept.mkdir(FOLDER_MODE)
    for path in there:
        path.replace(kept / path.name)
    return kept


def _ask_settings(
    dialogue: Dialogue, folder: Path, needs: Foresee = _nothing
) -> Settings:
    product = ask_product(dialogue)
    people = dialogue.put(
        "Who may end a hold? Names, with commas between them",
        _names,
        why="Every release, concession, rework and scrap is recorded with one of them.",
    )
    bench, meters, output_meter = None, None, None
    who = dialogue.choose(
        "Who reads the meters: you, the PC, or a simulated bench to try it with?",
        {"you": "you", "PC": "PC", "simulated": "simulated"},
        why="You: readings are typed, or imported from a sheet. PC: the meters, and a "
        "source, are connected and measure by themselves. Simulated: nothing is "
        "connected, `holdpoint daemon --simulated` plays your product, a bench, and "
        "CS-1, the check standard of that bench.",
        default="you",
    )
    if who != "you":
        product = ask_settling(dialogue, product)
    if who == "simulated":
        product = with_selectors(product)
        bench = simulated_bench(product)
    elif who == "you":
        unsaid = Settings(
            product=product,
            bench=None,
            plan=Plan(people=people, watching=Watching()),
            alerts=Alerts(),
        )
        for line in needs(unsaid):
            dialogue.say(line)
        meters = dialogue.put(
            "How good is the meter that reads what goes in, by its data sheet?",
            text(Meters),
            why="Such as 0.5 % + 2 digits; with 6000 counts: 0.5 % + 2 digits, 6000 "
            "counts.",
            default=USUAL_METERS,
        )
        output_meter = dialogue.put(
            "How good is the meter that reads what comes out? (Enter: just as good)",
            lambda answer: text(Meters)(answer) if answer else None,
            why="Written in the same way. Enter also where one meter reads both.",
            default="",
        )
    else:
        bench = ask_bench(dialogue, product, folder)
        if bench.selector is not None:
            product = ask_selectors(dialogue, product)
    plan = Plan(
        people=people,
        meters=meters,
        output_meter=None if output_meter == meters else output_meter,
        watching=Watching(),
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
