"""The catalogue of all sentences for people: ``python -m tests.house.docs`` writes config/languages/farpole.pot."""

import ast
import io
from collections.abc import Iterator
from pathlib import Path
from string import Formatter

from babel.messages import Catalog
from babel.messages.pofile import write_po
from jinja2.ext import babel_extract

from monitor.alarms.advice import ADVICE, GROUPS
from monitor.alarms.book import What
from monitor.alarms.checks import CHECKS
from monitor.alarms.inventory import INVENTORY
from monitor.alarms.messages import title
from monitor.alarms.signs import SIGNS
from monitor.alarms.states import Operator, Severity
from monitor.facts.quantities import QUANTITIES
from monitor.margins.judge import Standing
from monitor.plan.parts import Load

ROOT = Path(__file__).parents[2]
POT = ROOT / "config" / "languages" / "farpole.pot"
SHOWN = (
    "the plan",
    "silent",
    "answers",
    "not seen",
    "no value",
    "absent",
    "garbled",
    "up",
    "down",
    "open",
    "refused",
    "not asked",
)
LAYERS = ("watts", "link", "address", "ping", "connection", "delivering", "off", "no device", "fault", "test")
TABLES = "tables of the alarms"
HEAD = """# Sentences of farpole. Values stand in braces and stay as they are.
msgid ""
msgstr "Content-Type: text/plain; charset=UTF-8\\n"
"""


class Unknown(AssertionError):
    """A call whose sentence cannot be read from the text of the program."""


def of_code(file: Path) -> Iterator[tuple[str, int]]:
    """The sentences of one file: what ``say`` is called with, or what a reader of messages is."""
    text = file.read_text(encoding="utf-8")
    if "from monitor.facts.words import" not in text and file.name != "words.py":
        return
    tree = ast.parse(text)
    for around in ast.walk(tree):
        if not isinstance(around, ast.FunctionDef | ast.AsyncFunctionDef | ast.Module | ast.ClassDef):
            continue
        named: dict[str, list[str]] = {}
        for node in ast.walk(around):
            if isinstance(node, ast.Assign) and isinstance(node.value, ast.Constant):
                for target in node.targets:
                    if isinstance(target, ast.Name) and isinstance(node.value.value, str):
                        named.setdefault(target.id, []).append(node.value.value)
        for call in _own_calls(around):
            yield from _of_call(call, named, file)


def _own_calls(around: ast.AST) -> Iterator[ast.Call]:
    """Calls in a function or class, not those of functions within it."""
    for child in ast.iter_child_nodes(around):
        if isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
            continue
        if isinstance(child, ast.Call):
            yield child
        yield from _own_calls(child)


def _of_call(call: ast.Call, named: dict[str, list[str]], file: Path) -> Iterator[tuple[str, int]]:
    function = call.func.id if isinstance(call.func, ast.Name) else ""
    if function not in ("say", "said") or not call.args:
        return
    for given in _branches(call.args[0]):
        if isinstance(given, ast.Constant) and isinstance(given.value, str):
            yield given.value, given.lineno
        elif isinstance(given, ast.Name) and given.id in named:
            yield from ((text, given.lineno) for text in named[given.id])
        elif function == "say" and not (ast.unparse(given).endswith(".pattern") or ast.unparse(given) in WORDS_OF):
            raise Unknown(f"{file}:{call.lineno}: say({ast.unparse(given)}): its sentence cannot be found")


def _branches(given: ast.expr) -> list[ast.expr]:
    return [given.body, given.orelse] if isinstance(given, ast.IfExp) else [given]


WORDS_OF = frozenset(
    (
        "pattern",
        "getattr(self, name)",
        "line",
        "self.seen",
        "self.unseen",
        "self.words",
        "margin.standing.value",
        "one.standing.value",
        "alarm.severity.value",
        "severity",
        "name",
        "broken",
        "f.what",
        "f.type",
        "f.severity",
        "alarm_type.removeprefix('pole-').removeprefix('head-end-').replace('-', ' ')",
    )
)
"""Words of fixed sets, which ``of_tables`` lists."""


def of_tables() -> Iterator[str]:
    """The sentences and words that stand in tables."""
    for one in ADVICE.values():
        yield from (one.words, one.look_first, *one.van_list, *one.cautions)
    yield from GROUPS.values()
    for kind in INVENTORY.values():
        yield from (title(kind.name), kind.meaning, kind.to_do, kind.name.replace("-", " "))
    for sign in SIGNS.values():
        yield from (sign.seen, sign.unseen)
    yield from (check.words for check in CHECKS)
    yield from (one.value for enum in (Severity, Operator, Standing) for one in enum)
    yield from What.__args__  # type: ignore[attr-defined]  # a Literal's words
    yield from (*SHOWN, *LAYERS)
    yield from Load.model_fields["kind"].annotation.__args__  # type: ignore[union-attr]  # the same
    yield from (quantity.replace("_", " ") for quantity in QUANTITIES)


def of_templates() -> Iterator[tuple[str, str, int]]:
    """The sentences of the templates: file, sentence, line."""
    for file in sorted((ROOT / "monitor/show/templates").glob("*.html")):
        stream = io.BytesIO(file.read_bytes())
        for line, _, said, _ in babel_extract(stream, ["say"], [], {"trim_blocks": "true", "lstrip_blocks": "true"}):
            text = said if isinstance(said, str) else (said or ("",))[0]
            if text:
                yield f"monitor/show/templates/{file.name}", text, line


def _has_words(pattern: str) -> bool:
    """Is there anything to translate beside the values?"""
    return any(character.isalpha() for part, *_ in Formatter().parse(pattern) for character in part)


def catalogue() -> str:
    """The template of a language, as gettext's tools read it."""
    made = Catalog()
    for text in of_tables():
        if str(text):
            made.add(str(text), locations=[(TABLES, 0)])
    for file in sorted((ROOT / "monitor").rglob("*.py")):
        for text, _ in of_code(file):
            if _has_words(text):
                made.add(text, locations=[(str(file.relative_to(ROOT)), 0)])
    for name, text, _ in of_templates():
        made.add(text, locations=[(name, 0)])
    out = io.BytesIO()
    write_po(out, made, sort_output=True, omit_header=True, include_lineno=False, width=0)
    return f"{HEAD}\n{out.getvalue().decode()}"
