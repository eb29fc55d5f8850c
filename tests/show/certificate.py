"""A certificate of one's own for tests: names, key and lifetime as a small head-end box would have them."""

import datetime
import ipaddress
import ssl
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID


def own_certificate(folder: Path, days: int = 2, address: str = "127.0.0.1") -> tuple[Path, Path]:
    """Files of a self-signed certificate for localhost and an address, and of its key; ``days`` below 0: it is over."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "localhost")])
    now = datetime.datetime.now(datetime.UTC)
    until = now + datetime.timedelta(days=days)
    names = [x509.DNSName("localhost"), x509.IPAddress(ipaddress.ip_address(address))]
    certificate = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(min(now, until) - datetime.timedelta(days=1))
        .not_valid_after(until)
        .add_extension(x509.SubjectAlternativeName(names), False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), True)
        .sign(key, hashes.SHA256())
    )
    folder.mkdir(parents=True, exist_ok=True)
    kept, secret = folder / "page.pem", folder / "page.key"
    kept.write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
    plain = serialization.NoEncryption()
    secret.write_bytes(key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, plain))
    return kept, secret


def serving_context(folder: Path) -> ssl.SSLContext:
    """A server's end of TLS with such a certificate."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(*own_certificate(folder))
    return context


def trusting_nothing() -> ssl.SSLContext:
    """A client's end that looks at no certificate, as an attacker's does."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    return context
