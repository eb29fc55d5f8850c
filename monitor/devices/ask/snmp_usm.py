"""The user-based security of SNMP v3: keys from passwords, digests and encryption. Pure functions.

Digests: SHA-1 (RFC 3414 section 7), SHA-2 (RFC 7860). Encryption: AES-128 (RFC 3826), AES-192 and AES-256
with both ways in use of making a digest into a longer key; neither became a standard. The only file of
``ask`` that knows ``cryptography``.
"""

import hashlib
import hmac
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

from cryptography.hazmat.decrepit.ciphers.modes import CFB
from cryptography.hazmat.primitives.ciphers import Cipher
from cryptography.hazmat.primitives.ciphers.algorithms import AES

Stretch = Literal["draft-blumenthal", "draft-reeder"]
"""How a digest that is too short becomes a key: drafts blumenthal-aes-usm-04 and reeder-snmpv3-usm-3desede-00."""

_HASHES = {"md5": "md5", "sha-1": "sha1", "sha-224": "sha224", "sha-256": "sha256", "sha-384": "sha384"}
_HASHES["sha-512"] = "sha512"
DIGEST_OCTETS = {"md5": 12, "sha-1": 12, "sha-224": 16, "sha-256": 24, "sha-384": 32, "sha-512": 48}
"""Octets of a digest that a message carries: RFC 3414 sections 6 and 7, RFC 7860 section 4.2.2."""
KEY_OCTETS = {"aes-128": 16, "aes-192": 24, "aes-256": 32}
_MEGABYTE = 1 << 20


def _hash(auth: str, data: bytes) -> bytes:
    # MD5 is here for the key vectors and the slow path alone; RFC 3414 has no other meaning for it.
    return hashlib.new(_HASHES[auth], data, usedforsecurity=False).digest()


@lru_cache(256)
def password_key(auth: str, password: bytes) -> bytes:
    """Key of a user from the password, the same for all engines: RFC 3414 section A.2, RFC 7860 section 9.3.

    >>> password_key("sha-1", b"maplesyrup").hex()
    '9fb5cc0381497b3793528939ff788d5d79145211'
    """
    if not password:
        raise ValueError("an empty password makes no key")
    return _hash(auth, (password * (_MEGABYTE // len(password) + 1))[:_MEGABYTE])


def localised(auth: str, key: bytes, engine_id: bytes) -> bytes:
    """A user's key at one engine: RFC 3414 section 2.6.

    >>> key = password_key("sha-1", b"maplesyrup")
    >>> localised("sha-1", key, bytes.fromhex("000000000000000000000002")).hex()
    '6695febc9288e36282235fc7151f128497b38f3f'
    """
    return _hash(auth, key + engine_id + key)


def privacy_key(auth: str, password: bytes, engine_id: bytes, octets: int, stretch: Stretch) -> bytes:
    """The encryption key of ``octets``, stretched where the digest is shorter (RFC 3826 section 3.1.2.1)."""
    key = localised(auth, password_key(auth, password), engine_id)
    while len(key) < octets:
        if stretch == "draft-blumenthal":
            key += _hash(auth, key)
        else:
            key += localised(auth, password_key(auth, key), engine_id)
    return key[:octets]


def stretches(auth: str, priv: str) -> tuple[Stretch, ...]:
    """The ways to try, where it matters at all: only a digest shorter than the key has to be stretched.

    >>> stretches("sha-256", "aes-256"), len(stretches("sha-1", "aes-256"))
    (('draft-blumenthal',), 2)
    """
    digest = hashlib.new(_HASHES[auth], usedforsecurity=False).digest_size
    return ("draft-blumenthal", "draft-reeder") if digest < KEY_OCTETS[priv] else ("draft-blumenthal",)


@dataclass(frozen=True, slots=True)
class Keys:
    """What one user needs at one engine."""

    auth: str
    auth_key: bytes
    cipher: AES
    digest_octets: int

    @classmethod
    def of(
        cls, auth: str, auth_password: str, priv: str, priv_password: str, engine_id: bytes, stretch: Stretch
    ) -> "Keys":
        """From the passwords; the hashing of a megabyte happens once per password."""
        auth_key = localised(auth, password_key(auth, auth_password.encode()), engine_id)
        priv_key = privacy_key(auth, priv_password.encode(), engine_id, KEY_OCTETS[priv], stretch)
        return cls(auth, auth_key, AES(priv_key), DIGEST_OCTETS[auth])

    def digest(self, message: bytes) -> bytes:
        """Digest of a message whose digest field is zero: RFC 3414 section 6.3.1, RFC 7860 section 4.2.1."""
        return hmac.digest(self.auth_key, message, _HASHES[self.auth])[: self.digest_octets]

    def right(self, message: bytes, digest: bytes) -> bool:
        """Is this the digest of a message?"""
        return hmac.compare_digest(self.digest(message), digest)

    def encrypt(self, boots: int, time_s: int, salt: bytes, data: bytes) -> bytes:
        """AES-CFB with the vector of RFC 3826 section 3.1.2.1: boots, time, salt."""
        return Cipher(self.cipher, CFB(_vector(boots, time_s, salt))).encryptor().update(data)

    def decrypt(self, boots: int, time_s: int, salt: bytes, data: bytes) -> bytes:
        """The reverse; with a wrong key it gives noise, which then is no message."""
        return Cipher(self.cipher, CFB(_vector(boots, time_s, salt))).decryptor().update(data)


def _vector(boots: int, time_s: int, salt: bytes) -> bytes:
    return (boots << 32 | time_s).to_bytes(8, "big") + salt
