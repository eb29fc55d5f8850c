"""Finds where a program decides by a sentence: compares, searches or takes apart a field that holds text for people."""

import ast
from collections.abc import Iterator
from dataclasses import dataclass

TEXTS = frozenset(
    (
        *("text", "note", "reason", "words", "said", "detail", "why", "settled", "headline", "subject", "body"),
        *("sentence", "message", "meaning", "to_do", "look_first", "last_error"),
    )
)
"""Fields and variables of these names hold text for people."""
MADE_BY = frozenset(("say", "listed"))
LOOKS_INTO = frozenset(
    (
        *("startswith", "endswith", "find", "rfind", "index", "rindex", "count", "split", "rsplit", "splitlines"),
        *("partition", "rpartition", "removeprefix", "removesuffix"),
    )
)
SEARCHES = frozenset(("search", "match", "fullmatch", "findall", "finditer", "sub", "subn"))
KEEPS_IT_A_TEXT = frozenset(("lower", "upper", "strip", "lstrip", "rstrip", "casefold", "replace", "get"))
COMPARES = (ast.Eq, ast.NotEq, ast.In, ast.NotIn)
FUNCTIONS = (ast.FunctionDef, ast.AsyncFunctionDef, ast.Lambda)


@dataclass(frozen=True, slots=True)
class Decides:
    """A place that looks into a sentence."""

    function: str
    line: int
    code: str


def decides(source: str) -> Iterator[Decides]:
    """Every place of a file that decides by a sentence."""
    tree = ast.parse(source)
    yield from _inside(tree, "", frozenset())


def _inside(node: ast.AST, function: str, texts: frozenset[str]) -> Iterator[Decides]:
    for child in ast.iter_child_nodes(node):
        inner, known = function, texts
        if isinstance(child, ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef):
            inner = f"{function}.{child.name}".lstrip(".")
        if isinstance(child, FUNCTIONS):
            known = texts | _named_after_texts(child, texts)
        if _looks(child, known):
            yield Decides(inner, child.lineno, ast.unparse(child))  # type: ignore[attr-defined]  # expressions and matches have lines
        yield from _inside(child, inner, known)


def _named_after_texts(function: ast.AST, texts: frozenset[str]) -> frozenset[str]:
    """Variables of a function that are given a sentence, under whatever name."""
    found: set[str] = set()
    for node in ast.walk(function):
        pairs: list[tuple[ast.expr, ast.expr | None]] = []
        if isinstance(node, ast.Assign):
            pairs = [(target, node.value) for target in node.targets]
        elif isinstance(node, ast.AnnAssign | ast.NamedExpr):
            pairs = [(node.target, node.value)]
        for target, value in pairs:
            if isinstance(target, ast.Name) and value is not None and is_text(value, texts):
                found.add(target.id)
    return frozenset(found)


def is_text(node: ast.expr, texts: frozenset[str] = frozenset()) -> bool:
    """Does an expression hold text for people, as far as its names tell?"""
    match node:
        case ast.Attribute(attr=name):
            return name in TEXTS
        case ast.Name(id=name):
            return name in TEXTS or name in texts
        case ast.Subscript(slice=ast.Constant(value=str(name))):
            return name in TEXTS
        case ast.Subscript(value=value):
            return is_text(value, texts)
        case ast.Call(func=ast.Name(id="str"), args=[value]):
            return is_text(value, texts)
        case ast.Call(func=ast.Name(id="next"), args=[ast.GeneratorExp(elt=value), *_]):
            return is_text(value, texts)
        case ast.Call(func=ast.Name(id=name)):
            return name in MADE_BY
        case ast.Call(func=ast.Attribute(attr=name, value=value)) if name in KEEPS_IT_A_TEXT:
            return is_text(value, texts)
        case ast.IfExp(body=one, orelse=other):
            return is_text(one, texts) or is_text(other, texts)
        case ast.BoolOp(values=values):
            return any(is_text(value, texts) for value in values)
    return False


def _looks(node: ast.AST, texts: frozenset[str]) -> bool:
    match node:
        case ast.Compare(left=left, ops=ops, comparators=others):
            sides = list(zip([left, *others], ops, others, strict=False))
            return any(_compares(one, op, other, texts) for one, op, other in sides)
        case ast.Call(func=ast.Attribute(attr=name, value=value)) if name in LOOKS_INTO:
            return is_text(value, texts)
        case ast.Call(func=ast.Attribute(attr=name), args=args) if name in SEARCHES | {"split"}:
            return any(is_text(one, texts) for one in args)
        case ast.Match(subject=subject):
            return is_text(subject, texts)
    return False


def _compares(one: ast.expr, op: ast.cmpop, other: ast.expr, texts: frozenset[str]) -> bool:
    """Is one side a sentence, and the other not just nothing?"""
    nothing = any(isinstance(side, ast.Constant) and side.value in ("", None) for side in (one, other))
    if nothing or _is_member(one) or _is_member(other) or not isinstance(op, COMPARES):
        return False
    return is_text(one, texts) or is_text(other, texts)


def _is_member(node: ast.expr) -> bool:
    """A member of an enumeration, or several of them."""
    match node:
        case ast.Attribute(attr=name, value=ast.Name(id=of)):
            return name.isupper() and of[:1].isupper()
        case ast.Tuple(elts=parts):
            return all(map(_is_member, parts))
    return False
