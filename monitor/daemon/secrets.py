"""Secrets: from a file that only its owner reads (mode 0600), from systemd's credentials, or the environment.

The environment variable of a secret is ``FARPOLE_SECRET_`` and its name in capitals with ``_`` for ``-`` and
``.``; it holds the same fields as YAML, on one line: ``{kind: snmpv2c, community: ...}``.
"""

import os
import re
import stat
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, SecretStr

from monitor.devices.ask.snmp import Auth, Community, Priv, User
from monitor.facts.words import say
from monitor.plan.parts import Plan
from monitor.plan.text import MOST_CHARACTERS, NotRight, Problem, check
from monitor.show.door import Machine, Person, Role

SITE_NAME = r"^[a-z0-9][a-z0-9-]{0,59}$"
"""Names of sites at a centre: they stand in the subjects of its router."""


class _Secret(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, coerce_numbers_to_str=True)


class SnmpCommunity(_Secret):
    """SNMP v2c, or v1 for the oldest devices."""

    kind: Literal["snmpv2c", "snmpv1"]
    community: SecretStr


class SnmpUser(_Secret):
    """SNMP v3, authPriv."""

    kind: Literal["snmpv3"]
    user: str
    auth_password: SecretStr = Field(min_length=8)
    priv_password: SecretStr = Field(min_length=8)
    auth: Auth = "sha-256"
    priv: Priv = "aes-128"


class Mail(_Secret):
    """A mail account to send from, and whom to write to."""

    kind: Literal["mail"]
    server: str
    port: int = Field(587, ge=1, le=65535)
    security: Literal["none", "starttls", "tls"] = "starttls"
    user: str | None = None
    password: SecretStr | None = None
    sender: str
    to: list[str] = Field(min_length=1)


class Webhook(_Secret):
    """An address that takes a message as a JSON POST."""

    kind: Literal["webhook"]
    url: SecretStr


class RtspLogin(_Secret):
    """A camera's login."""

    kind: Literal["rtsp"]
    user: str
    password: SecretStr


class Text(_Secret):
    """A single secret word or address."""

    kind: Literal["text"]
    value: SecretStr


class LogIn(_Secret):
    """A person who may log in to the page; ``farpole init --log-in`` makes the entry."""

    kind: Literal["log-in"]
    role: Role
    password_argon2: str = Field(pattern=r"^\$argon2id\$")


class Token(_Secret):
    """A program that may use the API; ``farpole init --token`` makes the entry."""

    kind: Literal["token"]
    role: Role
    token_sha256: str = Field(pattern=r"^[0-9a-f]{64}$")


class ToCentre(_Secret):
    """As whom a site reports to a centre, and whom it believes there; ``farpole centre --add-site`` makes the entry."""

    kind: Literal["report"]
    site: str = Field(pattern=SITE_NAME)
    seed: SecretStr
    centre: str = Field(pattern=r"^U[A-Z2-7]{55}$", description="the centre's public key")


class CentreKey(_Secret):
    """The centre's own key; ``farpole centre --new-key`` makes the entry."""

    kind: Literal["centre"]
    seed: SecretStr


Secret = Annotated[
    SnmpCommunity | SnmpUser | Mail | Webhook | RtspLogin | Text | LogIn | Token | ToCentre | CentreKey,
    Field(discriminator="kind"),
]


class _File(_Secret):
    secrets: dict[str, Secret]


Secrets = dict[str, Secret]


def needed(plan: Plan) -> list[str]:
    """Names of all secrets that a plan refers to."""
    names = [credential.secret for credential in plan.credentials.values()]
    names += [person.to for person in plan.callouts]
    names += plan.reviews.to if plan.reviews else []
    return list(dict.fromkeys(names + ([plan.sign_of_life.url_secret] if plan.sign_of_life else [])))


def needed_for_devices(plan: Plan) -> list[str]:
    """Names of the secrets with which switches are asked."""
    switches = [plan.headend.switch, *(pole.switch for pole in plan.poles)]
    return list(dict.fromkeys(plan.credentials[switch.credentials].secret for switch in switches))


def sign_of_life_url(plan: Plan, secrets: Secrets) -> str | None:
    """The address of the sign of life, from a secret of kind ``text`` or ``webhook``."""
    secret = secrets.get(plan.sign_of_life.url_secret) if plan.sign_of_life else None
    if isinstance(secret, Text):
        return secret.value.get_secret_value()
    return secret.url.get_secret_value() if isinstance(secret, Webhook) else None


def load_secrets(file: Path | None, environment: Mapping[str, str], names: Iterable[str]) -> Secrets:
    """The secrets by name. Raises NotRight for a file that others may read, and for secrets that are missing."""
    found: Secrets = {}
    if file is not None:
        found = dict(check(_text(file), _File, str(file)).secrets)
    for name in names:
        variable = f"FARPOLE_SECRET_{name.upper().replace('-', '_').replace('.', '_')}"
        if variable in environment:
            found[name] = check(f"secrets: {{x: {environment[variable]}}}", _File, variable).secrets["x"]
    missing = [name for name in names if name not in found]
    if missing:
        where = str(file) if file else "the environment (no secrets file was given)"
        raise NotRight(
            Problem(1, f"secrets.{name}", f"is missing in {where}; the plan refers to it") for name in missing
        )
    return found


def _text(file: Path) -> str:
    try:
        with file.open(encoding="utf-8") as opened:
            mode = stat.S_IMODE(os.fstat(opened.fileno()).st_mode)
            # systemd lays credentials in a folder of the service's own, mode 0400 or 0440.
            by_systemd = os.environ.get("CREDENTIALS_DIRECTORY") == str(file.parent)
            if mode & 0o077 and not by_systemd:
                raise NotRight(
                    [Problem(1, "", f"has mode {mode:04o}: others may read it. Run: chmod 600 {file}", str(file))]
                )
            return opened.read(MOST_CHARACTERS + 1)
    except OSError as error:
        raise NotRight([Problem(1, "", f"cannot be read: {error.strerror}", str(file))]) from None


def snmp_credentials(plan: Plan, secrets: Secrets) -> dict[str, Community | User]:
    """Entry of the plan's credentials → what agents are asked with."""
    known = {n: secrets[c.secret] for n, c in plan.credentials.items() if c.secret in secrets}
    made = {name: _credentials(secret) for name, secret in known.items()}
    return {name: credentials for name, credentials in made.items() if credentials is not None}


def _credentials(secret: Secret) -> Community | User | None:
    if isinstance(secret, SnmpCommunity):
        return Community(secret.community.get_secret_value(), 1 if secret.kind == "snmpv1" else 2)
    if isinstance(secret, SnmpUser):
        auth_password, priv_password = secret.auth_password, secret.priv_password
        return User(
            secret.user, auth_password.get_secret_value(), priv_password.get_secret_value(), secret.auth, secret.priv
        )
    return None


def people(secrets: Secrets) -> dict[str, Person]:
    """Who may log in to the page."""
    return {name: Person(one.role, one.password_argon2) for name, one in secrets.items() if isinstance(one, LogIn)}


def machines(secrets: Secrets) -> dict[str, Machine]:
    """Which programs may use the API."""
    return {name: Machine(one.role, one.token_sha256) for name, one in secrets.items() if isinstance(one, Token)}


def a_site_name(name: str) -> str:
    """The name, if a site may have it at a centre; raises ValueError."""
    if not re.fullmatch(SITE_NAME, name):
        raise ValueError(f"{name!r} is no name for a site: small letters, digits and hyphens, at most 60")
    return name


def reports_as(secrets: Secrets) -> ToCentre | None:
    """As whom this site reports to a centre."""
    return next((one for one in secrets.values() if isinstance(one, ToCentre)), None)


def centre_seed(secrets: Secrets) -> str | None:
    """The centre's own key."""
    return next((one.seed.get_secret_value() for one in secrets.values() if isinstance(one, CentreKey)), None)


@dataclass(frozen=True, slots=True)
class StreamLogin:
    """As whom a camera's stream is asked for; ``basic``: its password may travel in clear."""

    user: str
    password: str = field(repr=False)
    basic: bool = False


def stream_logins(plan: Plan, secrets: Secrets) -> dict[str, StreamLogin]:
    """Entry of the plan's credentials → log-in of a camera. Only the plan's own word ``rtsp-basic`` permits Basic."""
    found = {}
    for name, credential in plan.credentials.items():
        secret = secrets.get(credential.secret)
        if isinstance(secret, RtspLogin):
            password = secret.password.get_secret_value()
            found[name] = StreamLogin(secret.user, password, credential.kind == "rtsp-basic")
    return found


def weak(credentials: Mapping[str, Community | User]) -> tuple[str, ...]:
    """A standing warning for each entry that anybody on the way can break."""
    return tuple(
        say(
            "Credentials '{name}' use MD5 or DES, which are broken (RFC 6151, NIST SP 800-131A): set the devices to "
            "SHA-256 and AES.",
            name=name,
        )
        for name, one in credentials.items()
        if isinstance(one, User) and one.weak
    )


def credentials_from(file: Path | None, name: str) -> Community | User:
    """One entry of a secrets file (or of the environment) to ask agents with; raises NotRight."""
    made = _credentials(load_secrets(file, os.environ, [name])[name])
    if made is None:
        raise NotRight([Problem(1, f"secrets.{name}", "is no SNMP credential: kind should be snmpv2c or snmpv3")])
    return made
