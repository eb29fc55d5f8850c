"""A camera's password never leaves in clear unless the plan says so, whatever it asks for; over real sockets."""

import asyncio
import base64
import hashlib
import re
from dataclasses import dataclass, field

import pytest

from monitor.devices.ask.rtsp import Stream, look
from monitor.devices.decode.raw import Garbled
from monitor.devices.decode.rtp import Seen
from monitor.devices.decode.rtsp_login import Login, Refusal, best_challenge
from tests.devices.dripping import served

USER, PASSWORD = "cam", "Circle of Life"
BASIC = base64.b64encode(f"{USER}:{PASSWORD}".encode()).decode()
SDP = b"v=0\r\nm=video 0 RTP/AVP 96\r\na=control:track\r\n"
MD5 = 'Digest realm="camera", nonce="n1", algorithm=MD5, qop="auth"'
SHA = 'Digest realm="camera", nonce="n2", algorithm=SHA-256, qop="auth"'
OLD = 'Digest realm="camera", nonce="n3"'
"""As of RFC 2069: neither algorithm nor quality of protection."""


@dataclass
class Camera:
    """Asks for a log-in by these header lines, one list for each question; the last one for all that follow."""

    asks: list[list[str]]
    heard: list[str] = field(default_factory=list)
    lets_in: bool = True

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while True:
            head = (await reader.readuntil(b"\r\n\r\n")).decode()
            number = re.search(r"CSeq: (\d+)", head)
            assert number is not None
            lines = self.asks[min(len(self.heard), len(self.asks) - 1)]
            self.heard.append(head)
            body = SDP if head.startswith("DESCRIBE") else b""
            let_in = "Authorization" in head and self.lets_in
            status, more = ("200 OK", []) if let_in or not lines else ("401 Unauthorized", lines)
            asked = "".join(f"WWW-Authenticate: {line}\r\n" for line in more)
            writer.write(f"RTSP/1.0 {status}\r\nCSeq: {number[1]}\r\n{asked}".encode())
            writer.write(f"Content-Length: {len(body)}\r\n\r\n".encode() + body)
            await writer.drain()

    @property
    def said(self) -> list[str]:
        """The log-ins that came, without what stands around them."""
        return [found[1] for head in self.heard if (found := re.search(r"Authorization: (.*)\r", head))]


async def looked(camera: Camera, basic: bool = False) -> Seen:
    async with served(camera.serve) as port:
        return await look(Stream("127.0.0.1", port, "/main", USER, PASSWORD, basic), 0.0)


@pytest.mark.parametrize(
    "asks",
    [
        [['Basic realm="camera"']],
        [['BASIC realm="camera"']],
        [["Basic"]],
        [['basic realm="Digest"']],
        [[MD5], ['Basic realm="camera"']],  # first Digest, then, of the same question, in clear
        [[OLD.replace("Digest ", "Digest, Basic ")]],
    ],
)
async def test_a_camera_that_asks_for_the_password_in_clear_does_not_get_it(asks: list[list[str]]) -> None:
    camera = Camera(asks, lets_in=False)
    seen = await looked(camera)
    everything = "".join(camera.heard)
    assert BASIC not in everything
    assert PASSWORD not in everything
    assert seen.layer == "login", seen
    if len(asks) == 1:
        assert seen.refusal is Refusal.IN_CLEAR
        assert camera.said == []


async def test_where_the_plan_says_basic_it_is_given_and_still_not_before_digest() -> None:
    camera = Camera([['Basic realm="camera"']])
    assert (await looked(camera, basic=True)).broken == ""
    assert set(camera.said) == {f"Basic {BASIC}"}
    camera = Camera([['Basic realm="camera"', MD5]])
    assert (await looked(camera, basic=True)).broken == ""
    assert all(one.startswith("Digest ") for one in camera.said)


@pytest.mark.parametrize(
    ("lines", "algorithm"),
    [
        (['Basic realm="camera"', MD5], "MD5"),
        ([MD5, SHA], "SHA-256"),
        ([SHA, MD5], "SHA-256"),
        ([f"{MD5}, {SHA}"], "SHA-256"),  # RFC 9110 section 11.6.1: several in one line
        ([f'Basic realm="a, Digest realm=b", {MD5}'], "MD5"),
        ([MD5.replace("MD5", "NEWER-1"), MD5], "MD5"),
        ([OLD, SHA], "SHA-256"),
        ([SHA.replace("SHA-256", '"SHA-256"')], "SHA-256"),
        ([MD5.replace("MD5", "md5")], "md5"),
    ],
)
async def test_the_best_that_both_know_is_taken(lines: list[str], algorithm: str) -> None:
    """RFC 7616 section 3.7 lets the client's own policy decide: SHA-256 before MD5, Digest before Basic."""
    camera = Camera([lines])
    assert (await looked(camera)).broken == ""
    assert camera.said
    assert all(f"algorithm={algorithm}" in one for one in camera.said)


@pytest.mark.parametrize("line", [MD5.replace("MD5", "NEWER-1"), "Negotiate abc==", "Bearer", 'NTLM realm="x"'])
async def test_a_way_that_farpole_does_not_know_is_told_as_that(line: str) -> None:
    camera = Camera([[line]])
    seen = await looked(camera)
    assert (seen.layer, seen.refusal) == ("login", Refusal.UNKNOWN_WAY)
    assert camera.said == []


async def test_without_quality_of_protection_and_with_it_for_the_whole_message() -> None:
    """RFC 7616 section 3.4.1, and for "auth-int" 3.4.3: the hash of a body that is empty."""
    camera = Camera([[OLD]])
    assert (await looked(camera)).broken == ""
    assert all("qop" not in one and "nc=" not in one for one in camera.said)
    camera = Camera([[MD5.replace('"auth"', '"auth-int"')]])
    assert (await looked(camera)).broken == ""
    assert all("qop=auth-int" in one for one in camera.said)
    camera = Camera([[MD5.replace('"auth"', '"auth-int, auth"')]])
    assert (await looked(camera)).broken == ""
    assert all("qop=auth," in one for one in camera.said)


async def test_a_camera_that_always_asks_anew_is_not_answered_for_ever() -> None:
    camera = Camera([[MD5.replace("n1", f"n{i}")] for i in range(100)], lets_in=False)
    seen = await looked(camera)
    assert (seen.layer, seen.refusal) == ("login", Refusal.WRONG)
    assert len(camera.heard) == 2


async def test_a_new_nonce_is_counted_from_one_again() -> None:
    """RFC 7616 section 3.4: nc counts the requests that were sent with this nonce."""
    login = Login(USER, PASSWORD)
    login.challenge = MD5
    assert [re.findall("nc=(\\w+)", login.header("GET", "/") or "") for _ in range(2)] == [["00000001"], ["00000002"]]
    login.challenge = MD5.replace("n1", "n9")
    assert "nc=00000001" in (login.header("GET", "/") or "")


def test_digest_of_rfc_7616_with_both_algorithms() -> None:
    """The worked example of RFC 7616 section 3.9.1: its nonce, client nonce and responses."""
    realm = 'realm="http-auth@example.org", qop="auth, auth-int", '
    nonce = (
        'nonce="7ypf/xlj9XXwfDPEoM4URrv/xwf94BcCAzFZH4GiTo0v", opaque="FQhe/qaU925kfnzjCev0ciny7QMkPqMAFRtzCUYo5tdS"'
    )
    for algorithm, response in (
        ("SHA-256", "753927fa0e85d155564e2e272a28d1802ca10daf4496794697cf8db5856cb6c1"),
        ("MD5", "8ca523f5e9506fed4657c9700eebdbec"),
    ):
        challenge = f"Digest {realm}algorithm={algorithm}, {nonce}"
        client = "f2/wE4q74E6zIJEtWaHKaf5wv/H5QzzpXusqGemxURZJ"
        said = Login("Mufasa", "Circle of Life", challenge, client).header("GET", "/dir/index.html")
        assert said is not None
        assert f'response="{response}"' in said


def test_auth_int_by_hand() -> None:
    """RFC 7616 sections 3.4.1 and 3.4.3, put together here once more with the standard library alone."""

    def h(said: str) -> str:
        return hashlib.md5(said.encode(), usedforsecurity=False).hexdigest()

    said = Login("u", "p", MD5.replace('"auth"', '"auth-int"'), "c").header("DESCRIBE", "rtsp://c/")
    assert said is not None
    asked = h("DESCRIBE:rtsp://c/:" + h(""))
    assert f'response="{h(h("u:camera:p") + ":n1:00000001:c:auth-int:" + asked)}"' in said


def test_a_log_in_by_itself_refuses_as_well() -> None:
    """Whoever calls it: the rule stands where the header is made."""
    for challenge in ('Basic realm="a"', "Bearer x"):
        with pytest.raises(Garbled):
            Login("user", "secret", challenge).header("OPTIONS", "rtsp://c/")
    assert best_challenge((), basic=False) is None
