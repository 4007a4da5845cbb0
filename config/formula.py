"""The transfer formula as text: which parts it names."""

import ast
import math

from config.errors import FormulaError

__all__ = ["part_names"]

_ALLOWED = (
    ast.Expression,
    ast.BinOp,
    ast.Add,
    ast.Sub,
    ast.Mult,
    ast.Div,
    ast.UnaryOp,
    ast.UAdd,
    ast.USub,
    ast.Name,
    ast.Load,
)
_WANTED = "must be plain arithmetic (+ - * / and brackets) over part names"


def part_names(formula: str) -> tuple[str, ...]:
    """Return the parts that a formula names, in the order they are written.

    Raises
    ------
    FormulaError
        The text is more, or less, than plain arithmetic over part names.

    Examples
    --------
    >>> part_names("(R11 + RSW) * (1 + R3 / R4)")
    ('R11', 'RSW', 'R3', 'R4')
    """
    try:
        tree = ast.parse(formula.strip(), mode="eval")
        nodes = list(ast.walk(tree))
    except (SyntaxError, ValueError, RecursionError, MemoryError) as exc:
        raise FormulaError(text=formula, problem=_WANTED) from exc
    names = []
    for node in nodes:
        if isinstance(node, ast.Name):
            names.append(node)
        elif not isinstance(node, _ALLOWED) and not _is_number(node):
            what = ast.unparse(node) if isinstance(node, ast.expr) else ""
            raise FormulaError(text=formula, problem=_refusal(what))
    if not names:
        raise FormulaError(text=formula, problem=f"{_WANTED}, and name at least one")
    names.sort(key=lambda node: (node.lineno, node.col_offset))
    return tuple(dict.fromkeys(node.id for node in names))


def _is_number(node: ast.AST) -> bool:
    return (
        isinstance(node, ast.Constant)
        and isinstance(node.value, int | float)
        and not isinstance(node.value, bool)
        and math.isfinite(node.value)
    )


def _refusal(what: str) -> str:
    return f"{_WANTED}; {what!r} is not" if what else _WANTED
