"""Parcels: what a site sends and what the centre answers, as octets, signed.

A parcel is a signature (Ed25519, RFC 8032: 64 octets), the octets ``fp1`` and a line feed, the length of its head, its
head (JSON, compressed), and blobs, each with a number and its length. The signature covers the subject as well, so that
what was meant for one kind or site is nothing under another. Each parcel of a site carries a number that only grows:
the centre takes none twice, so that a recorded one is worth nothing.
"""

import json
import struct
import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

_MARK = b"fp1\n"
_SIGNATURE_OCTETS = 64
_LENGTH = struct.Struct("<I")
_BLOB = struct.Struct("<qI")
MOST_HEAD_OCTETS = 8 << 20
"""What a head may have when it is unpacked: a stranger's few octets must not fill our memory."""
SMALL_OCTETS = 400
"""Heads up to this are not worth the time that it takes to compress them."""
MOST_OCTETS = 900_000
"""What a parcel is filled up to: a router takes 1 MiB where nothing else is set."""

Sign = Callable[[bytes], bytes]
Holds = Callable[[bytes, bytes], bool]


class NotRight(ValueError):
    """Octets that are no parcel, or not of whom they should be."""


@dataclass(frozen=True, slots=True)
class Parcel:
    """One parcel; ``head`` has plain JSON values only."""

    head: Mapping[str, Any]
    blobs: tuple[tuple[int, bytes], ...] = field(default=())

    @property
    def number(self) -> int:
        """Its number; raises NotRight where it has none."""
        found = self.head.get("number")
        if not isinstance(found, int) or isinstance(found, bool) or not 0 <= found < 2**63:
            raise NotRight("it has no number")
        return found


def sealed(subject: str, parcel: Parcel, sign: Sign) -> bytes:
    """A parcel as octets, signed for a subject."""
    text = json.dumps(parcel.head, ensure_ascii=False, separators=(",", ":")).encode()
    head = zlib.compress(text, 6 if len(text) > SMALL_OCTETS else 0)
    body = bytearray(_MARK)
    body += _LENGTH.pack(len(head)) + head
    for number, blob in parcel.blobs:
        body += _BLOB.pack(number, len(blob)) + blob
    whole = bytes(body)
    return sign(_signed(subject, whole)) + whole


def opened(subject: str, octets: bytes, holds: Holds) -> Parcel:
    """The parcel of octets, if it was signed for this subject; raises NotRight.

    The signature is looked at before anything is unpacked.
    """
    signature, body = octets[:_SIGNATURE_OCTETS], octets[_SIGNATURE_OCTETS:]
    if len(signature) < _SIGNATURE_OCTETS or not holds(_signed(subject, body), signature):
        raise NotRight("its signature does not hold")
    if not body.startswith(_MARK):
        raise NotRight("it is of another kind or version")
    try:
        (length,) = _LENGTH.unpack_from(body, len(_MARK))
        at = len(_MARK) + _LENGTH.size
        head = _head(body[at : at + length])
        blobs, at = [], at + length
        while at < len(body):
            number, length = _BLOB.unpack_from(body, at)
            at += _BLOB.size
            if at + length > len(body):
                raise NotRight("a blob is cut")
            blobs.append((number, body[at : at + length]))
            at += length
    except struct.error:
        raise NotRight("it is cut") from None
    return Parcel(head, tuple(blobs))


def _head(packed: bytes) -> dict[str, Any]:
    unpacker = zlib.decompressobj()
    try:
        text = unpacker.decompress(packed, MOST_HEAD_OCTETS)
        if unpacker.unconsumed_tail or not unpacker.eof:
            raise NotRight("its head is cut, or too large")
        head = json.loads(text)
    except (zlib.error, ValueError, RecursionError) as error:
        raise NotRight(f"its head cannot be read: {error}") from None
    if not isinstance(head, dict):
        raise NotRight("its head is no record")
    return head


def _signed(subject: str, body: bytes) -> bytes:
    return b"farpole " + subject.encode() + b"\n" + body
