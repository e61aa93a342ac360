"""Small changes of a module's source, one at a time, each of which a good test should notice.

Comparisons turned, conditions negated, `and` for `or`, numbers one off, statements left out, arguments swapped. What no run can see is left alone: texts,
annotations, docstrings; and what would be no change at all, such as two arguments swapped that are the same.
"""

from __future__ import annotations

import ast
import copy
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

_TURNED: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.Lt: ast.GtE,
    ast.GtE: ast.Lt,
    ast.Gt: ast.LtE,
    ast.LtE: ast.Gt,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
}


@dataclass(frozen=True, slots=True)
class Mutant:
    """`what`: where and how, of this mutant of the module alone, in words that do not change with the line number; `node`: which of the nodes that run."""

    line: int
    what: str
    node: int
    how: str

    def of(self, source: str) -> str:
        """The whole module with the change."""
        tree = ast.parse(source)
        node = list(_nodes(tree, "module"))[self.node].node
        _change(node, self.how)
        return ast.unparse(ast.fix_missing_locations(tree))


@dataclass(frozen=True, slots=True)
class _Place:
    """A node that runs: in which function, and the node that it is a part of."""

    node: ast.AST
    where: str
    parent: ast.AST


def mutants(source: str) -> list[Mutant]:
    """Every mutant of a module, in the order of its lines. One that reads like an earlier one has its number behind it."""
    found = []
    seen: Counter[str] = Counter()
    for index, place in enumerate(_nodes(ast.parse(source), "module")):
        for how in _ways(place.node):
            before, after = _before_and_after(place, how)
            if before == after:
                continue
            what = f"{place.where}: {before}  ->  {after}"
            seen[what] += 1
            number = f" ({seen[what]})" if seen[what] > 1 else ""
            found.append(Mutant(getattr(place.node, "lineno", 0), what + number, index, how))
    return sorted(found, key=lambda mutant: mutant.line)


def _before_and_after(place: _Place, how: str) -> tuple[str, str]:
    """What is changed, in one line each: a constant with what it is a part of, since alone it would say nothing."""
    shown = place.parent if isinstance(place.node, ast.Constant) else place.node
    number = list(ast.walk(shown)).index(place.node)
    copied = copy.deepcopy(shown)
    node = list(ast.walk(copied))[number]
    after = _change(node, how)
    return _first_line(shown), _first_line(after if node is copied else copied)


def _first_line(node: ast.AST) -> str:
    return ast.unparse(node).split("\n")[0]


def _nodes(node: ast.AST, where: str) -> Iterator[_Place]:
    """All nodes that run."""
    for field, value in ast.iter_fields(node):
        if field in ("annotation", "returns", "decorator_list", "type_comment"):
            continue
        for child in value if isinstance(value, list) else [value]:
            if not isinstance(child, ast.AST) or _is_seen_by_nobody(child):
                continue
            inside = child.name if isinstance(child, ast.FunctionDef | ast.ClassDef) else where
            yield _Place(child, inside, node)
            yield from _nodes(child, inside)


def _is_seen_by_nobody(node: ast.AST) -> bool:
    is_text = isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
    is_for_types = isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING"
    return is_text or is_for_types or isinstance(node, ast.Import | ast.ImportFrom | ast.JoinedStr)


def _ways(node: ast.AST) -> list[str]:
    """How this node can be changed."""
    match node:
        case ast.Compare(ops=[op]) if type(op) in _TURNED:
            return ["turned"]
        case ast.BoolOp():
            return ["and for or"]
        case ast.If() | ast.While() | ast.IfExp() if not isinstance(node.test, ast.Compare | ast.UnaryOp):
            return ["negated"]
        case ast.UnaryOp(op=ast.Not()):
            return ["without not"]
        case ast.Constant(value=bool()):
            return ["flipped"]
        case ast.Constant(value=int() | float()):
            return ["one more", "one less"]
        case ast.Expr(value=ast.Call()) | ast.Raise() | ast.Continue() | ast.Break() | ast.AugAssign():
            return ["left out"]
        case ast.Call(args=[first, second, *_]) if not isinstance(first, ast.Starred) and not isinstance(
            second, ast.Starred
        ):
            return ["arguments swapped"]
        case ast.Return(value=ast.expr()):
            return ["answers nothing"]
    return []


def _change(node: ast.AST, how: str) -> ast.AST:
    """Change the node in its place; answers what stands there now, for showing."""
    match node:
        case ast.Compare():
            node.ops = [_TURNED[type(node.ops[0])]()]
        case ast.BoolOp():
            node.op = ast.Or() if isinstance(node.op, ast.And) else ast.And()
        case ast.If() | ast.While() | ast.IfExp():
            node.test = ast.UnaryOp(ast.Not(), node.test)
        case ast.UnaryOp():
            node.op, node.operand = ast.Not(), ast.UnaryOp(ast.Not(), node.operand)
        case ast.Constant(value=bool()):
            node.value = not node.value
        case ast.Constant(value=int() | float() as number):
            node.value = number + (1 if how == "one more" else -1)
        case ast.Call():
            node.args[0], node.args[1] = node.args[1], node.args[0]
        case ast.Return():
            node.value = ast.Constant(None)
        case ast.stmt():
            _become_pass(node)
            return ast.Pass()
    return node


def _become_pass(node: ast.stmt) -> None:
    """Without its parent at hand, a statement is left out by becoming one that does nothing."""
    place = {"lineno": node.lineno, "col_offset": node.col_offset}
    node.__class__ = ast.Pass  # type: ignore[assignment]
    node.__dict__.clear()
    node.__dict__.update(place)
