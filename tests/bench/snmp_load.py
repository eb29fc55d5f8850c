"""The reference load: a 26-port switch, 571 wanted objects a round, on virtual agents of the C responder."""

from monitor.devices.ask.snmp import Agent, Community, User
from monitor.devices.decode.raw import Oid, oid

PORT = 1161
COMMUNITY = Community("public")
USER = User("bench", "authpass-bench", "privpass-bench", "sha-256", "aes-128")

_IF, _IFX = oid("1.3.6.1.2.1.2.2.1"), oid("1.3.6.1.2.1.31.1.1.1")
_PSE, _SENSOR = oid("1.3.6.1.2.1.105.1.1.1"), oid("1.3.6.1.2.1.99.1.1.1")
_SCALARS = ("1.3.6.1.2.1.1.3.0", "1.3.6.1.2.1.1.5.0")
_MAIN = ("1.3.6.1.2.1.105.1.3.1.1.2.1", "1.3.6.1.2.1.105.1.3.1.1.3.1", "1.3.6.1.2.1.105.1.3.1.1.4.1")

ROWS: dict[Oid, list[Oid]] = {
    _IF: [(port,) for port in range(1, 27)],
    _IFX: [(port,) for port in range(1, 27)],
    _PSE: [(1, port) for port in range(1, 25)],
    _SENSOR: [(1000 + i,) for i in range(1, 17)],
}
_COLUMNS = {
    _IF: (7, 8, 9, 13, 14, 15, 19, 20),
    _IFX: (2, 3, 6, 7, 10, 11, 15),
    _PSE: (3, 6, 10, 12, 13, 14),
    _SENSOR: (4, 5),
}
OIDS: list[Oid] = [
    *(oid(text) for text in (*_SCALARS, *_MAIN)),
    *((*entry, column, *row) for entry, columns in _COLUMNS.items() for column in columns for row in ROWS[entry]),
]
assert len(OIDS) == 571, "the load of the reference client"


def agents(count: int, v3: bool, timeout_s: float = 1.0, retries: int = 1) -> list[Agent]:
    """The responder's agents: 127.1.b.c."""
    credentials = USER if v3 else COMMUNITY
    return [Agent(f"127.1.{i // 250}.{i % 250 + 1}", PORT, credentials, timeout_s, retries) for i in range(count)]
