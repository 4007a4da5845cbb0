"""Formulas that are data: plain arithmetic over names, and nothing else."""

import ast
from math import isfinite

from simpleeval import InvalidExpression, SimpleEval

from daemon.metrology.errors import FormulaError

_LONGEST_FORMULA = 200


def plain_arithmetic(formula: str) -> tuple[ast.Expression, tuple[str, ...]]:
    """Return a formula's tree and its part names.

    Parameters
    ----------
    formula : str
        Names, numbers, ``+ - * /`` and parentheses.

    Returns
    -------
    ast.Expression
        Holds nothing else, so that it may be compiled and evaluated.
    tuple of str
        The names in their order of first use.

    Raises
    ------
    FormulaError
        If the formula holds anything else, names nothing or is too long.

    Examples
    --------
    >>> plain_arithmetic("R4 / (R3 + R4)")[1]
    ('R4', 'R3')
    """
    if len(formula) > _LONGEST_FORMULA:
        raise FormulaError(
            formula=formula[:20] + "...",
            reason=f"longer than {_LONGEST_FORMULA} characters",
        )
    try:
        tree = ast.parse(formula.strip(), mode="eval")
        names = _names_in(tree, formula)
    except (SyntaxError, ValueError, RecursionError, InvalidExpression) as exc:
        raise FormulaError(
            formula=formula,
            reason="not plain arithmetic (+ - * / and parentheses) over part names",
        ) from exc
    if not names:
        raise FormulaError(formula=formula, reason="must name at least one part")
    return tree, names


def _names_in(tree: ast.Expression, formula: str) -> tuple[str, ...]:
    """Return the names, in order, of a tree that holds plain arithmetic alone.

    The safe evaluator visits every node with operators that compute nothing, so
    what it lets pass is safe whatever the part values are.
    """
    found: dict[str, None] = {}

    def note(node: ast.Name) -> float:
        found[node.id] = None
        return 1.0

    operators = (ast.Add, ast.Sub, ast.Mult, ast.Div, ast.UAdd, ast.USub)
    nodes = (ast.BinOp, ast.UnaryOp, ast.Name, ast.Constant)
    evaluator = SimpleEval(
        operators=dict.fromkeys(operators, _only_numbers), functions={}, names=note
    )
    evaluator.nodes = {kind: evaluator.nodes[kind] for kind in nodes}
    _only_numbers(evaluator.eval(formula, previously_parsed=tree.body))
    return tuple(found)


def _only_numbers(*operands: object) -> float:
    for operand in operands:
        if type(operand) not in (int, float) or not isfinite(operand):  # type: ignore[arg-type]
            message = f"{operand!r} is no number"
            raise InvalidExpression(message)
    return 1.0
