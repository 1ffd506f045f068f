"""Small wrong changes to a module: one operator, comparison, condition or number at a time.

Messages, docstrings and annotations are left alone; so is what a call says for a case that never comes: that its parts
are equally long (`strict`), what stands in for an empty array (`initial`); and how the rows of a table are numbered,
which no answer shows.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import dataclass

_COMPARISONS: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE,
    ast.LtE: ast.Lt,
    ast.Gt: ast.GtE,
    ast.GtE: ast.Gt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
}
_OPERATORS: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
}
_NEVER_SEEN = ("strict", "initial", "ignore_index", "as_index")
_SIGNS = (ast.USub, ast.Not, ast.Invert)


@dataclass(frozen=True)
class Mutant:
    """One change: its line and those of its statement, whether they stand in a function, what stood there, what stands
    there now, and the whole module with it.
    """

    line: int
    lines: range
    in_function: bool
    before: str
    after: str
    module: str


def mutants(source: str) -> list[Mutant]:
    """Every mutant of a module, in the order of its lines."""
    tree = ast.parse(source)
    alone = {id(inner) for node in ast.walk(tree) for part in _left_alone(node) for inner in ast.walk(part)}
    lines, inside = _lines(tree), {id(inner) for body in _bodies(tree) for inner in ast.walk(body)}
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.expr) and id(node) not in alone:
            where = lines.get(id(node), range(node.lineno, (node.end_lineno or node.lineno) + 1))
            for changed in _changes(node):
                after = ast.unparse(changed)
                module = _with(source, node, after)
                found.append(Mutant(node.lineno, where, id(node) in inside, ast.unparse(node), after, module))
    return sorted(found, key=lambda mutant: mutant.line)


def _bodies(tree: ast.AST) -> Iterator[ast.stmt]:
    """Statements of the functions."""
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef):
            yield from node.body


def _lines(tree: ast.AST) -> dict[int, range]:
    """Lines of the statement in which each expression stands, where the statement holds no other."""
    return {
        id(inner): range(node.lineno, (node.end_lineno or node.lineno) + 1)
        for node in ast.walk(tree)
        if isinstance(node, ast.stmt) and not hasattr(node, "body")
        for inner in ast.walk(node)
    }


def _left_alone(node: ast.AST) -> Iterator[ast.AST]:
    if isinstance(node, ast.JoinedStr):
        yield node
    if isinstance(node, ast.keyword) and node.arg in _NEVER_SEEN:
        yield node.value
    if isinstance(node, (ast.FunctionDef, ast.ClassDef)):
        yield from node.decorator_list
    if isinstance(node, ast.arg | ast.AnnAssign) and node.annotation:
        yield node.annotation
    if isinstance(node, ast.FunctionDef) and node.returns:
        yield node.returns


def _changes(node: ast.expr) -> Iterator[ast.expr]:
    if isinstance(node, ast.Compare) and type(node.ops[0]) in _COMPARISONS:
        yield ast.Compare(node.left, [_COMPARISONS[type(node.ops[0])](), *node.ops[1:]], node.comparators)
    elif isinstance(node, ast.BinOp) and type(node.op) in _OPERATORS:
        yield ast.BinOp(node.left, _OPERATORS[type(node.op)](), node.right)
    elif isinstance(node, ast.BoolOp):
        yield ast.BoolOp(ast.And() if isinstance(node.op, ast.Or) else ast.Or(), node.values)
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, _SIGNS):
        yield node.operand
    elif isinstance(node, ast.IfExp):
        yield ast.IfExp(node.test, node.orelse, node.body)
    elif isinstance(node, ast.Constant) and type(node.value) in (int, float):
        yield ast.Constant(node.value + 1)
    elif isinstance(node, ast.Constant) and isinstance(node.value, bool):
        yield ast.Constant(not node.value)


def _with(source: str, node: ast.expr, text: str) -> str:
    """The module with `text` in the place of a node; columns are counted in UTF-8, as `ast` does."""
    lines = source.encode().splitlines(keepends=True)
    first, last = node.lineno - 1, (node.end_lineno or node.lineno) - 1
    head, tail = lines[first][: node.col_offset], lines[last][node.end_col_offset :]
    lines[first : last + 1] = [head + f"({text})".encode() + tail]
    return b"".join(lines).decode()
