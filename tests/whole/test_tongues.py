"""Everything that people read, in a language of capitals: what stays in small letters did not go by the catalogue."""

import re
from pathlib import Path

import pytest
from babel.messages.catalog import Catalog
from babel.messages.pofile import read_po, write_po

from monitor.alarms.messages import letter, proof, reader_of
from monitor.daemon.desk import Desk
from monitor.daemon.tongues import load_tongues, tongue
from monitor.facts.words import say
from monitor.plan.datasheets import Sheets
from monitor.plan.parts import Plan
from monitor.plan.text import NotRight
from monitor.show.door import Visitor
from monitor.show.pages import Pages
from monitor.simulation.faults import Fault
from tests.house.catalogue import POT
from tests.whole.fast import FastFarm

pytestmark = pytest.mark.whole
START_S = 1_770_000_000.0


def capitals(pattern: str) -> str:
    """A sentence in capitals; the values in it stay."""
    return "".join(part if part.startswith("{") else part.upper() for part in re.split(r"(\{[^}]*\})", pattern))


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A plan's folder with a catalogue of German in capitals."""
    made, german = tmp_path_factory.mktemp("site"), Catalog(locale="de")
    (made / "languages").mkdir()
    with POT.open("rb") as file:
        for message in read_po(file):
            if message.id:
                german.add(message.id, capitals(str(message.id)))
    with (made / "languages" / "de.po").open("wb") as out:
        write_po(out, german, width=0)
    return made


def small_words(text: str, plan: Plan) -> set[str]:
    """Words in small letters that are not the plan's own, nor a unit or a day's or month's name."""
    own = set(re.findall(r"\w+", str(plan.model_dump())))
    units = {"dBm", "dB", "mA", "ms", "min", "km", "Wh", "farpole"}
    times = {"Feb", "Februar", "Mo", "Di", "Mi", "Do", "Fr", "Sa", "So"}
    text = re.sub(r"\b\w+/(load|port|optic)/", "", text)  # names of resources
    return {word for word in re.findall(r"\w*[a-zäöü]{2,}\w*", text) if word not in own | units | times}


async def farm_with(plan: Plan, sheets: Sheets, folder: Path, fault: str, pole: str) -> FastFarm:
    data = plan.model_dump()
    data["site"]["language"] = "de"
    data["rounds"]["hold_s"] = 0
    german = Plan.model_validate(data)
    farm = FastFarm(german, sheets, 1, START_S, load_tongues(folder / "plan.yaml"))
    at_s = START_S
    for _ in range(40):
        at_s += 600
        await farm.at(at_s)
    farm.world.faults = [Fault(fault, pole, at_s + 30)]
    for _ in range(12):
        at_s += 60
        await farm.at(at_s)
    farm.world.faults = []
    for _ in range(4):
        at_s += 60
        await farm.at(at_s)
    return farm


@pytest.mark.parametrize(
    ("fault", "pole"),
    [("feeder-open", "yards"), ("fibre-cut", "creek"), ("camera-hung", "yards"), ("port-short", "yards")],
)
async def test_no_message_has_a_word_that_is_not_of_the_readers_language(
    tarrow: Plan, sheets: Sheets, folder: Path, fault: str, pole: str
) -> None:
    farm = await farm_with(tarrow, sheets, folder, fault, pole)
    plan, design = farm.memory.plan, farm.memory.design
    assert farm.kept.messages, "somebody was told"
    readers = [reader_of(person, plan, design.zone, design.tongues) for person in plan.callouts]
    mine = [
        *farm.kept.messages,
        letter(farm.kept.changes, farm.memory.book.raised(), readers[-1], farm.clock.wall_s()),
        *(proof(reader, farm.clock.wall_s()) for reader in readers),
    ]
    for one in mine:
        assert small_words(f"{one.subject}\n{one.body}", plan) == set(), one.body


async def test_no_page_has_a_word_that_is_not_of_the_sites_language(tarrow: Plan, sheets: Sheets, folder: Path) -> None:
    farm = await farm_with(tarrow, sheets, folder, "feeder-open", "yards")
    farm.world.faults = [Fault("fibre-cut", "creek", farm.clock.wall_s() + 1)]
    for i in range(1, 5):
        await farm.at(farm.clock.wall_s() + 60 * i)
    desk = Desk(farm.clock, "1.0")
    desk.opened(farm.rounds)
    pages = Pages(desk)
    jo = Visitor("", "operator", "")
    for page in (pages.site(jo), pages.alarms(jo)):
        text = re.sub(r"(?s)<(script|style).*?</\1>|<[^>]*>", " ", bytes(page.body).decode())
        assert small_words(text, farm.memory.plan) == set(), text


def test_a_catalogue_with_another_value_in_it_is_refused_with_its_line(tmp_path: Path) -> None:
    file = tmp_path / "de.po"
    file.write_text('msgid "{watts:.1f} W"\nmsgstr "{wats:.1f} W"\n')
    with pytest.raises(NotRight, match="the values in"):
        tongue(file)
    named = tmp_path / "klingon.po"
    named.write_text("")
    with pytest.raises(NotRight, match="no language is named 'klingon'"):
        tongue(named)


def test_numbers_and_times_are_written_as_the_language_writes_them(folder: Path) -> None:
    german = load_tongues(folder / "plan.yaml")["de"]
    assert german.say(say("last volts at the pole: {volts:.1f} V", volts=43.25)) == "LAST VOLTS AT THE POLE: 43,2 V"
