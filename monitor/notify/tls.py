"""Whom this machine trusts, for all that leaves it; and why a certificate is not believed, in words."""

import ssl

from monitor.facts.words import say

_SELF_SIGNED, _EXPIRED, _OTHER_NAME = (18, 19), (10,), (62, 64)
"""X509_V_ERR_* of OpenSSL's x509_vfy.h."""


def trusting() -> ssl.SSLContext:
    """Certificates and names are verified, by what the system trusts (or SSL_CERT_FILE, which OpenSSL reads)."""
    return ssl.create_default_context()


def certificate_words(error: ssl.SSLCertVerificationError) -> str:
    """Why a certificate is not believed, for people."""
    if error.verify_code in _SELF_SIGNED:
        return say("its certificate is self-signed: nobody whom this machine trusts vouches for it")
    if error.verify_code in _EXPIRED:
        return say("its certificate has expired")
    if error.verify_code in _OTHER_NAME:
        return say("its certificate is for another name")
    return say("its certificate is not believed: {why}", why=error.verify_message)
