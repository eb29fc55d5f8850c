"""Keys: Ed25519 in the router's own notation (seed ``SU…``, public ``U…``), so that one credential serves for both."""

import base64
import os

import nkeys
from nacl.exceptions import BadSignatureError
from nacl.signing import VerifyKey

from monitor.centre.parcel import Holds, Sign


class NoKey(ValueError):
    """Text that is no key."""


def new_seed() -> str:
    """A new seed: whoever has it is the site."""
    seed: bytes = nkeys.encode_seed(os.urandom(32), nkeys.PREFIX_BYTE_USER)
    return seed.decode()


def public_of(seed: str) -> str:
    """The public key of a seed; raises NoKey."""
    public: bytes = _pair(seed).public_key
    return public.decode()


def signer(seed: str) -> Sign:
    """Signs with a seed; raises NoKey."""
    pair = _pair(seed)

    def sign(octets: bytes) -> bytes:
        signature: bytes = pair.sign(octets)
        return signature

    return sign


def verifier(public: str) -> Holds:
    """Says whether a signature holds; raises NoKey where the public key is none."""
    raw = _decoded(public)
    if len(raw) != 35 or raw[0] != nkeys.PREFIX_BYTE_USER:
        raise NoKey("a public key begins with U and has 56 characters")
    if nkeys.crc16(raw[:-2]).to_bytes(2, "little") != raw[-2:]:
        raise NoKey("that public key has a wrong check sum: a character is wrong or missing")
    key = VerifyKey(raw[1:33])

    def holds(octets: bytes, signature: bytes) -> bool:
        try:
            key.verify(octets, signature)
        except (BadSignatureError, ValueError):
            return False
        return True

    return holds


def _pair(seed: str) -> "nkeys.KeyPair":
    try:
        return nkeys.from_seed(seed.encode())
    except (nkeys.NkeysError, ValueError):
        raise NoKey("that seed is none: it begins with SU and has 58 characters") from None


def _decoded(text: str) -> bytes:
    try:
        return base64.b32decode(text + "=" * (-len(text) % 8))
    except ValueError:
        raise NoKey("that is no key") from None
