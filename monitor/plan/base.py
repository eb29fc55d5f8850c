"""What all parts of a plan share: how fields are read, the common kinds of values, metric or imperial."""

from collections.abc import Callable
from ipaddress import ip_address
from typing import Annotated, Any, ClassVar, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from monitor.facts.printable import one_line

Imperial = dict[str, tuple[str, Callable[[float], float]]]


class Part(BaseModel):
    """Anything in a plan: unknown fields are errors, and nothing changes after reading."""

    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        coerce_numbers_to_str=True,
        allow_inf_nan=False,
        str_strip_whitespace=True,
        populate_by_name=True,
    )
    imperial: ClassVar[Imperial] = {}

    @model_validator(mode="before")
    @classmethod
    def _one_line_each(cls, data: Any) -> Any:
        """Texts of a plan end up on pages, in messages and on terminals: each is one printable line."""
        return {name: _printable(value) for name, value in data.items()} if isinstance(data, dict) else data

    @model_validator(mode="before")
    @classmethod
    def _to_metric(cls, data: Any) -> Any:
        if not isinstance(data, dict) or not cls.imperial:
            return data
        data = dict(data)
        for name, (metric, convert) in cls.imperial.items():
            if name not in data:
                continue
            if metric in data:
                raise ValueError(f"has both {metric} and {name}; give one of them")
            value = data.pop(name)
            if isinstance(value, bool) or not isinstance(value, int | float):
                raise ValueError(f"{name} {value!r} is not a number")
            data[metric] = convert(value)
        return data


def _printable(value: Any) -> Any:
    if isinstance(value, str):
        return one_line(value)
    return [_printable(one) for one in value] if isinstance(value, list) else value


def _address(text: str) -> str:
    try:
        return str(ip_address(text))
    except ValueError:
        raise ValueError(f"{text!r} is not an IP address") from None


Address = Annotated[str, AfterValidator(_address)]
Name = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_.-]{0,62}$")]
Port = Annotated[int, Field(ge=1, le=65535)]
Language = Annotated[str, Field(pattern=r"^[a-z]{2,3}(_[A-Z]{2})?$")]
Vlan = Annotated[int, Field(ge=1, le=4094)]
Watts = Annotated[float, Field(ge=0, le=100_000)]
Volts = Annotated[float, Field(gt=0, le=1000)]
Metres = Annotated[float, Field(ge=0, le=200_000)]
Celsius = Annotated[float, Field(ge=-60, le=90)]
Severity = Literal["warning", "minor", "major", "critical"]
