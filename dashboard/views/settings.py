"""Settings: what is in force and since when, what differs; a form that makes files."""

import json
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

import streamlit as st

from config import (
    ConfigError,
    Field,
    Filled,
    answers_of,
    filled,
    fingerprint,
    load,
    summary,
    write_anew,
)
from daemon.judging import in_force as standards_in_force, too_poor_for
from daemon.presentation import differences, figures
from daemon.service import Home
from dashboard import data, look

MEANING = (
    "The files are what counts: this form writes them as holdpoint init does, and "
    "they can be changed in any editor. What stands in them beyond these questions is "
    "not in new ones. The daemon goes by what it read when it was started."
)
AT_NEXT_START = "They count from the next start of the daemon on."
ASKED = "asked: "
"""Begin of the keys under which a viewer's answers are kept."""
FILES = "written"
"""Key of a viewer's session: what was written last."""


def settings() -> None:
    """Show the settings in force, what changed when, and the form."""
    shown = data.here()
    folder = Home.usual().folder
    at = shown.connection
    versions = at.store.frame("configuration").sort_values("stored_at")
    rows = versions.to_dict("records")
    in_force, _ = fingerprint(at.settings)
    since = next(
        (one["stored_at"] for one in rows if one["configuration"] == in_force), None
    )
    look.say(
        f"These settings are in force since {look.moment(since)}."
        if since is not None
        else "These settings are in force.",
        _on_disk(at, folder, in_force),
    )
    if said := st.session_state.get(FILES):
        look.stands_out(said)
    with st.expander("What is in force", expanded=True):
        look.outline("\n".join(summary(at.settings)))
    _versions(rows, in_force)
    _form(folder)


def _on_disk(at: data.Connection, folder: Path, in_force: str) -> list[str]:
    """Say whether the files are as what is in force.

    Check standards have the values that people assigned, whatever the file says.
    """
    try:
        now, _ = fingerprint(standards_in_force(load(folder), at.store).settings)
    except ConfigError as exc:
        return [f"The files have a fault, and the next start would refuse them: {exc}"]
    if now != in_force:
        return [f"The files in {folder} say something else. {AT_NEXT_START}"]
    return [f"They are read from the files in {folder}."]


def _versions(rows: Sequence[dict[Any, Any]], in_force: str) -> None:
    """List earlier versions, each with what the next one changed."""
    if len(rows) < 2:  # noqa: PLR2004 -- with one, nothing differs
        return
    look.heading("What changed")
    for before, after in reversed(list(pairwise(rows))):
        now = " (in force)" if after["configuration"] == in_force else ""
        title = f"{look.local(after['stored_at'])}{now}"
        lines = differences(json.loads(before["body"]), json.loads(after["body"]))
        with st.expander(f"{title}: {figures.counted(len(lines), 'difference')}"):
            look.lines(*lines)


def _form(folder: Path) -> None:
    """Ask what `holdpoint init` asks; show the files before they are written."""
    look.heading("New product, bench or plan files", [MEANING])
    known = answers_of(folder)
    answers = known | {
        key.removeprefix(ASKED): str(value)
        for key, value in st.session_state.items()
        if isinstance(key, str) and key.startswith(ASKED) and value is not None
    }
    form = filled(folder, answers, foresee=too_poor_for)
    with st.container(key="form", width=720):
        for one in form.fields:
            _field(one)
    if form.problem is not None:
        look.stands_out(form.problem)
    if form.said:
        with st.expander("What your answers come to", expanded=True):
            look.lines(
                *(line.strip() for text in form.said for line in text.split("\n"))
            )
    for line in form.foreseen:
        look.stands_out(line)
    if not form.files:
        look.quiet("The files are shown here once every question has an answer.")
        return
    _preview(folder, form, answers)


def _field(one: Field) -> None:
    key = f"{ASKED}{one.question}"
    if one.choices:
        place = next(
            (
                place
                for place, choice in enumerate(one.choices)
                if one.answer and choice.casefold().startswith(one.answer.casefold())
            ),
            None,
        )
        st.selectbox(one.question, one.choices, index=place, key=key, help=one.why)
    else:
        st.text_input(one.question, value=one.answer, key=key, help=one.why)
    if one.problem is not None:
        look.stands_out(one.problem)
    elif one.needed:
        look.quiet(f"An answer is needed. {one.why}")


def _preview(folder: Path, form: Filled, answers: dict[str, str]) -> None:
    """Show each file as it would be; write those that are chosen."""
    differ = [name for name, text in form.files.items() if _text(folder, name) != text]
    names = st.multiselect(
        "Files to write",
        list(form.files),
        default=[name for name in differ if name != "alerts.toml"],
        key="files to write",
    )
    for name in form.files:
        new = "" if _text(folder, name) is None else ", in place of the one there"
        with st.expander(f"{name}{new if name in names else ''}"):
            st.code(form.files[name], language="toml")
    st.button(
        "Write these files",
        key=f"write {st.session_state.get('writes', 0)}",
        disabled=not names,
        on_click=_write,
        args=(folder, answers, tuple(names)),
    )
    look.quiet(
        "The files of before are kept in a folder beside them. They count once the "
        "daemon is started anew."
    )


def _text(folder: Path, name: str) -> str | None:
    try:
        return (folder / name).read_text(encoding="utf-8")
    except OSError:
        return None


def _write(folder: Path, answers: dict[str, str], names: tuple[str, ...]) -> None:
    data.remarks().forget()
    try:
        made, kept = write_anew(folder, answers, names)
    except ConfigError as exc:
        data.refuse(str(exc))
        return
    st.session_state["writes"] = st.session_state.get("writes", 0) + 1
    written = ", ".join(path.name for path in made if path.name in names)
    aside = "" if kept is None else f" Those of before are in {kept}."
    st.session_state[FILES] = f"Written: {written}.{aside}"


settings()
