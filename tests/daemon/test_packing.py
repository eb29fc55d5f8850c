"""A farm in one file and back: whole, verified, with nothing taken from a file that is not what it says."""

import io
import tarfile
from pathlib import Path

import pytest

from monitor.daemon import packing
from monitor.daemon.lock import HISTORY
from monitor.facts.readings import Layout, Round, Slot, State
from monitor.history.records import Repair
from monitor.history.store import NotKept, Store

PASSPHRASE = "a long road home"
VOLTS = Slot("creek/switch", "input_volts")


@pytest.fixture
def farm(tmp_path: Path) -> Path:
    """A data directory with a day, a repair and a photo, and a plan with a datasheet, a language and secrets."""
    data, config = tmp_path / "data", tmp_path / "etc"
    for folder in (data / "photos", config / "datasheets", config / "languages"):
        folder.mkdir(parents=True)
    with Store(data / HISTORY) as store:
        one = Round.blank(Layout("creek/switch", "measure", (VOLTS,)), 1000.0, State.SILENT)
        one.put(0, 50.0)
        store.keep([one])
        store.repaired(Repair(1000.0, "creek", "jo", "cleaned"))
    (data / "photos" / "1000-creek.jpg").write_bytes(b"\xff\xd8\xff a joint")
    (config / "plan.yaml").write_text("site: {}\n")
    (config / "datasheets" / "mine.yaml").write_text("devices: {}\n")
    (config / "languages" / "de.po").write_text("")
    (config / "secrets.yaml").write_text("secrets: {creek: {kind: snmpv2c, community: hush}}\n")
    return tmp_path


def packed(farm: Path, passphrase: str = "") -> Path:
    secrets = (farm / "etc" / "secrets.yaml", passphrase) if passphrase else None
    packing.pack(farm / "data", farm / "etc" / "plan.yaml", secrets, farm / "farm.tar", 1e9)
    return farm / "farm.tar"


def restored(file: Path, farm: Path) -> Path:
    new = farm / "new"
    new.mkdir()
    packing.unpack(file, new, new / "plan", new / "before.sqlite")
    return new


def test_everything_comes_back_on_another_machine(farm: Path) -> None:
    file = packed(farm)
    assert file.stat().st_mode & 0o077 == 0
    new = restored(file, farm)
    with Store(new / HISTORY) as store:
        assert [one.text for one in store.repairs()] == ["cleaned"]
        assert len(store.readings(VOLTS, 0, 2000)) == 1
    assert (new / "photos" / "1000-creek.jpg").read_bytes() == b"\xff\xd8\xff a joint"
    assert (new / "plan" / "plan.yaml").read_text() == "site: {}\n"
    assert (new / "plan" / "datasheets" / "mine.yaml").exists()
    assert (new / "plan" / "languages" / "de.po").exists()


def test_secrets_are_in_it_only_if_asked_and_then_encrypted(farm: Path) -> None:
    assert b"hush" not in packed(farm).read_bytes()
    with pytest.raises(NotKept, match="holds no secrets"):
        packing.secrets_of(farm / "farm.tar", PASSPHRASE)
    (farm / "farm.tar").unlink()
    file = packed(farm, PASSPHRASE)
    assert b"hush" not in file.read_bytes()
    assert b"hush" in packing.secrets_of(file, PASSPHRASE)
    with pytest.raises(NotKept, match="does not open"):
        packing.secrets_of(file, PASSPHRASE + "!")


def test_a_short_passphrase_writes_nothing(farm: Path) -> None:
    with pytest.raises(NotKept, match="at least 12"):
        packed(farm, "short")
    assert not list(farm.glob("farm.tar*"))


def test_what_is_there_is_not_overwritten(farm: Path) -> None:
    file = packed(farm)
    (farm / "etc" / "plan.yaml").write_text("site: {name: newer}\n")
    packing.unpack(file, farm / "data", farm / "etc", farm / "before.sqlite")
    assert "newer" in (farm / "etc" / "plan.yaml").read_text()
    assert (farm / "etc" / "plan.yaml.restored").read_text() == "site: {}\n"
    assert (farm / "before.sqlite").exists()


@pytest.mark.parametrize("at", [0.3, 0.6, 0.95])
def test_a_damaged_file_is_refused_and_nothing_is_touched(farm: Path, at: float) -> None:
    file = packed(farm)
    octets = bytearray(file.read_bytes())
    where = int(at * len(octets.rstrip(b"\0")))
    octets[where : where + 64] = b"\xa5" * 64
    file.write_bytes(octets)
    before = (farm / "data" / HISTORY).read_bytes()
    with pytest.raises(NotKept):
        packing.unpack(file, farm / "data", farm / "etc", farm / "before.sqlite")
    assert (farm / "data" / HISTORY).read_bytes() == before


@pytest.mark.parametrize("name", ["../evil", "/tmp/evil", "photos/../../evil", "datasheets/.hidden", "evil.sh"])
def test_a_file_that_leads_elsewhere_is_refused(farm: Path, name: str) -> None:
    file = packed(farm)
    with tarfile.open(file, "a") as opened:
        member = tarfile.TarInfo(name)
        member.size = 4
        opened.addfile(member, io.BytesIO(b"evil"))
    with pytest.raises(NotKept, match="does not belong there"):
        restored(file, farm)


def test_a_link_is_no_file(farm: Path) -> None:
    file = packed(farm)
    with tarfile.open(file, "a") as opened:
        member = tarfile.TarInfo("photos/link.jpg")
        member.type, member.linkname = tarfile.SYMTYPE, "/etc/passwd"
        opened.addfile(member)
    with pytest.raises(NotKept, match="does not belong there"):
        restored(file, farm)
