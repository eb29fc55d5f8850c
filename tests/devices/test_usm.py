"""Keys, digests and encryption against RFC 3414 appendix A and the reference library's own functions."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pysnmp.proto.rfc1902 import OctetString
from pysnmp.proto.secmod.rfc3414 import localkey
from pysnmp.proto.secmod.rfc3826.priv.aes import Aes
from pysnmp.proto.secmod.rfc7860.auth import hmacsha2

from monitor.devices.ask import snmp_usm as usm
from monitor.devices.ask.snmp import AUTHS

ENGINE = bytes.fromhex("000000000000000000000002")
HASHES = {"sha-224": 4, "sha-256": 5, "sha-384": 6, "sha-512": 7}
"""Last number of the protocol's OID: RFC 7860 section 5."""


def test_md5_of_rfc_3414_a_3_1() -> None:
    key = usm.password_key("md5", b"maplesyrup")
    assert key.hex() == "9faf3283884e92834ebc9847d8edd963"
    assert usm.localised("md5", key, ENGINE).hex() == "526f5eed9fcce26f8964c2930787d82b"


def test_sha_of_rfc_3414_a_3_2() -> None:
    key = usm.password_key("sha-1", b"maplesyrup")
    assert key.hex() == "9fb5cc0381497b3793528939ff788d5d79145211"
    assert usm.localised("sha-1", key, ENGINE).hex() == "6695febc9288e36282235fc7151f128497b38f3f"


def test_key_change_vector_of_rfc_3414_a_5_2_uses_the_same_localised_keys() -> None:
    """Old and new key of the example that changes maplesyrup to newsyrup."""
    old = usm.localised("sha-1", usm.password_key("sha-1", b"maplesyrup"), ENGINE)
    new = usm.localised("sha-1", usm.password_key("sha-1", b"newsyrup"), ENGINE)
    assert old.hex() == "6695febc9288e36282235fc7151f128497b38f3f"
    assert new.hex() == "78e2dcce79d59403b58c1bbaa5bff46391f1cd25"


@pytest.mark.parametrize("auth", HASHES)
def test_sha_2_keys_as_the_reference_library_makes_them(auth: str) -> None:
    """RFC 7860 section 9.3 keeps RFC 3414's algorithm and prints no vectors of its own: pysnmp is the reference."""
    service = hmacsha2.HmacSha2((1, 3, 6, 1, 6, 3, 10, 1, 1, HASHES[auth]))
    key = usm.password_key(auth, b"maplesyrup")
    assert key == bytes(service.hash_passphrase(b"maplesyrup"))
    assert usm.localised(auth, key, ENGINE) == bytes(service.localize_key(OctetString(key), OctetString(ENGINE)))
    assert usm.DIGEST_OCTETS[auth] == service.digest_length


@settings(max_examples=10)
@given(st.binary(min_size=1, max_size=40))
def test_passwords_of_any_length_fill_a_megabyte(password: bytes) -> None:
    assert usm.password_key("sha-1", password) == bytes(localkey.hash_passphrase_sha(password))


@given(st.binary(max_size=600), st.integers(0, 2**31 - 1), st.integers(0, 2**31 - 1), st.binary(min_size=8, max_size=8))
def test_aes_as_the_reference_library_encrypts(data: bytes, boots: int, time_s: int, salt: bytes) -> None:
    keys = usm.Keys.of("sha-1", "maplesyrup", "aes-128", "maplesyrup", ENGINE, "draft-blumenthal")
    sealed = keys.encrypt(boots, time_s, salt, data)
    key = usm.privacy_key("sha-1", b"maplesyrup", ENGINE, 16, "draft-blumenthal")
    theirs = Aes().decrypt_data(OctetString(key), (boots, time_s, OctetString(salt)), OctetString(sealed))
    assert bytes(theirs)[: len(data)] == data
    assert keys.decrypt(boots, time_s, salt, sealed) == data


@pytest.mark.parametrize("auth", [a for a in AUTHS if a != "md5"])
def test_a_digest_tells_one_bit(auth: str) -> None:
    keys = usm.Keys.of(auth, "authpass12", "aes-128", "privpass12", ENGINE, "draft-blumenthal")
    digest = keys.digest(b"a message")
    assert len(digest) == usm.DIGEST_OCTETS[auth]
    assert keys.right(b"a message", digest)
    assert not keys.right(b"a massage", digest)


def test_stretched_keys_begin_with_the_digest_and_differ_after_it() -> None:
    ways = [usm.privacy_key("sha-1", b"maplesyrup", ENGINE, 32, way) for way in usm.stretches("sha-1", "aes-256")]
    assert len(ways) == 2
    assert ways[0][:20] == ways[1][:20]
    assert ways[0][20:] != ways[1][20:]


def test_an_empty_password_makes_no_key() -> None:
    with pytest.raises(ValueError, match="empty"):
        usm.password_key("sha-1", b"")
