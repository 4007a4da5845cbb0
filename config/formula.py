"""The transfer formula as text: which parts it names, what they come to."""

import ast
import sys
from collections.abc import Mapping
from functools import lru_cache

from config.errors import FormulaError

__all__ = ["output_ohm", "part_names", "value_of"]

_OPERATORS = (ast.Add, ast.Sub, ast.Mult, ast.Div, ast.UAdd, ast.USub)
_LONGEST = 60
_WANTED = "must be plain arithmetic (+ - * / and brackets) over part names"


@lru_cache(maxsize=256)  # asked again by each check of a product
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
            problem = f"{_WANTED}; {shorten(ast.unparse(node))!r} is not"
            raise FormulaError(text=formula, problem=problem)
    names = [node for node in nodes if isinstance(node, ast.Name)]
    if not names:
        raise FormulaError(text=formula, problem=f"{_WANTED}, and name at least one")
    names.sort(key=lambda node: (node.lineno, node.col_offset))
    return tuple(dict.fromkeys(node.id for node in names))


def value_of(formula: str, values: Mapping[str, float]) -> float:
    """Return what a formula comes to with these values of its parts.

    Raises
    ------
    FormulaError
        It is no plain arithmetic.
    ZeroDivisionError, OverflowError
        It has no value.

    Examples
    --------
    >>> value_of("R11 * (1 + R3 / R4)", {"R11": 5e5, "R3": 1e4, "R4": 1e4})
    1000000.0
    """
    part_names(formula)
    return _value(ast.parse(formula.strip(), mode="eval").body, values)


def output_ohm(formula: str, values: Mapping[str, float]) -> float:
    """Return the resistance of an output that is a plain resistor or divider.

    A sum of parts is a resistor; lower / (upper + lower) a divider, whose two parts
    stand in parallel to its output. 0 where the formula is neither, such as with a
    gain: an amplifier is taken to have none.

    Examples
    --------
    >>> output_ohm("R2 / (R1 + R2)", {"R1": 9e3, "R2": 1e3})
    900.0
    >>> output_ohm("RS1 + RS2", {"RS1": 1e3, "RS2": 2e3})
    3000.0
    >>> output_ohm("R11 * (1 + R3 / R4)", {"R11": 1e3, "R3": 1e3, "R4": 1e3})
    0.0
    """
    part_names(formula)
    body = ast.parse(formula.strip(), mode="eval").body
    parts = _in_series(body)
    if parts:
        return sum(values[name] for name in parts)
    if not (isinstance(body, ast.BinOp) and isinstance(body.op, ast.Div)):
        return 0.0
    lower, whole = _in_series(body.left), _in_series(body.right)
    if not lower or not set(lower) < set(whole):
        return 0.0
    lower_ohm, whole_ohm = (sum(values[name] for name in one) for one in (lower, whole))
    return lower_ohm * (whole_ohm - lower_ohm) / whole_ohm


def _in_series(node: ast.expr) -> tuple[str, ...]:
    """Return the parts of a sum of parts; none where it is something else."""
    match node:
        case ast.Name(id=name):
            return (name,)
        case ast.BinOp(left=left, op=ast.Add(), right=right):
            first, second = _in_series(left), _in_series(right)
            return (*first, *second) if first and second else ()
        case _:
            return ()


def shorten(text: str) -> str:
    """Return a text as far as a sentence can hold it."""
    return text if len(text) <= _LONGEST else f"{text[:_LONGEST]}..."


def _value(node: ast.expr, values: Mapping[str, float]) -> float:
    match node:
        case ast.Name(id=name):
            return values[name]
        case ast.Constant(value=int() | float() as number):
            return float(number)
        case ast.UnaryOp(op=op, operand=operand):
            one = _value(operand, values)
            return -one if isinstance(op, ast.USub) else one
        case ast.BinOp(left=left, op=op, right=right):
            first, second = _value(left, values), _value(right, values)
            if isinstance(op, ast.Add):
                return first + second
            if isinstance(op, ast.Sub):
                return first - second
            return first * second if isinstance(op, ast.Mult) else first / second
        case _:
            raise FormulaError(text=ast.unparse(node), problem=_WANTED)


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
