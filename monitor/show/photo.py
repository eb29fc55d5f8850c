"""A photo from a phone, drawn anew: nothing is kept of it but what can be seen. The only place with Pillow.

A file from elsewhere may hold the place where it was taken, a name, or what a decoder stumbles over. So it is decoded
and written again in a process of its own, with bounds: ``python -m monitor.show.photo``, the photo on standard input.
"""

import asyncio
import io
import resource
import sys
from typing import Final

from monitor.show.child import first_to_go

LONGEST_S = 15.0
_MOST_OCTETS: Final = 512 * 2**20
_MOST_PIXELS: Final = 24_000_000
"""After a JPEG was read at a half, a quarter or an eighth, as its size allows: what a phone takes passes."""
_EDGE: Final = 2560
_QUALITY: Final = 85
_NOT_A_PHOTO: Final = 3


class NotAPhoto(ValueError):
    """It is neither JPEG nor PNG, or too large, or cannot be decoded in time."""


async def drawn_anew(octets: bytes) -> bytes:
    """The photo as JPEG, upright, with 2560 pixels at the most on its longer side. Raises NotAPhoto."""
    pipe = asyncio.subprocess.PIPE
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "monitor.show.photo", stdin=pipe, stdout=pipe, stderr=asyncio.subprocess.DEVNULL
    )
    try:
        async with asyncio.timeout(LONGEST_S):
            made, _ = await process.communicate(octets)
    except TimeoutError:
        raise NotAPhoto from None
    finally:
        if process.returncode is None:  # too long, or whoever waits has gone
            process.kill()
            await process.wait()
    if process.returncode or not made:
        raise NotAPhoto
    return made


def redrawn(octets: bytes) -> bytes:
    """The work itself. Raises what the library raises, and ValueError."""
    from PIL import Image, ImageOps

    Image.MAX_IMAGE_PIXELS = None  # the bound below is looked at before anything is decoded
    with Image.open(io.BytesIO(octets), formats=("JPEG", "PNG")) as photo:
        photo.draft("RGB", (_EDGE, _EDGE))  # of a JPEG only every second, fourth or eighth line is made at all
        if photo.width * photo.height > _MOST_PIXELS:
            raise ValueError("too many pixels")
        photo.load()
        seen = ImageOps.exif_transpose(photo).convert("RGB")
    seen.thumbnail((_EDGE, _EDGE))
    bare = Image.new("RGB", seen.size)
    bare.paste(seen)
    written = io.BytesIO()
    bare.save(written, "JPEG", quality=_QUALITY, optimize=True)
    return written.getvalue()


def main() -> int:
    """Work of the child process."""
    first_to_go()
    resource.setrlimit(resource.RLIMIT_AS, (_MOST_OCTETS, _MOST_OCTETS))
    resource.setrlimit(resource.RLIMIT_CPU, (int(LONGEST_S), int(LONGEST_S)))
    try:
        made = redrawn(sys.stdin.buffer.read())
    except Exception:  # noqa: BLE001  # a decoder of foreign files may raise anything; whoever has sent it is told
        return _NOT_A_PHOTO
    sys.stdout.buffer.write(made)
    return 0


if __name__ == "__main__":
    sys.exit(main())
