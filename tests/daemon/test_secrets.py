from pathlib import Path

import pytest

from monitor.daemon.secrets import StreamLogin, load_secrets, needed, snmp_credentials, stream_logins
from monitor.devices.ask.snmp import Community
from monitor.plan.parts import Plan
from monitor.plan.text import NotRight

TEXT = """secrets:
  tarrow-switches: {kind: snmpv2c, community: very-secret-word}
  tarrow-owner-phone: {kind: webhook, url: "http://127.0.0.1:1/"}
  tarrow-owner-mail: {kind: mail, server: 127.0.0.1, sender: a@b.example, to: [c@d.example]}
"""


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "secrets.yaml"
    path.touch(0o600)
    path.write_text(TEXT, encoding="utf-8")
    return path


def test_a_file_that_only_its_owner_reads_is_taken(file: Path, tarrow: Plan) -> None:
    secrets = load_secrets(file, {}, needed(tarrow))
    assert snmp_credentials(tarrow, secrets) == {"switches": Community("very-secret-word")}


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o644, 0o660])
def test_a_file_that_others_may_read_is_refused_with_the_remedy(file: Path, mode: int, tarrow: Plan) -> None:
    file.chmod(mode)
    with pytest.raises(NotRight, match=rf"has mode {mode:04o}: others may read it. Run: chmod 600"):
        load_secrets(file, {}, needed(tarrow))


def test_systemd_credentials_may_be_group_readable(file: Path, tarrow: Plan, monkeypatch: pytest.MonkeyPatch) -> None:
    file.chmod(0o440)
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(file.parent))
    assert load_secrets(file, {}, needed(tarrow))


def test_the_environment_gives_a_secret_and_overrides_the_file(file: Path, tarrow: Plan) -> None:
    environment = {"FARPOLE_SECRET_TARROW_SWITCHES": "{kind: snmpv2c, community: other-word}"}
    secrets = load_secrets(file, environment, needed(tarrow))
    assert snmp_credentials(tarrow, secrets) == {"switches": Community("other-word")}


def test_missing_secrets_are_named_all_at_once(tarrow: Plan) -> None:
    with pytest.raises(NotRight) as caught:
        load_secrets(None, {}, needed(tarrow))
    assert len(caught.value.problems) == 3
    assert "secrets.tarrow-switches is missing" in str(caught.value)


def test_no_secret_shows_in_an_error_or_a_repr(file: Path, tarrow: Plan) -> None:
    assert "very-secret-word" not in repr(load_secrets(file, {}, needed(tarrow)))
    file.write_text(
        TEXT.replace("kind: snmpv2c,", "kind: snmpv2c, comunity:").replace("community: very", "very"), encoding="utf-8"
    )
    with pytest.raises(NotRight) as caught:
        load_secrets(file, {}, needed(tarrow))
    assert "very-secret-word" not in str(caught.value)


def test_a_file_that_is_not_there_is_said(tmp_path: Path, tarrow: Plan) -> None:
    with pytest.raises(NotRight, match="cannot be read: No such file"):
        load_secrets(tmp_path / "none.yaml", {}, needed(tarrow))


@pytest.mark.parametrize(
    ("kind", "basic"), [("rtsp-basic", True), ("rtsp-digest", False), ("snmpv2c", False), ("snmpv3", False)]
)
def test_only_the_plan_s_own_word_lets_a_camera_s_password_travel_in_clear(
    file: Path, tarrow: Plan, kind: str, basic: bool
) -> None:
    file.write_text(TEXT + '  cameras: {kind: rtsp, user: cam, password: "secret"}\n', encoding="utf-8")
    document = tarrow.model_dump(by_alias=True)
    document["credentials"]["cameras"] = {"kind": kind, "secret": "cameras"}
    plan = Plan.model_validate(document)
    login = stream_logins(plan, load_secrets(file, {}, needed(plan)))["cameras"]
    assert login == StreamLogin("cam", "secret", basic)
    assert "secret" not in repr(login)
