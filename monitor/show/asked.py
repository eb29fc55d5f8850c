"""Text of people on its way in: each field becomes one printable line before it is measured, kept or compared."""

from typing import Any, Final

from pydantic import BeforeValidator

from monitor.facts.printable import one_line


def as_line(value: Any) -> Any:
    """A text as one printable line; what is no text (a file in its place) is for the field itself to refuse."""
    return one_line(value) if isinstance(value, str) else value


ONE_LINE: Final = BeforeValidator(as_line)
