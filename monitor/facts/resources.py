"""Names of the things that readings and alarms are about: short paths that a person can read.

``creek`` is a pole (or the head-end), ``creek/switch`` its switch, ``creek/port/5`` a port,
``creek/optic/5`` the optic in it, ``creek/feeder`` the copper that feeds it,
``creek/load/gate-camera`` a load, ``supply/office-a`` a supply, ``farpole`` this program itself.
"""

from typing import Final

ITSELF: Final = "farpole"


def switch(place: str) -> str:
    """The switch of a pole or of the head-end."""
    return f"{place}/switch"


def port(place: str, name: str) -> str:
    """One port of a place's switch."""
    return f"{place}/port/{name}"


def optic(place: str, port_name: str) -> str:
    """The optic in a port."""
    return f"{place}/optic/{port_name}"


def feeder(pole: str) -> str:
    """The pair of conductors that feeds a pole."""
    return f"{pole}/feeder"


def load(pole: str, name: str) -> str:
    """A powered device on a switch port of a pole."""
    return f"{pole}/load/{name}"


def supply(name: str) -> str:
    """What powers feeders or a pole."""
    return f"supply/{name}"


def place_of(resource: str) -> str:
    """The pole, head-end or supply that a resource belongs to.

    >>> place_of("creek/port/5"), place_of("supply/office-a"), place_of("creek")
    ('creek', 'supply/office-a', 'creek')
    """
    head, _, rest = resource.partition("/")
    return f"{head}/{rest}" if head == "supply" else head


def tail_of(resource: str) -> str:
    """The last part: the port of an optic, the name of a load.

    >>> tail_of("creek/optic/5")
    '5'
    """
    return resource.rpartition("/")[2]
