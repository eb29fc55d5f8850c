"""Catalogues of languages: ``languages/*.po``, those shipped and those beside the plan. The only place with Babel."""

from collections.abc import Mapping
from pathlib import Path
from string import Formatter

from monitor.daemon.files import shipped
from monitor.facts.words import Moment, Tongue
from monitor.plan.text import NotRight, Problem

_PATTERNS = {
    "time": "EEE d MMM HH:mm:ss '(UTC'xx')'",
    "short": "d MMM HH:mm:ss",
    "brief": "d MMM HH:mm",
    "minute": "d MMM y HH:mm",
    "date": "d MMM y",
    "month": "LLLL y",
}


MOST_OCTETS = 8 * 2**20
"""Of a catalogue; the shipped ones have some 300,000."""


def load_tongues(plan_file: Path) -> Mapping[str, Tongue]:
    """Language → tongue; a catalogue beside the plan goes before the shipped one. Raises NotRight with all errors."""
    files = {
        file.stem: file
        for folder in (shipped() / "languages", plan_file.parent / "languages")
        for file in sorted(folder.glob("*.po"))
    }
    large = [file for file in files.values() if file.is_file() and file.stat().st_size > MOST_OCTETS]
    if large:
        raise NotRight(Problem(1, "", f"is larger than {MOST_OCTETS} octets", str(file)) for file in large)
    return {name: tongue(file) for name, file in files.items()}


def tongue(file: Path) -> Tongue:
    """The language of a gettext catalogue, which is named after it (``de.po``, ``pt_BR.po``)."""
    try:  # heavy, an extra, and needed only where there is another language
        from babel import Locale, UnknownLocaleError
        from babel.dates import format_datetime
        from babel.messages.pofile import PoFileError, read_po
        from babel.numbers import get_decimal_symbol
    except ImportError:
        words = "another language needs the extra 'languages': sh deploy/install --with languages"
        raise NotRight([Problem(1, "", words, str(file))]) from None
    try:
        locale = Locale.parse(file.stem)
        with file.open("rb") as stream:
            catalogue = read_po(stream, abort_invalid=True)
    except (UnknownLocaleError, ValueError) as error:
        raise NotRight([Problem(1, "", f"no language is named {file.stem!r}: {error}", str(file))]) from None
    except (OSError, PoFileError) as error:
        raise NotRight([Problem(1, "", f"cannot be read as a catalogue: {error}", str(file))]) from None
    entries: dict[str, str] = {}
    problems = []
    for message in catalogue:
        if not isinstance(message.id, str) or not isinstance(message.string, str) or not message.string:
            continue
        if message.id and not message.fuzzy:
            entries[message.id] = message.string
            if fields(message.string) != fields(message.id):
                words = f"the values in {message.string!r} are not those in {message.id!r}"
                problems.append(Problem(message.lineno or 1, "msgstr", words, str(file)))
    if problems:
        raise NotRight(problems)

    def local(moment: Moment) -> str:
        return format_datetime(moment.local, _PATTERNS[moment.style], locale=locale)

    return Tongue(file.stem, lambda pattern: entries.get(pattern, pattern), get_decimal_symbol(locale), local)


def fields(pattern: str) -> set[str] | None:
    """The names of the values in a pattern; None where it is none.

    >>> sorted(fields("{value:.1f} V at {pole}") or ()), fields("{value")
    (['pole', 'value'], None)
    """
    try:
        return {name for _, name, _, _ in Formatter().parse(pattern) if name is not None}
    except ValueError:
        return None
