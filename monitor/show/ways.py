"""Ways in: each server says by itself which one it is. What a client does or leaves out says nothing about that."""

from enum import Enum
from typing import Final

from starlette.requests import HTTPConnection
from starlette.types import ASGIApp, Receive, Scope, Send

_WAY: Final = "farpole.way"


class Way(Enum):
    """By which server a request came in."""

    COMMAND = "the command socket"
    """Its file's mode says who may use it."""
    PAGE = "the page"


def marked(way: Way) -> dict[str, Way]:
    """What stands in the scope of a request that came by a way."""
    return {_WAY: way}


class By:
    """An application behind one way in; every server has one of its own."""

    def __init__(self, app: ASGIApp, way: Way) -> None:
        self._app, self._way = app, way

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Hand a request on, marked by the way it came."""
        await self._app({**scope, **marked(self._way)}, receive, send)


def way_of(request: HTTPConnection) -> Way | None:
    """By which way a request came in; None where no server of ours has said so."""
    way: Way | None = request.scope.get(_WAY)
    return way
