"""Nothing is kept of a photo but what can be seen. Made and read back by Pillow; tags by Exif 2.32 (CIPA DC-008)."""

import io
import random
import struct
import time
import zlib
from contextlib import suppress
from pathlib import Path
from typing import cast

import pytest
from PIL import Image, PngImagePlugin

from monitor.daemon.clock import HandClock
from monitor.daemon.keeper import Keeper
from monitor.daemon.rounds import Rounds
from monitor.daemon.standing import AtThePole
from monitor.show.photo import NotAPhoto, drawn_anew
from monitor.show.ports import Refused

GPS_IFD, GPS_LATITUDE, ARTIST, ORIENTATION = 0x8825, 2, 0x013B, 0x0112
SECRET = b"a name and a place"


def jpeg(size: tuple[int, int] = (400, 300), orientation: int = 1) -> bytes:
    """Red on the left, blue on the right, with a place, a name, a comment, and something behind its end."""
    made = Image.new("RGB", size, (200, 0, 0))
    made.paste((0, 0, 200), (size[0] // 2, 0, *size))
    exif = made.getexif()
    exif[ARTIST], exif[ORIENTATION] = SECRET.decode(), orientation
    exif.get_ifd(GPS_IFD)[GPS_LATITUDE] = (36.0, 0.0, 0.0)
    written = io.BytesIO()
    made.save(written, "JPEG", exif=exif, comment=SECRET, quality=90)
    return written.getvalue() + b"<script>" + SECRET


def png() -> bytes:
    made, text, written = Image.new("RGBA", (64, 48), (0, 160, 0, 255)), PngImagePlugin.PngInfo(), io.BytesIO()
    text.add_text("Author", SECRET.decode())
    made.save(written, "PNG", pnginfo=text)
    return written.getvalue()


async def test_place_names_comments_and_what_hangs_on_are_gone() -> None:
    for given in (jpeg(), png()):
        assert SECRET in given
        made = await drawn_anew(given)
        assert SECRET not in made
        assert b"<script>" not in made
        with Image.open(io.BytesIO(made)) as seen:
            assert (seen.format, dict(seen.getexif()), seen.info.get("comment")) == ("JPEG", {}, None)


async def test_it_stands_upright_and_shows_the_same() -> None:
    """Orientation 6: the camera was turned; what it wrote as left is above (Exif 2.32, 4.6.4)."""
    with Image.open(io.BytesIO(await drawn_anew(jpeg(orientation=6)))) as seen:
        assert seen.size == (300, 400)
        above, below = seen.getpixel((150, 40)), seen.getpixel((150, 360))
        assert isinstance(above, tuple)
        assert isinstance(below, tuple)
        assert above[0] > 150 > above[2]
        assert below[2] > 150 > below[0]


async def test_a_large_one_becomes_small_enough_for_a_page() -> None:
    with Image.open(io.BytesIO(await drawn_anew(jpeg((8000, 6000))))) as seen:
        assert seen.size == (2560, 1920)


def bomb(width: int, height: int) -> bytes:
    """A PNG of a few kilobytes that says it has so many pixels (ISO/IEC 15948)."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    pressed = zlib.compressobj(9)
    body = pressed.compress(bytes(2**20) * 8) + pressed.flush()
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", body) + chunk(b"IEND", b"")


@pytest.mark.parametrize(
    "given",
    [
        b"",
        b"\xff\xd8\xff and no more",
        b"GIF89a" + bytes(200),
        b"<svg xmlns='http://www.w3.org/2000/svg'/>",
        b"%PDF-1.4",
        bomb(30_000, 30_000),
        bomb(2**31 - 1, 2**31 - 1),
        jpeg()[:900],
    ],
    ids=["empty", "begun", "GIF", "SVG", "PDF", "900 million pixels", "without end", "cut"],
)
async def test_what_is_no_photo_is_refused_soon(given: bytes) -> None:
    began_s = time.monotonic()
    with pytest.raises(NotAPhoto):
        await drawn_anew(given)
    assert time.monotonic() - began_s < 10


def test_damage_anywhere_is_a_photo_or_none() -> None:
    """By the work itself: whatever the decoder raises ends in a refusal, and a photo that comes is one."""
    from monitor.show.photo import redrawn

    chance, whole = random.Random(1), jpeg((64, 48))
    for _ in range(300):
        hit = bytearray(whole)
        for _ in range(8):
            hit[chance.randrange(len(hit))] = chance.randrange(256)
        made = b""
        with suppress(Exception):  # the process that does this takes whatever is raised for a refusal
            made = redrawn(bytes(hit))
        if made:
            with Image.open(io.BytesIO(made)) as seen:
                assert seen.format == "JPEG"


async def test_two_of_one_second_stay_beside_each_other(tmp_path: Path) -> None:
    clock = HandClock()
    standing = AtThePole(cast(Rounds, None), cast(Keeper, None), clock, tmp_path)
    names = [await standing._put("creek", clock.wall_s(), one) for one in (jpeg(), png())]
    assert len(set(names)) == 2
    assert all(standing.photo(name).is_file() for name in names)
    with pytest.raises(Refused, match="the note was not kept"):
        await standing._put("creek", clock.wall_s(), b"nothing")
