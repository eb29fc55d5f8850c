"""What the router must know: who may say what. A NATS server's configuration, as text."""

from collections.abc import Iterable

from monitor.centre.ports import subject_of

CENTRE_INBOX = "_INBOX.centre"
"""Under which the centre would hear answers; it asks nobody."""


def inbox_of(site: str) -> str:
    """Under which a site hears answers, and nobody else may."""
    return f"_INBOX.{site}"


def configuration(centre: str, sites: Iterable[tuple[str, str]]) -> str:
    """Users and permissions by public keys: a site says what is its own, and hears what is meant for it.

    The router keeps nothing and needs no more; where it listens and its certificate stand in its own file, which
    includes this one.
    """
    users = [_user(centre, "the centre", "_INBOX.>", ["farpole.>", f"{CENTRE_INBOX}.>"])]
    users += [_user(key, name, subject_of(name, ">"), [f"{inbox_of(name)}.>"]) for name, key in sites]
    lines = [
        "# Written by farpole centre --router-users; included by the router's own configuration.",
        "authorization {",
    ]
    return "\n".join([*lines, "  users = [", *users, "  ]", "}", ""])


def _user(key: str, name: str, says: str, hears: list[str]) -> str:
    heard = ", ".join(f'"{one}"' for one in hears)
    may = f'{{ publish: ["{says}"], subscribe: [{heard}] }}'
    return f"    {{ nkey: {key}, permissions: {may} }}  # {name}"
