"""YAML text → a checked model, or every problem at once with its line, its field and a suggestion.

Used for the plan, the datasheets and the secrets file. The text is handed in; nothing here reads a disk.
"""

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any, TypeVar, get_args

from pydantic import BaseModel, ValidationError
from ruamel.yaml import YAML
from ruamel.yaml.comments import CommentedMap, CommentedSeq
from ruamel.yaml.error import MarkedYAMLError, YAMLError
from ruamel.yaml.events import AliasEvent, CollectionEndEvent, CollectionStartEvent, ScalarEvent

Path = tuple[str | int, ...]
Model = TypeVar("Model", bound=BaseModel)


@dataclass(frozen=True, slots=True, order=True)
class Problem:
    """One thing that is wrong in a file, and where."""

    line: int
    field: str
    message: str
    file: str = ""
    missing: bool = False
    """The field should be there and is not."""
    meant: str = ""
    """The field that is most probably meant by a name that is not known."""

    def __str__(self) -> str:
        where = f"{self.file}, line {self.line}" if self.file else f"line {self.line}"
        return f"{where}: {self.field} {self.message}" if self.field else f"{where}: {self.message}"


class NotRight(ValueError):
    """A file could not be taken; ``problems`` has all that is wrong with it."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(sorted(problems))
        super().__init__("\n".join(map(str, self.problems)))


def dotted(path: Sequence[str | int]) -> str:
    """A path as people write it.

    >>> dotted(("poles", 1, "fibre", "length_m"))
    'poles[1].fibre.length_m'
    """
    out = ""
    for step in path:
        out += f"[{step}]" if isinstance(step, int) else f".{step}" if out else step
    return out


MOST_CHARACTERS, DEEPEST = 2_000_000, 40
"""A plan of a thousand poles has some 600,000 characters, and nothing in it is nested deeper than seven."""


def _depth(text: str) -> int:
    """How deep brackets stand within brackets, about: those in comments and quotes are counted as well."""
    depth = deepest = 0
    for character in text:
        if character in "[{":
            depth += 1
            deepest = max(deepest, depth)
        elif character in "]}":
            depth = max(0, depth - 1)
    return deepest


_ALIAS = re.compile(r"(?:^|[\s\[{,])\*[^\s*]", re.MULTILINE)


def _unfolded(text: str) -> None:
    """Hold that what aliases stand for, each time it is named, stays small and ends; raises _Unbounded.

    YAML 1.2.2, section 7.1: an alias stands for the node of its anchor, with everything in it. Counted before anything
    is built: a mapping that is merged (``<<``) into many others is copied into each.
    """
    sizes, heights = dict[str, int](), dict[str, int]()
    open_nodes: list[tuple[str, int]] = []
    size, tops = 0, [0]
    for event in YAML(typ="rt").parse(text):
        line, anchor = event.start_mark.line + 1, getattr(event, "anchor", None) or ""
        if isinstance(event, AliasEvent):
            if anchor in [name for name, _ in open_nodes]:
                raise _Unbounded(line, f"*{anchor} stands within what it names")
            size += sizes.get(anchor, 0)
            tops[-1] = max(tops[-1], heights.get(anchor, 0))
        elif isinstance(event, CollectionStartEvent):
            open_nodes.append((anchor, size))
            size += 1
            tops.append(0)
        elif isinstance(event, CollectionEndEvent):
            name, before = open_nodes.pop()
            sizes[name], heights[name] = size - before, tops.pop() + 1
            tops[-1] = max(tops[-1], heights[name])
        elif isinstance(event, ScalarEvent):
            sizes[anchor], heights[anchor] = 1 + len(event.value), 0
            size += sizes[anchor]
        if size > MOST_CHARACTERS:
            raise _Unbounded(line, f"aliases (*name) make it larger than {MOST_CHARACTERS} characters")
        if len(open_nodes) + tops[-1] > DEEPEST:
            raise _Unbounded(line, f"aliases (*name) make it deeper than {DEEPEST} levels")


class _Unbounded(ValueError):
    """What aliases stand for has no end, or none that matters; line and words."""


def parse(text: str, file: str) -> CommentedMap:
    """The text as nodes that know their lines. Raises NotRight where it is no YAML mapping."""
    if len(text) > MOST_CHARACTERS or _depth(text) > DEEPEST:
        words = f"has more than {MOST_CHARACTERS} characters, or brackets within brackets deeper than {DEEPEST}"
        raise NotRight([Problem(1, "", words, file)])
    try:
        if _ALIAS.search(text):
            _unfolded(text)
        node = YAML(typ="rt").load(text)
    except _Unbounded as error:
        raise NotRight([Problem(error.args[0], "", error.args[1], file)]) from None
    except MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        problem = (error.problem or str(error)).splitlines()[0]
        raise NotRight([Problem(mark.line + 1 if mark else 1, "", f"{problem} (not readable as YAML)", file)]) from None
    except (YAMLError, ValueError, NotImplementedError, AttributeError, AssertionError, LookupError) as error:
        # The last four are what the library itself stumbles over, as comments where it does not expect any.
        raise NotRight([Problem(1, "", f"not readable as YAML: {error}", file)]) from None
    except TypeError:  # the library's own, where it would look such a name up
        words = "has a list or a mapping where a name should stand: a stray question mark or bracket before a colon"
        raise NotRight([Problem(1, "", words, file)]) from None
    except RecursionError:
        raise NotRight([Problem(1, "", "is nested deeper than anything in a plan", file)]) from None
    if not isinstance(node, CommentedMap):
        raise NotRight([Problem(1, "", "should be a list of `name: value` lines", file)])
    return node


def line_of(node: Any, path: Sequence[str | int]) -> int:
    """Line (from 1) of the last node on ``path`` that exists."""
    line = 1
    for step in path:
        if isinstance(node, CommentedMap):
            key = next((key for key in node if str(key) == str(step)), None)
            if key is not None:
                line, node = node.lc.key(key)[0] + 1, node[key]
        elif isinstance(node, CommentedSeq) and isinstance(step, int) and step < len(node):
            line, node = node.lc.item(step)[0] + 1, node[step]
    return line


def check(
    text: str,
    model: type[Model],
    file: str = "",
    meaning: Callable[[Model, bool], Iterable[tuple[Path, str]]] = lambda *_: (),
) -> Model:
    """Read ``text`` as ``model`` and check its meaning; raises NotRight with all problems at once.

    What is misspelt or out of range is set right for the second look, so that it does not hide what else is
    wrong; ``meaning`` is then told (True) not to judge values that nobody wrote.
    """
    node = parse(text, file)
    data = _plain(node)
    problems: list[Problem] = []
    checked: Model | None = None
    for _ in range(3):
        try:
            checked = model.model_validate(data)
            break
        except ValidationError as error:
            problems += [_problem(node, model, e, file) for e in error.errors()]
            _set_right(data, model, error)
    if checked is not None:
        problems += [
            Problem(line_of(node, path), dotted(path), message, file)
            for path, message in meaning(checked, bool(problems))
        ]
    if problems or checked is None:
        raise NotRight(_without_echoes(problems))
    return checked


def _without_echoes(problems: Iterable[Problem]) -> set[Problem]:
    """Without "is missing" where the field is there and only misspelt."""
    meant = {p.meant for p in problems if p.meant}
    return {p for p in problems if not (p.missing and p.field in meant)}


def _plain(node: Any) -> Any:
    if isinstance(node, CommentedMap):
        return {str(key): _plain(value) for key, value in node.items()}
    if isinstance(node, CommentedSeq):
        return [_plain(value) for value in node]
    return node


def _walk(data: Any, loc: Sequence[str | int]) -> Path:
    """The part of a pydantic location that exists in the file (it also names union members)."""
    path: list[str | int] = []
    for i, step in enumerate(loc):
        last = i == len(loc) - 1
        if isinstance(data, dict) and (step in data or last):
            path.append(step)
            data = data.get(step)
        elif isinstance(data, list) and isinstance(step, int):
            path.append(step)
            data = data[step] if step < len(data) else None
    return tuple(path)


def _problem(node: Any, model: type[BaseModel], error: Any, file: str) -> Problem:
    path = _walk(_plain(node), error["loc"])
    kind, close = error["type"], ""
    if kind == "extra_forbidden":
        close = _suggestion(model, error["loc"]) or ""
    meant = dotted((*path[:-1], close)) if close else ""
    return Problem(line_of(node, path), dotted(path), _words(model, error), file, kind == "missing", meant)


def _words(model: type[BaseModel], error: Any) -> str:
    kind, context = error["type"], error.get("ctx", {})
    given = error.get("input")
    if kind == "extra_forbidden":
        close = _suggestion(model, error["loc"])
        return f"is not known; did you mean {close}?" if close else "is not known"
    if kind == "missing":
        return "is missing"
    if kind == "union_tag_not_found":
        return "needs a `kind`"
    if kind in ("literal_error", "enum", "union_tag_invalid"):
        expected = context.get("expected") or context.get("expected_tags", "")
        tag = context.get("tag", given)
        words = _choices(expected)
        close = next(iter(get_close_matches(str(tag), words, 1, 0.5)), None)
        return f"{tag!r} is not one of {', '.join(words)}" + (f"; did you mean {close}?" if close else "")
    if kind in ("float_parsing", "float_type", "int_parsing", "int_type", "int_from_float"):
        return f"{given!r} is not a {'whole ' if kind.startswith('int') else ''}number"
    if kind == "value_error":
        return str(context.get("error", error["msg"]))
    bounds = {
        "greater_than": ("gt", "more than"),
        "greater_than_equal": ("ge", "at least"),
        "less_than": ("lt", "less than"),
        "less_than_equal": ("le", "at most"),
    }
    if kind in bounds:
        key, word = bounds[kind]
        return f"is {given}; it must be {word} {context[key]:g}"
    message = str(error["msg"])
    return message[0].lower() + message[1:]


def _choices(expected: str) -> list[str]:
    return [word.strip().strip("'") for word in expected.replace(" or ", ",").split(",")]


def _models_at(model: Any, loc: Sequence[str | int]) -> list[type[BaseModel]]:
    """Every model that may stand at ``loc``, union members and list items included."""
    found: list[type[BaseModel]] = [model]
    for step in loc:
        if isinstance(step, int):
            continue
        nested = [
            inner for one in found if step in one.model_fields for inner in _inside(one.model_fields[step].annotation)
        ]
        nested += [
            inner
            for one in found
            for name, field in one.model_fields.items()
            if field.alias == step
            for inner in _inside(one.model_fields[name].annotation)
        ]
        found = nested or found
    return found


def _inside(annotation: Any) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [inner for argument in get_args(annotation) for inner in _inside(argument)]


def _suggestion(model: type[BaseModel], loc: Sequence[str | int]) -> str | None:
    known: set[str] = set()
    for one in _models_at(model, loc[:-1]):
        known |= {field.alias or name for name, field in one.model_fields.items()}
        known |= set(getattr(one, "imperial", {}))
    return next(iter(get_close_matches(str(loc[-1]), sorted(known), 1, 0.6)), None)


def _set_right(data: Any, model: type[BaseModel], error: ValidationError) -> None:
    """Rename or drop unknown fields in ``data``, put the nearest allowed value for one that is not."""
    for one in error.errors():
        *above, name = list(_walk(data, one["loc"])) or [""]
        parent = data
        for step in above:
            parent = parent[step]
        if not (isinstance(parent, dict) and name in parent):
            continue
        if one["type"] == "extra_forbidden":
            value, close = parent.pop(name), _suggestion(model, one["loc"])
            if close and close not in parent:
                parent[close] = value
            continue
        context = one.get("ctx", {})
        if one["type"] == "literal_error":
            words = _choices(context["expected"])
            parent[name] = next(iter(get_close_matches(str(parent[name]), words, 1, 0.0)), words[0])
        elif one["type"] in ("float_parsing", "float_type", "int_parsing", "int_type", "int_from_float"):
            parent[name] = 1
        elif (bound := [context[key] for key in ("ge", "le") if key in context]) or (
            bound := [context[key] + by for key, by in (("gt", 1), ("lt", -1)) if key in context]
        ):
            parent[name] = bound[0]
