"""From a folder of TOML files to settings, with every fault at once."""

import hashlib
import json
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

from config.bench import ROLES
from config.document import FILES, Document, parse, read
from config.errors import ConfigError, Fault
from config.model import Settings
from config.near import near
from config.profile import TYPED, Profile
from config.strict import KeyPath, Problem
from config.validate import validated

__all__ = [
    "fingerprint",
    "load",
    "load_profile",
    "load_texts",
    "load_with_plan",
    "profile_names",
]

NEEDED = ("product.toml", "plan.toml")
SECRET = ("alerts.toml", "sharing.toml")

OUR_PROFILES = Path(__file__).parent / "profiles"


def load(folder: Path) -> Settings:
    """Read and check product, bench, plan and alerts, with the bench's profiles.

    `bench.toml` may be absent where readings are typed or imported,
    `alerts.toml` where none are sent, `sharing.toml` where a bench is alone.

    Raises
    ------
    ConfigError
        Holds every fault of every file.
    """
    if not folder.is_dir():
        problem = (
            f"no such folder; `holdpoint --home {folder} init` asks what is needed "
            "and writes it"
        )
        raise ConfigError([Fault(file=str(folder), problem=problem)])
    texts: dict[str, str] = {}
    faults: list[Fault] = []
    for name in FILES:
        if (folder / name).exists():
            with _collecting(faults):
                texts[name] = read(folder / name, name)
        elif name in NEEDED:
            problem = "not found; `holdpoint init` asks what is needed and writes it"
            faults.append(Fault(file=name, problem=problem))
    return load_texts(texts, folder, faults)


def load_with_plan(folder: Path, plan: Path) -> Settings:
    """Read and check a folder as `load` does, with another file as its plan.

    Raises
    ------
    ConfigError
        Holds every fault of every file; one of the plan has the file's own name.
    """
    load(folder)
    texts = {
        name: read(folder / name, name) for name in FILES if (folder / name).exists()
    }
    try:
        return load_texts(texts | {"plan.toml": read(plan, str(plan))}, folder)
    except ConfigError as exc:
        raise ConfigError(
            [
                replace(one, file=str(plan)) if one.file == "plan.toml" else one
                for one in exc.faults
            ]
        ) from None


def load_texts(
    texts: Mapping[str, str], folder: Path, faults: Iterable[Fault] = ()
) -> Settings:
    """Check the texts of the files, by file name, as `load` does.

    Parameters
    ----------
    folder
        Where the maker's own profiles are looked for.
    faults
        What is already known to be wrong; reported together with what is found.

    Raises
    ------
    ConfigError
        Holds every fault of every file.
    """
    faults = list(faults)
    documents = []
    for name, text in texts.items():
        root = (name.removesuffix(".toml"),)
        with _collecting(faults):
            documents.append(parse(text, name=name, root=root, secret=name in SECRET))
    raw: dict[str, Any] = {str(one.root[-1]): one.table for one in documents}
    raw.setdefault("alerts", {})
    raw.setdefault("sharing", None)
    if "bench.toml" not in {*texts, *(one.file for one in faults)}:
        raw["bench"] = None
    problems = []
    named = _profiles_named(raw.get("bench"))
    files = _profile_files(folder)
    for path, name in named.items():
        if name not in files:
            problems.append(_no_profile(path, name, files))
    for name in sorted({*named.values()} & {*files}):
        with _collecting(faults):
            documents.append(_parse_profile(files[name]))
    raw["profiles"] = {
        one.root[-1]: one.table for one in documents if one.root[0] == "profiles"
    }
    return validated(Settings, raw, documents, faults=faults, problems=problems)


def load_profile(name: str, folder: Path) -> Profile:
    """Read an instrument profile: the maker's in `folder`/profiles, else ours.

    Raises
    ------
    ConfigError
        There is no such profile, or it has faults.
    """
    files = _profile_files(folder)
    if name not in files:
        unknown = _no_profile(("profile",), name, files)
        raise ConfigError(
            [
                Fault(
                    file=f"profiles/{name}.toml",
                    problem=unknown.problem,
                    suggestion=unknown.suggestion,
                )
            ]
        )
    document = replace(_parse_profile(files[name]), root=())
    return validated(Profile, document.table, [document])


def profile_names(folder: Path) -> tuple[str, ...]:
    """Return the names of all profiles there are, the maker's and ours."""
    return tuple(sorted(_profile_files(folder)))


def fingerprint(settings: Settings) -> tuple[str, str]:
    """Return the SHA-256 and the body of the settings that results rest on.

    The body is JSON in the order of the settings, which is the order of ranges on
    screens and in reports. Alerts, the shared database and what the store may take of
    the machine are left out: they change no result, and addresses may hold passwords.
    """
    body = json.dumps(
        settings.model_dump(
            mode="json", exclude={"alerts": True, "sharing": True, "plan": {"store"}}
        ),
        ensure_ascii=False,
        allow_nan=False,
        separators=(",", ":"),
    )
    return hashlib.sha256(body.encode()).hexdigest(), body


@contextmanager
def _collecting(faults: list[Fault]) -> Iterator[None]:
    """Go on after a file that cannot be used, keeping its faults."""
    try:
        yield
    except ConfigError as exc:
        faults += exc.faults


def _profile_files(folder: Path) -> dict[str, Path]:
    """Return profile files by name; the maker's take the place of ours."""
    return {
        path.stem: path
        for place in (OUR_PROFILES, folder / "profiles")
        for path in place.glob("*.toml")
    }


def _parse_profile(path: Path) -> Document:
    name = f"profiles/{path.name}"
    return parse(read(path, name), name=name, root=("profiles", path.stem))


def _profiles_named(bench: Any) -> dict[KeyPath, str]:
    """Return the profile that each role of a bench table names, by its path.

    The table is as it was written: whatever is no text is reported elsewhere.
    """
    named: dict[KeyPath, str] = {}
    for role in ROLES:
        instrument = bench.get(role) if isinstance(bench, dict) else None
        name = instrument.get("profile") if isinstance(instrument, dict) else None
        if isinstance(name, str) and name != TYPED:
            named["bench", role, "profile"] = name
    return named


def _no_profile(path: KeyPath, name: str, known: Iterable[str]) -> Problem:
    meant = near(name, known)
    return Problem(
        path=path,
        problem="there is no such profile"
        if meant
        else f"there is no such profile; known: {', '.join(sorted(known))}",
        suggestion=meant,
    )
