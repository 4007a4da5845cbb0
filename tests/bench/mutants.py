"""Does a test notice? Small random faults are put into a copy, and its tests are run.

    uv run python tests/bench/mutants.py --seed 7 --count 40
    uv run python tests/bench/mutants.py --seed 1 --count 10 --only storage

Each mutant is one change: a comparison, an arithmetic or boolean operator, a constant,
two arguments swapped, a statement deleted, another value returned; in a query a
comparison, and/or, the order, or null and not null. It is drawn in proportion to lines,
from all product files that are found by walking (`--only PATH`: those below it). The
copy is a worktree of the last commit in a temporary folder: what is not committed is
not looked at, and the checkout is never touched.

For each mutant the tests that can see its file are run, nearest first, until one fails:
those that import its module, by the door of its room too, or are named after it, then
those whose imports lead there in some steps, then all others. In each, those of the
same room that name the changed function come first. `--rings 1` or `2` leaves the
further ones out, and "survived nearby" is then no verdict. A test that fails without
the change too is left out. Each line is printed as it is known; Ctrl-C ends with what
was found so far. The exit code is 0 whatever survives: a survivor is a question, not a
failure, since a mutant may change nothing that anybody can see.

`--ran FILE` is quicker: it says which tests run which lines, and those that run the
changed line come first, the ones that run little else before the others. One run of the
suite makes it:

    uv run --with pytest-cov pytest --cov=config --cov=storage --cov=daemon \
        --cov=dashboard --cov-context=test --cov-report=
    uv run python tests/bench/mutants.py --ran .coverage --seed 7 --count 40

A page, a query and what only a process of its own runs have no lines there: for them
the tests are found as without the file.
"""

import argparse
import ast
import os
import re
import select
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence, Set
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from importlib import import_module
from pathlib import Path
from random import Random
from typing import NoReturn

import pytest

ROOT = Path(__file__).parents[2]
PRELOADED = (
    "numpy", "scipy.stats", "scipy.optimize", "scipy.integrate", "scipy.special",
    "pandas", "pyarrow.compute", "duckdb", "altair", "numba", "pydantic", "hypothesis",
    "streamlit.testing.v1", "click", "openpyxl", "xdist",
)  # fmt: skip
ONE_THREAD = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "NUMBA_NUM_THREADS")
"""Of a process with several threads no copy could be trusted."""
PACKAGES = ("config", "storage", "daemon", "dashboard")
LIMIT_S = 240.0
"""For one ring of tests of one mutant, but for the last."""
FULL_LIMIT_S = 1800.0
POLL_S = 0.1
MARK = "HOLDPOINT_TESTS"
"""As `tests.left_behind` has it, which must be the copy's, not this checkout's."""
ALL_RINGS = 3
MOST_RUNNING = 400
"""Tests that run a changed line; more would be the whole suite for what all use."""
COMPARED = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt,
    ast.Eq: ast.NotEq, ast.NotEq: ast.Eq, ast.Is: ast.IsNot, ast.IsNot: ast.Is,
    ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
COMPUTED = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult, ast.Mod: ast.Mult, ast.Pow: ast.Mult,
    ast.BitOr: ast.BitAnd, ast.BitAnd: ast.BitOr,
}  # fmt: skip
OPPOSITES = {ast.And: ast.Or, ast.Or: ast.And}
IN_QUERIES = (
    (r" = ", " <> "), (r" <> ", " = "), (r" < ", " <= "), (r" <= ", " < "),
    (r" > ", " >= "), (r" >= ", " > "), (r"\band\b", "or"), (r"\bor\b", "and"),
    (r"\bis not null\b", "is null"), (r"\bis null\b", "is not null"),
    (r"\bmax\(", "min("), (r"\bmin\(", "max("), (r" desc\b", ""),
    (r"\bleft join\b", "join"), (r"\bbool_and\(", "bool_or("),
    (r"\bbool_or\(", "bool_and("), (r"\b0\b", "1"), (r"\b1\b", "2"),
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Mutant:
    """One change of one file: where, what stood there, and the file's new text."""

    path: Path
    line: int
    kind: str
    before: str
    after: str
    text: str
    statement: range
    """The lines of the statement that it is in; of a block, those before its body."""
    inside: frozenset[str] = frozenset()
    """The names of the functions and classes that it is in."""


# changes of Python


def mutants_of(path: Path, text: str) -> list[Mutant]:
    """Return every change of a file; one drawn must be looked at by `is_another`."""
    if path.suffix == ".sql":
        return list(_of_query(path, text))
    return list(_of_program(path, text))


def _of_query(path: Path, text: str) -> Iterator[Mutant]:
    lines = text.splitlines(keepends=True)
    for place, line in enumerate(lines):
        if line.lstrip().startswith("--"):
            continue
        for pattern, new in IN_QUERIES:
            for found in re.finditer(pattern, line):
                changed = line[: found.start()] + new + line[found.end() :]
                yield Mutant(
                    path=path, line=place + 1, kind=f"{pattern} to {new}",
                    before=line.strip(), after=changed.strip(),
                    text="".join([*lines[:place], changed, *lines[place + 1 :]]),
                    statement=range(0),
                )  # fmt: skip


def _of_program(path: Path, text: str) -> Iterator[Mutant]:
    source = text.encode()
    starts = [0]
    for line in source.splitlines(keepends=True):
        starts.append(starts[-1] + len(line))
    tree = ast.parse(text)
    said = _said(tree)
    statements = _statements(tree)
    inside = _inside(tree)
    for node in ast.walk(tree):
        if id(node) in said or not isinstance(node, ast.expr | ast.stmt):
            continue
        for kind, new in _changes(node):
            # Only the changed piece is written anew: the rest stays as it was.
            begin = starts[node.lineno - 1] + node.col_offset
            end = starts[(node.end_lineno or 0) - 1] + (node.end_col_offset or 0)
            before = source[begin:end].decode()
            after = ast.unparse(new)
            if isinstance(new, ast.expr):
                after = f"({after})"
            elif "\n" in after:
                continue
            changed = source[:begin] + after.encode() + source[end:]
            yield Mutant(
                path=path, line=node.lineno, kind=kind, before=_short(before),
                after=_short(after), text=changed.decode(),
                statement=statements[id(node)], inside=inside[id(node)],
            )  # fmt: skip


def is_another(mutant: Mutant, text: str) -> bool:
    """Whether a mutant of a file can be read and says something else."""
    if mutant.path.suffix == ".sql":
        return mutant.text != text
    try:
        return ast.dump(ast.parse(mutant.text)) != ast.dump(ast.parse(text))
    except SyntaxError:
        return False


def _short(text: str) -> str:
    return " ".join(text.split())


def _statements(tree: ast.AST) -> dict[int, range]:
    """Return each node's statement: its lines, of a block those before its body."""
    found: dict[int, range] = {}
    # From the outside in: an inner statement's nodes are told its own lines last.
    for node in ast.walk(tree):
        if isinstance(node, ast.stmt):
            body = getattr(node, "body", None)
            end = body[0].lineno if body else (node.end_lineno or node.lineno) + 1
            lines = range(node.lineno, max(end, node.lineno + 1))
            found.update((id(part), lines) for part in ast.walk(node))
    return found


def _inside(tree: ast.AST) -> dict[int, frozenset[str]]:
    """Return the names of what each node is in."""
    found: dict[int, frozenset[str]] = {}
    for node in ast.walk(tree):
        own = found.setdefault(id(node), frozenset())
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            own |= {node.name}
        for child in ast.iter_child_nodes(node):
            found[id(child)] = own
    return found


def _said(tree: ast.AST) -> set[int]:
    """Return the nodes that run nothing: docstrings and annotations."""
    found = set()
    for node in ast.walk(tree):
        quiet: list[ast.AST | None] = []
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            quiet.append(node)
        if isinstance(node, ast.arg | ast.AnnAssign):
            quiet.append(node.annotation)
        if isinstance(node, ast.FunctionDef):
            quiet.append(node.returns)
        for one in quiet:
            found |= {id(part) for part in ast.walk(one)} if one is not None else set()
    return found


def _changes(node: ast.AST) -> Iterator[tuple[str, ast.AST]]:
    """Yield what a node may become."""
    match node:
        case ast.Compare(left, [operator, *more], comparators):
            other = COMPARED[type(operator)]()
            yield "comparison", ast.Compare(left, [other, *more], comparators)
        case ast.BinOp(left, operator, right) if type(operator) in COMPUTED:
            yield "arithmetic", ast.BinOp(left, COMPUTED[type(operator)](), right)
        case ast.BoolOp(operator, values):
            yield "boolean", ast.BoolOp(OPPOSITES[type(operator)](), values)
        case ast.UnaryOp(ast.Not() | ast.USub(), operand):
            yield "sign or not", operand
        case ast.IfExp(test, body, orelse):
            yield "branches swapped", ast.IfExp(test, orelse, body)
        case ast.Constant(bool() as value):
            yield "constant", ast.Constant(not value)
        case ast.Constant(int() | float() as value):
            yield "constant", ast.Constant(value + 1)
        case ast.Call(function, [first, second, *rest], keywords):
            yield (
                "arguments swapped",
                ast.Call(function, [second, first, *rest], keywords),
            )
        case ast.Return(value) if value is not None:
            yield "return", ast.Return(ast.Constant(None))
        case ast.Continue():
            yield "statement", ast.Break()
        case ast.Assign() | ast.AugAssign() | ast.Raise() | ast.Expr(ast.Call()):
            yield "deleted", ast.Pass()


# which tests can see a file


@dataclass(frozen=True, slots=True)
class Sight:
    """Which test files see which product files, near or far."""

    root: Path
    imports: Mapping[Path, frozenset[str]]

    @classmethod
    def of(cls, root: Path) -> "Sight":
        """Read what every file names: modules it imports, queries it asks."""
        files = [
            one for top in (*PACKAGES, "tests") for one in (root / top).rglob("*.py")
        ]
        named = {one: frozenset(_named(one)) for one in files}
        for one in files:
            # What pytest gives a test file from the folders above it.
            above = (named.get(folder / "conftest.py") for folder in one.parents)
            named[one] = named[one].union(*(more for more in above if more))
        doors = _doors(root)
        return cls(
            root,
            {
                one: names.union(*(_behind(doors, name) for name in names))
                for one, names in named.items()
            },
        )

    def rings(self, path: Path, inside: Set[str] = frozenset()) -> list[list[Path]]:
        """Return test files that can see a file: near, some steps away, all others.

        In each those first that name what the change is `inside`.
        """
        direct = self._naming(self._names(path))
        if not direct:
            # A page that nobody imports is named by its stem where it is opened.
            direct = self._naming({f"mention {path.stem}"})
        helpers = [one for one in direct if self._is_test(one)]
        near = {*direct, *self._naming(self._names(*helpers))}
        near |= {one for one in self.imports if one.stem.endswith(f"_{path.stem}")}
        users = {one for one in direct if not self._is_test(one)}
        far: set[Path] = set()
        passed = set(users)
        while users and not far:
            seen = self._naming(self._names(*users))
            far = {one for one in seen if self._is_test(one)} - near
            users = {one for one in seen if not self._is_test(one)} - passed
            passed |= users
        rest = set(self.imports) - near - far

        room = path.relative_to(self.root).parts[:-1]

        names = {f"name {one}" for one in inside}

        def nearest(one: Path) -> tuple[bool, int, int, bool, int, Path]:
            beside = one.relative_to(self.root).parts[1:-1]
            return (
                path.stem not in one.stem,
                -sum(a == b for a, b in zip(room, beside, strict=False)),
                -len(self.imports[one] & names),
                one not in direct,
                len(self.imports[one]),
                one,
            )

        return [
            sorted(
                (o for o in ring if self._is_test(o) and o.name.startswith("test_")),
                key=nearest,
            )
            for ring in (near, far, rest)
        ]

    def _naming(self, names: Set[str]) -> set[Path]:
        return {one for one, named in self.imports.items() if named & names}

    def _is_test(self, path: Path) -> bool:
        return path.relative_to(self.root).parts[0] == "tests"

    def _names(self, *paths: Path) -> set[str]:
        """Return how others name files."""
        found = set()
        for path in paths:
            if path.suffix == ".sql":
                found.add(f"mention {path.stem}")
                continue
            parts = path.relative_to(self.root).with_suffix("").parts
            found.add(".".join(parts[:-1] if parts[-1] == "__init__" else parts))
            if path.is_relative_to(self.root / "dashboard" / "views"):
                found.add(f"mention {path.stem}")
        return found


def _doors(root: Path) -> dict[str, str]:
    """Return under which full name each name that a room offers stands in its file."""
    found = {}
    for top in PACKAGES:
        for door in (root / top).rglob("__init__.pyi"):
            room = ".".join(door.parent.relative_to(root).parts)
            for node in ast.parse(door.read_text("utf-8")).body:
                if isinstance(node, ast.ImportFrom) and node.module:
                    inside = f"{room}.{node.module}"
                    for one in node.names:
                        found[f"{room}.{one.asname or one.name}"] = (
                            f"{inside}.{one.name}"
                        )
    return found


def _behind(doors: Mapping[str, str], name: str) -> Iterator[str]:
    """Yield the files in which a name of a room stands, if one is."""
    while name in doors:
        name = doors[name]
        yield name.rpartition(".")[0]


def _named(path: Path) -> Iterator[str]:
    nodes = [*ast.walk(ast.parse(path.read_text("utf-8")))]
    rooms = {
        one.asname or one.name: f"{node.module}.{one.name}"
        for node in nodes
        if isinstance(node, ast.ImportFrom) and node.module
        for one in node.names
    }
    for node in nodes:
        match node:
            case ast.Import(names):
                yield from (one.name for one in names)
            case ast.ImportFrom(module, names) if module:
                yield module
                yield from (f"{module}.{one.name}" for one in names)
            case ast.Attribute(ast.Name(name), attribute) if name in rooms:
                yield f"{rooms[name]}.{attribute}"
                yield f"name {attribute}"
            case ast.Attribute(_, name) | ast.Name(name):
                yield f"name {name}"
            case ast.Constant(str() as text) if text.isidentifier():
                yield f"mention {text}"


@dataclass(frozen=True, slots=True)
class Ran:
    """Which tests run which lines, as a coverage file with contexts tells."""

    data: sqlite3.Connection
    lines: Mapping[str, int]
    """How many lines each test runs in all."""

    @classmethod
    def of(cls, data: Path) -> "Ran":
        """Read a file that `--cov-context=test` has made."""
        connection = sqlite3.connect(f"file:{data}?mode=ro", uri=True)
        lines: Counter[str] = Counter()
        for context, bits in connection.execute(
            "select context, numbits from line_bits join context on context.id = "
            "context_id"
        ):
            lines[_test_of(context)] += int.from_bytes(bits, "little").bit_count()
        return cls(connection, lines)

    def tests(self, path: str, statement: range) -> Sequence[str]:
        """Return the tests that run a statement, those that run least first."""
        wanted = sum(1 << line for line in statement)
        found = {
            _test_of(context)
            for context, bits in self.data.execute(
                "select context, numbits from line_bits "
                "join context on context.id = context_id "
                "join file on file.id = file_id where path like ?",
                [f"%/{path}"],
            )
            if int.from_bytes(bits, "little") & wanted
        }
        return sorted(found - {""}, key=lambda one: (self.lines[one], one))


def _test_of(context: str) -> str:
    """Return a context's test: what was run while it was set up counts too."""
    return context.rpartition("|")[0]


# the copy and its tests


@contextmanager
def copied(root: Path) -> Iterator[Path]:
    """Give a worktree of the last commit in a temporary folder."""
    with tempfile.TemporaryDirectory(prefix="mutants-") as folder:
        copy = Path(folder) / "copy"
        subprocess.run(
            ["git", "-C", root, "worktree", "add", "--quiet", "--detach", copy],
            check=True,
        )
        try:
            yield copy
        finally:
            subprocess.run(
                ["git", "-C", root, "worktree", "remove", "--force", copy], check=False
            )


def warm(root: Path, copy: Path) -> None:
    """Take over what was compiled for machine code: it stands beside its source."""
    for compiled in root.rglob("*.nb[ic]"):
        if ".venv" in compiled.parts:
            continue
        there = copy / compiled.relative_to(root)
        there.parent.mkdir(exist_ok=True)
        shutil.copy2(compiled, there)
    for folder in {one.parent.parent for one in copy.rglob("*.nbi")}:
        for twin in folder.glob("*.py"):
            source = root / twin.relative_to(copy)
            if source.exists() and twin.read_bytes() == source.read_bytes():
                # It counts for a source of the same time alone.
                shutil.copystat(source, twin)


@dataclass(slots=True)
class Copy:
    """The copy, and which of its tests fail though nothing was changed."""

    root: Path
    folder: Path
    limit_s: float
    broken: set[str] = field(default_factory=set)
    ran: Ran | None = None

    def failing(self, tests: Sequence[Path | str], within_s: float) -> str | None:
        """Return the first test that fails; None where all pass."""
        names = [
            one if isinstance(one, str) else str(one.relative_to(self.folder))
            for one in tests
        ]
        left_out = [f"--deselect={one}" for one in sorted(self.broken)]
        said = self._run([*names, *left_out], within_s)
        if not re.search(r"\d+ (passed|failed|error|deselected|skipped)", said):
            message = f"no test was run: {said[-2000:]}"
            raise RuntimeError(message)
        found = re.search(r"^(?:FAILED|ERROR) (.+?)(?: - .*)?$", said, re.MULTILINE)
        return None if found is None else found[1]

    def noticed(
        self, mutant: Mutant, tests: Sequence[Path | str], within_s: float
    ) -> str | None:
        """Return the first test that fails for the mutant alone."""
        original = mutant.path.read_text("utf-8")
        while True:
            try:
                mutant.path.write_text(mutant.text, "utf-8")
                name = self.failing(tests, within_s)
            finally:
                mutant.path.write_text(original, "utf-8")
                warm(self.root, self.folder)
            if name is None or self.failing([name], within_s) is None:
                return name
            self.broken.add(name)

    def _run(self, arguments: Sequence[str], within_s: float) -> str:
        """Return what a run of tests prints, in a process forked from this warm one."""
        reads, writes = os.pipe()
        pid = os.fork()
        if pid == 0:
            os.setsid()
            os.dup2(writes, 1)
            _be_a_run(self.folder, arguments)
        os.close(writes)
        said = b""
        ended = False
        until_s = time.monotonic() + within_s
        try:
            with os.fdopen(reads, "rb", buffering=0) as stream:
                while not ended:
                    if time.monotonic() > until_s:
                        raise TimeoutError
                    # What a test has started may hold the pipe for ever.
                    ended = os.waitpid(pid, os.WNOHANG)[0] == pid
                    while select.select([stream], [], [], 0 if ended else POLL_S)[0]:
                        if not (piece := stream.read(1 << 16)):
                            break
                        said += piece
            return said.decode(errors="replace")
        finally:
            if not ended:
                os.kill(pid, signal.SIGKILL)
                os.waitpid(pid, 0)
            _end_what_it_started(pid)


def _end_what_it_started(pid: int) -> None:
    """End the processes with the mark of a run, in whatever session they are."""
    mark = f"{MARK}={pid}-".encode()
    for folder in Path("/proc").glob("[0-9]*"):
        with suppress(OSError):
            if b"\0" + mark in (folder / "environ").read_bytes():
                os.kill(int(folder.name), signal.SIGKILL)


def _be_a_run(folder: Path, arguments: Sequence[str]) -> NoReturn:
    """Run tests as `python -m pytest` would, of the copy, and be gone."""
    code = 1
    try:
        os.chdir(folder)
        os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
        os.environ["PYTHONPATH"] = str(folder)
        sys.path[:] = [str(folder), *(o for o in sys.path if o != str(ROOT))]
        code = pytest.main(
            [
                "-q", "-x", "--tb=no", "-rfE", "-p", "no:cacheprovider", "-n0",
                "-W", "ignore::pytest.PytestAssertRewriteWarning",
                "-m", "not bench and not browser and not hardware", *arguments,
            ]
        )  # fmt: skip
    finally:
        sys.stdout.flush()
        os._exit(code)


def preload() -> None:
    """Import once what nearly every test needs, and nothing of ours."""
    for name in PRELOADED:
        import_module(name)


def drawn(copy: Path, only: str | None, chance: Random, count: int) -> Iterator[Mutant]:
    """Yield mutants: a line of all product files by chance, then one of its mutants."""
    files = [
        one
        for top in PACKAGES
        for one in sorted((copy / top).rglob("*"))
        if one.suffix in {".py", ".sql"}
        and "migrations" not in one.parts
        and (only is None or one.is_relative_to(copy / only))
    ]
    texts = {one: one.read_text("utf-8") for one in files}
    lines = [one for one in files for _ in range(texts[one].count("\n"))]
    made: dict[Path, list[Mutant]] = {}
    seen: set[tuple[Path, str]] = set()
    for _ in range(100 * count):
        if len(seen) == count or not lines:
            return
        path = chance.choice(lines)
        if path not in made:
            made[path] = mutants_of(path, texts[path])
        if not made[path]:
            continue
        one = chance.choice(made[path])
        # Of the one that was drawn alone: to read each of a file again takes minutes.
        if (path, one.text) not in seen and is_another(one, texts[path]):
            seen.add((path, one.text))
            yield one


def verdict(copy: Copy, mutant: Mutant, sight: Sight, rings: int) -> str:
    """Return whether any test notices a mutant, and which."""
    limits = (copy.limit_s, copy.limit_s, FULL_LIMIT_S)
    late = ""
    asked = [*zip(sight.rings(mutant.path, mutant.inside), limits, strict=True)][:rings]
    groups: list[tuple[Sequence[Path | str], float]] = []
    groups += [one for one in asked if one[0]]
    if copy.ran is not None:
        path = str(mutant.path.relative_to(copy.folder))
        if running := copy.ran.tests(path, mutant.statement):
            groups = [(running[:MOST_RUNNING], copy.limit_s)]
    for tests, within_s in groups:
        try:
            name = copy.noticed(mutant, tests, within_s)
        except TimeoutError:
            # A mutant may never end; a slow machine may be all there is to it.
            late = ", out of time"
            continue
        if name is not None:
            return f"killed by {name}"
    return f"{'SURVIVED' if rings == ALL_RINGS else 'survived nearby'}{late}"


def tell(words: Iterable[str]) -> None:
    """Print one line at once."""
    sys.stdout.write(" ".join(words) + "\n")
    sys.stdout.flush()


def main() -> None:
    """Draw mutants, run their tests, and print what became of each."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--count", type=int, default=40)
    parser.add_argument("--only", help="a file or folder, from the top of the project")
    parser.add_argument("--rings", type=int, default=ALL_RINGS, choices=(1, 2, 3))
    parser.add_argument("--ran", type=Path, help="a coverage file: see above")
    parser.add_argument("--limit", type=float, default=LIMIT_S, help="seconds a ring")
    given = parser.parse_args()
    for ending in (signal.SIGINT, signal.SIGTERM):
        signal.signal(ending, signal.default_int_handler)
    root = ROOT
    os.environ.update(dict.fromkeys(ONE_THREAD, "1"))
    os.environ["JE_ARROW_MALLOC_CONF"] = "background_thread:false"
    preload()
    found: Counter[str] = Counter()
    with copied(root) as folder:
        warm(root, folder)
        copy = Copy(root=root, folder=folder, limit_s=given.limit)
        copy.ran = None if given.ran is None else Ran.of(given.ran)
        sight = Sight.of(folder)
        chance = Random(given.seed)  # noqa: S311 -- which to try, no secret
        try:
            for mutant in drawn(folder, given.only, chance, given.count):
                begun_s = time.monotonic()
                said = verdict(copy, mutant, sight, given.rings)
                found[said.partition(" by ")[0]] += 1
                tell(
                    [
                        f"{said}:",
                        f"{mutant.path.relative_to(folder)}:{mutant.line}",
                        f"[{mutant.kind}]",
                        f"{mutant.before}  ->  {mutant.after}",
                        f"({time.monotonic() - begun_s:.0f} s)",
                    ]
                )
        except KeyboardInterrupt:
            tell(["ended before all were tried"])
    tell(["; ".join(f"{number} {said}" for said, number in found.most_common())])


if __name__ == "__main__":
    main()
