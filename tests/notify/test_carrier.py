"""Messages over real SMTP (aiosmtpd) and to a real HTTP receiver, on loopback."""

import asyncio
import email
import email.policy
import socket
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Any

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult, Envelope

from monitor.notify.carrier import Carrier, MailAccount, WebhookAddress
from monitor.simulation.receiver import Receiver


class Postbox:
    def __init__(self) -> None:
        self.letters: list[Envelope] = []
        self.answer = "250 OK"

    async def handle_DATA(self, server: Any, session: Any, envelope: Envelope) -> str:
        if self.answer.startswith("250"):
            self.letters.append(envelope)
        return self.answer


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as probe:
        return int(probe.getsockname()[1])


@pytest.fixture
def postbox() -> Iterator[tuple[Postbox, int]]:
    box, port = Postbox(), free_port()
    controller = Controller(box, hostname="127.0.0.1", port=port)
    controller.start()
    yield box, port
    controller.stop()


def account(port: int, **more: Any) -> MailAccount:
    return MailAccount("127.0.0.1", port, "none", "farpole@tarrow.example", ("jo@tarrow.example",), **more)


async def test_a_mail_arrives_as_plain_text(postbox: tuple[Postbox, int]) -> None:
    box, port = postbox
    assert (
        await Carrier({"mail": account(port)}).send("mail", "creek silent", "Größe: 3,5 Ω – see below\n\nline two")
        is None
    )
    (letter,) = box.letters
    parsed = email.message_from_bytes(letter.content or b"", policy=email.policy.default)
    assert parsed["Subject"] == "creek silent"
    assert parsed.get_content_type() == "text/plain"
    assert "Größe: 3,5 Ω – see below" in parsed.get_content()
    assert letter.rcpt_tos == ["jo@tarrow.example"]


async def test_a_refusal_is_told_with_its_reason(postbox: tuple[Postbox, int]) -> None:
    box, port = postbox
    box.answer = "451 4.3.0 try again later"
    why = await Carrier({"mail": account(port)}).send("mail", "x", "y")
    assert why is not None
    assert "451" in why
    assert box.letters == []


async def test_nobody_listening_is_told() -> None:
    why = await Carrier({"mail": account(free_port())}).send("mail", "x", "y")
    assert why is not None
    assert "refused" in why


async def test_a_file_goes_with_a_mail_and_words_go_without_it_where_it_is_gone(
    postbox: tuple[Postbox, int], tmp_path: Path
) -> None:
    box, port = postbox
    carrier, file = Carrier({"mail": account(port)}), tmp_path / "2026-10.pdf"
    file.write_bytes(b"%PDF-1.7 a review")
    assert await carrier.send("mail", "the review", "words", str(file)) is None
    assert await carrier.send("mail", "the review", "words", str(tmp_path / "gone.pdf")) is None
    first, second = (email.message_from_bytes(one.content or b"", policy=email.policy.default) for one in box.letters)
    [attached] = first.iter_attachments()
    assert (attached.get_filename(), attached.get_content()) == ("2026-10.pdf", b"%PDF-1.7 a review")
    assert list(second.iter_attachments()) == []


async def test_a_wrong_password_is_told_without_the_password() -> None:
    port = free_port()

    def nobody(*_: Any) -> AuthResult:
        return AuthResult(success=False, handled=False)

    controller = Controller(
        Postbox(), hostname="127.0.0.1", port=port, authenticator=nobody, auth_required=True, auth_require_tls=False
    )
    controller.start()
    try:
        why = await Carrier({"mail": account(port, user="farm", password="s3cret-pass")}).send("mail", "x", "y")
    finally:
        controller.stop()
    assert why is not None
    assert "535" in why
    assert "s3cret" not in why


async def test_an_unknown_account_is_told() -> None:
    assert await Carrier({}).send("phone", "x", "y") == "no account 'phone' among the secrets"


async def test_an_account_that_cannot_be_used_is_named_at_start() -> None:
    with pytest.raises(ValueError, match=r"secrets\.hook: a url begins with http"):
        Carrier({"hook": WebhookAddress("ftp://x/y")})


@pytest.fixture
async def receiver() -> AsyncIterator[tuple[list[tuple[str, str]], Receiver]]:
    took: list[tuple[str, str]] = []
    opened = Receiver(lambda title, body: took.append((title, body)))
    await opened.open()
    yield took, opened
    opened.close()


async def test_a_webhook_takes_title_and_message(receiver: tuple[list[tuple[str, str]], Receiver]) -> None:
    took, opened = receiver
    carrier = Carrier({"hook": WebhookAddress(f"http://127.0.0.1:{opened.port}/a/b")})
    assert await carrier.send("hook", "creek silent", "since 02:10") is None
    assert took == [("creek silent", "since 02:10")]


async def test_many_at_once_keep_their_reasons_apart(receiver: tuple[list[tuple[str, str]], Receiver]) -> None:
    took, opened = receiver
    carrier = Carrier({"good": WebhookAddress(f"http://127.0.0.1:{opened.port}/"), "bad": account(free_port())})
    answers = await asyncio.gather(*(carrier.send("good" if i % 2 else "bad", str(i), "x") for i in range(12)))
    assert [why is None for why in answers] == [bool(i % 2) for i in range(12)]
    assert len(took) == 6
