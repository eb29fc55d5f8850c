"""The RTSP conversation without a socket, log-ins against the RFC's examples, and RTP's arithmetic."""

import contextlib
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.devices.decode.onvif import clock_s
from monitor.devices.decode.raw import Absent, Garbled
from monitor.devices.decode.rtp import Flow
from monitor.devices.decode.rtsp import Answer, Conversation, Media, video_track
from monitor.devices.decode.rtsp_login import Login, best_challenge

OK = b"RTSP/1.0 200 OK\r\nCSeq: 1\r\nContent-Length: 4\r\n\r\nbody"


def test_requests_are_numbered_and_carry_the_session() -> None:
    talk = Conversation()
    assert (
        talk.request("OPTIONS", "rtsp://c/") == b"OPTIONS rtsp://c/ RTSP/1.0\r\nCSeq: 1\r\nUser-Agent: farpole\r\n\r\n"
    )
    talk.session = "abc"
    assert b"CSeq: 2\r\n" in (second := talk.request("PLAY", "rtsp://c/"))
    assert b"Session: abc\r\n" in second


@given(st.lists(st.integers(1, 40), max_size=20))
def test_answers_and_media_come_apart_however_they_arrive(cuts: list[int]) -> None:
    stream = b"$\x00\x00\x03abc" + OK + b"$\x01\x00\x00" + OK
    talk, got, at = Conversation(), list[Answer | Media](), 0
    for cut in [*cuts, len(stream)]:
        got += talk.feed(stream[at : at + cut])
        at += cut
    assert [type(one).__name__ for one in got] == ["Media", "Answer", "Media", "Answer"]
    assert got[0] == Media(0, b"abc")
    assert isinstance(got[1], Answer)
    assert (got[1].status, got[1].body, got[1].number) == (200, b"body", 1)


@pytest.mark.parametrize(
    "data",
    [
        b"HTTP/1.1 200 OK\r\n\r\n",
        b"RTSP/1.0 abc\r\n\r\n",
        b"RTSP/1.0 200 OK\r\nContent-Length: 99999999\r\n\r\n",
        b"RTSP/1.0 200 OK\r\nContent-Length: -5\r\n\r\n",
        b"RTSP/" + b"x" * 20_000,
    ],
)
def test_what_is_no_rtsp_is_garbled(data: bytes) -> None:
    with pytest.raises(Garbled):
        list(Conversation().feed(data))


@given(st.binary(max_size=400))
def test_noise_does_no_harm(data: bytes) -> None:
    with contextlib.suppress(Garbled):
        list(Conversation().feed(data))


def test_digest_of_rfc_2617() -> None:
    """The worked example of RFC 2617 section 3.5, with its own client nonce in place of ours."""
    challenge = (
        'Digest realm="testrealm@host.com", qop="auth,auth-int", '
        'nonce="dcd98b7102dd2f0e8b11d0f600bfb0c093", opaque="5ccc069c403ebaf9f0171e9517f40e41"'
    )
    said = Login("Mufasa", "Circle Of Life", challenge, "0a4f113b").header("GET", "/dir/index.html")
    assert said is not None
    assert 'response="6629fae49393a05397450978507c4ef1"' in said
    assert 'opaque="5ccc069c403ebaf9f0171e9517f40e41"' in said


def test_basic_of_rfc_7617() -> None:
    login = Login("Aladdin", "open sesame", 'Basic realm="WallyWorld"', basic=True)
    assert login.header("OPTIONS", "rtsp://c/") == "Basic QWxhZGRpbjpvcGVuIHNlc2FtZQ=="


def test_nobody_is_told_our_name_unasked_and_digest_goes_before_basic() -> None:
    login = Login("user", "secret")
    assert login.header("OPTIONS", "rtsp://c/") is None
    assert "secret" not in repr(login)
    for basic in (False, True):
        taken = best_challenge(('Basic realm="a"', 'Digest realm="a", nonce="b"'), basic)
        assert taken is not None
        assert taken.startswith("Digest")
    with pytest.raises(Garbled):
        Login("user", "secret", "NTLM abc").header("OPTIONS", "rtsp://c/")


SDP = "v=0\r\nm=audio 0 RTP/AVP 0\r\na=control:a\r\nm=video 0 RTP/AVP 96\r\na=rtpmap:96 H264/90000\r\na=control:{}\r\n"


@pytest.mark.parametrize(
    ("control", "base", "where"),
    [
        ("trackID=1", "rtsp://c/main/", "rtsp://c/main/trackID=1"),
        ("trackID=1", "rtsp://c/main", "rtsp://c/main/trackID=1"),
        ("rtsp://c/other", "rtsp://c/main/", "rtsp://c/other"),
        ("*", "rtsp://c/main/", "rtsp://c/main/"),
    ],
)
def test_where_the_video_is_set_up(control: str, base: str, where: str) -> None:
    track = video_track(Answer(200, {"content-base": base}, SDP.format(control).encode()), "rtsp://c/main")
    assert (track.control, track.clock_hz, track.codec) == (where, 90_000, "H264")


def test_a_description_without_video_is_garbled() -> None:
    with pytest.raises(Garbled, match="no video"):
        video_track(Answer(200, {}, b"v=0\r\nm=audio 0 RTP/AVP 0\r\n"), "rtsp://c/")


def packet(number: int, timestamp: int = 0, source: int = 7, size: int = 100) -> bytes:
    return struct.pack(">BBHII", 0x80, 96, number & 0xFFFF, timestamp, source) + bytes(size)


def flow(*numbers: int) -> Flow:
    made = Flow()
    for number in numbers:
        made.take(packet(number))
    return made


@pytest.mark.parametrize(
    ("numbers", "lost"),
    [
        ([1, 2, 3, 4], 0.0),
        ([1, 3, 4], 0.25),
        ([65534, 65535, 0, 1], 0.0),  # it wraps after 2¹⁶
        ([65534, 1], 0.5),
        ([1, 3, 2, 4], 0.0),  # out of order is not lost
        ([1, 1, 2, 2], 0.0),  # nor is a packet that came twice a packet more
    ],
)
def test_loss_is_expected_less_received(numbers: list[int], lost: float) -> None:
    """RFC 3550 appendix A.3, with the extended sequence numbers of A.1."""
    assert flow(*numbers).lost_share == pytest.approx(lost)


def test_a_source_that_started_anew_is_no_loss() -> None:
    assert flow(100, 101, 40_000, 40_001).lost_share == 0.0


def test_frames_are_counted_by_their_time_and_strangers_apart() -> None:
    made = Flow()
    for number, timestamp in enumerate((0, 0, 6000, 6000, 12000)):
        made.take(packet(number, timestamp))
    made.take(packet(9, source=8))
    made.take(b"\x00\x01")
    made.take(struct.pack(">BBHII", 0x80, 200, 6, 0, 0))  # RTCP sender report
    assert (made.frames, made.packets, made.foreign) == (3, 5, 2)


@given(st.lists(st.binary(max_size=60), max_size=60))
def test_hostile_packets_do_no_harm(packets: list[bytes]) -> None:
    made = Flow()
    for one in packets:
        made.take(one)
    assert made.lost_share is None or 0 <= made.lost_share <= 1


SOAP = (
    '<s:Envelope xmlns:s="http://www.w3.org/2003/05/soap-envelope" xmlns:tt="http://www.onvif.org/ver10/schema"><s:Body>'
    "<tt:UTCDateTime><tt:Time><tt:Hour>9</tt:Hour><tt:Minute>5</tt:Minute><tt:Second>{}</tt:Second></tt:Time>"
    "<tt:Date><tt:Year>2026</tt:Year><tt:Month>11</tt:Month><tt:Day>25</tt:Day></tt:Date></tt:UTCDateTime>"
    "</s:Body></s:Envelope>"
)
FAULT = '<s:Envelope xmlns:s="x"><s:Body><s:Fault><s:Reason><s:Text>not authorised</s:Text></s:Reason></s:Fault></s:Body></s:Envelope>'  # noqa: E501  # one document


def test_a_cameras_clock() -> None:
    assert clock_s(SOAP.format(7).encode()) == 1_795_597_507.0  # date -u -d 2026-11-25T09:05:07Z +%s


def test_a_refusal_is_absent_and_nonsense_is_garbled() -> None:
    with pytest.raises(Absent, match="not authorised"):
        clock_s(FAULT.encode())
    for body in (b"", b"<a", SOAP.format("x").encode(), b"<!DOCTYPE a><a/>"):
        with pytest.raises(Garbled):
            clock_s(body)
