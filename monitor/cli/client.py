"""Talking to the running daemon over its command socket."""

import http.client
import json
import socket
from collections.abc import Sequence
from pathlib import Path
from typing import Any
from urllib.parse import quote

from monitor.daemon.lock import SOCKET, command_places, runs_unheard


class NoDaemon(ConnectionError):
    """There is no daemon on this data directory."""


class SaidNo(ValueError):
    """The daemon refused; the message is its reason, ``status`` that of HTTP (0: it was not even asked)."""

    def __init__(self, message: str, status: int = 0) -> None:
        super().__init__(message)
        self.status = status


class _Connection(http.client.HTTPConnection):
    def __init__(self, places: Sequence[Path], timeout_s: float) -> None:
        super().__init__("localhost", timeout=timeout_s)
        self._places = places

    def connect(self) -> None:
        """Connect over the Unix socket, wherever it lies."""
        for path in self._places:
            self.sock = socket.socket(socket.AF_UNIX)
            self.sock.settimeout(self.timeout)
            try:
                self.sock.connect(str(path))
            except OSError as error:
                self.sock.close()
                not_here = isinstance(error, FileNotFoundError | ConnectionRefusedError) or error.errno is None
                if not not_here or path == self._places[-1]:  # no errno: the path is too long for any socket
                    raise
            else:
                return


def call(data: Path, path: str, body: dict[str, Any] | None = None, timeout_s: float = 10) -> Any:
    """GET (or POST, with a body) a path below /api; raises NoDaemon and SaidNo."""
    connection = _Connection(command_places(data), timeout_s)
    try:
        text = json.dumps(body) if body is not None else None
        connection.request(
            "POST" if body is not None else "GET",
            "/api" + quote(path),
            text,
            {"Content-Type": "application/json"} if text else {},
        )
        response = connection.getresponse()
        said = response.read()
        answer = json.loads(said or b"null")
    except PermissionError:
        raise SaidNo(f"{data / SOCKET}: permission denied; are you in farpole's group?") from None
    except ValueError:
        raise SaidNo(f"farpole failed at that ({response.status}); its log says where", response.status) from None
    except (OSError, http.client.HTTPException) as error:
        if runs_unheard(data):
            words = "but it could make no command socket: make its data directory writable, and start it again"
            raise NoDaemon(f"farpole runs on {data}, {words}") from None
        raise NoDaemon(f"no farpole runs on {data} ({error})") from None
    finally:
        connection.close()
    if response.status >= 400:
        detail = answer.get("detail") if isinstance(answer, dict) else answer
        raise SaidNo(detail if isinstance(detail, str) else json.dumps(detail), response.status)
    return answer
