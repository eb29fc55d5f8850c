"""The reference of the plan: every field that its models know, with what it may be."""

import types
import typing
from collections.abc import Iterator
from typing import Any, Literal

from annotated_types import Ge, Gt, Le, Lt, MaxLen, MinLen
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from monitor.plan import parts
from monitor.plan.base import Part

_BOUNDS = {Ge: "≥ {.ge}", Gt: "> {.gt}", Le: "≤ {.le}", Lt: "< {.lt}"}
_PLAIN = {"str": "text", "int": "whole number", "float": "number", "bool": "true or false"}


def models() -> list[type[Part]]:
    """The parts of a plan, the plan itself first, each before what it is made of."""
    found = list(_below(parts.Plan))
    return list(dict.fromkeys(found))


def _below(model: type[Part]) -> Iterator[type[Part]]:
    yield model
    for field in model.model_fields.values():
        for one in _parts(field.annotation):
            yield from _below(one)


def _parts(kind: Any) -> Iterator[type[Part]]:
    if isinstance(kind, type) and issubclass(kind, Part):
        yield kind
    for inner in typing.get_args(kind):
        yield from _parts(inner)


def kind_of(kind: Any) -> str:
    """A type as people write it."""
    if kind is type(None):
        return ""
    origin, inner = typing.get_origin(kind), typing.get_args(kind)
    if origin is typing.Annotated:
        return kind_of(inner[0])
    if origin is Literal:
        return " or ".join(f"`{one}`" for one in inner)
    if origin in (typing.Union, types.UnionType):
        return " or ".join(filter(None, map(kind_of, inner)))
    if origin is list:
        return f"list of {kind_of(inner[0])}"
    if origin is dict:
        return f"{kind_of(inner[1])} by name"
    name = getattr(kind, "__name__", str(kind))
    if isinstance(kind, type) and issubclass(kind, Part):
        return f"[{name}](#{name.lower()})"
    return _PLAIN.get(name, name)


def _bounds(field: FieldInfo) -> str:
    said = [_BOUNDS[type(one)].format(one) for one in field.metadata if type(one) in _BOUNDS]
    said += [f"at least {one.min_length}" for one in field.metadata if isinstance(one, MinLen)]
    said += [f"at most {one.max_length}" for one in field.metadata if isinstance(one, MaxLen)]
    return ", ".join(said)


def _usual(field: FieldInfo) -> str:
    if field.is_required():
        return "must be said"
    value = field.get_default(call_default_factory=True)
    if value is None or value is PydanticUndefined or isinstance(value, Part):
        return ""
    return "none" if value in ([], {}) else f"`{value}`"


def reference() -> str:
    """A heading and a table for each part."""
    lines: list[str] = []
    for model in models():
        other = getattr(model, "imperial", {})
        lines += [f"### {model.__name__}", "", (model.__doc__ or "").strip().splitlines()[0], ""]
        lines += ["| field | what it may be | usual | |", "|---|---|---|---|"]
        for name, field in model.model_fields.items():
            twin = next((foreign for foreign, (own, _) in other.items() if own == name), "")
            shown = f"`{field.alias or name}`" + (f" or `{twin}`" if twin else "")
            bounds = _bounds(field)
            kind = kind_of(field.annotation) + (f", {bounds}" if bounds else "")
            lines.append(f"| {shown} | {kind} | {_usual(field)} | {field.description or ''} |")
        lines.append("")
    return "\n".join(lines).rstrip()
