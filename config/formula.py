"""The transfer formula as text: which parts it names."""

import ast
import sys

from config.errors import FormulaError

__all__ = ["part_names"]

_OPERATORS = (ast.Add, ast.Sub, ast.Mult, ast.Div, ast.UAdd, ast.USub)
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
    for node in nodes:
        if isinstance(node, ast.expr) and not _is_plain(node):
            problem = f"{_WANTED}; {ast.unparse(node)!r} is not"
            raise FormulaError(text=formula, problem=problem)
    names = [node for node in nodes if isinstance(node, ast.Name)]
    if not names:
        raise FormulaError(text=formula, problem=f"{_WANTED}, and name at least one")
    names.sort(key=lambda node: (node.lineno, node.col_offset))
    return tuple(dict.fromkeys(node.id for node in names))


def _is_plain(node: ast.expr) -> bool:
    """Whether an expression is a sum, product or the like, a name or a number."""
    if isinstance(node, ast.BinOp | ast.UnaryOp):
        return isinstance(node.op, _OPERATORS)
    return isinstance(node, ast.Name) or _is_number(node)


def _is_number(node: ast.expr) -> bool:
    return (
        isinstance(node, ast.Constant)
        and isinstance(node.value, int | float)
        and not isinstance(node.value, bool)
        and abs(node.value) <= sys.float_info.max  # an integer may be any size
    )
