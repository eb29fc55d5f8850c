"""The data directory belongs to one program at a time, whatever its disk lets one write."""

import errno
import fcntl
import hashlib
import os
import socket
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

LOCK, HISTORY, SOCKET = "farpole.lock", "history.sqlite", "farpole.sock"
_BESIDE = Path("/run/farpole/commands")
"""Where the service may make its command socket when its data directory cannot be written."""
_NO_SUCH_LOCK = (errno.EBADF, errno.EINVAL, errno.ENOLCK, errno.EOPNOTSUPP)
"""What flock(2) says where a file system locks no directories, as NFS does not."""


class Claim:
    """One program's claim on a data directory.

    The directory itself is locked, which needs nothing written; a file in it besides, where it can be made. Where there
    is no directory and none can be made, the claim is on its name, in the kernel's own list (unix(7), "abstract").
    """

    def __init__(self, data: Path) -> None:
        self._data = data
        self._held: list[int] = []
        self._name: socket.socket | None = None

    def take(self) -> None:
        """Make the directory ours; raises BlockingIOError where another has it, OSError where there can be none."""
        if self._held:
            return
        self._data.mkdir(parents=True, exist_ok=True, mode=0o750)
        directory = os.open(self._data, os.O_RDONLY | os.O_DIRECTORY)
        self._held = [directory]
        try:
            _lock(directory)
            self._lock_file()
        except BlockingIOError:
            self._let_go()
            raise

    def _lock_file(self) -> None:
        """Lock the file, too, and say in it who we are: an earlier farpole looks at nothing else."""
        try:
            file = os.open(self._data / LOCK, os.O_RDWR | os.O_CREAT, 0o640)
        except OSError:
            return  # the directory is locked
        self._held.append(file)
        _lock(file)
        with suppress(OSError):
            os.ftruncate(file, 0)
            os.write(file, f"{os.getpid()}\n".encode())

    def take_name(self) -> None:
        """Make the directory's name ours; raises BlockingIOError where another has it."""
        if self._name is not None:
            return
        self._name = socket.socket(socket.AF_UNIX)
        try:
            self._name.bind(f"\0{_named(self._data)}")
        except OSError as error:
            self._name.close()
            self._name = None
            if error.errno == errno.EADDRINUSE:
                raise BlockingIOError(errno.EWOULDBLOCK, "another farpole has it") from None
            raise

    def show_name(self) -> None:
        """Let commands know that somebody runs here, whom they cannot reach."""
        with suppress(OSError):  # another's name there changes nothing for us: the directory is ours
            self.take_name()

    def _let_go(self) -> None:
        for one in self._held:
            os.close(one)
        self._held = []

    def release(self) -> None:
        """Let another have it."""
        self._let_go()
        if self._name is not None:
            self._name.close()
            self._name = None


def _lock(file: int) -> None:
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        raise
    except OSError as error:
        if error.errno not in _NO_SUCH_LOCK:
            raise


@contextmanager
def held(data: Path) -> Iterator[None]:
    """Hold the data directory; raises BlockingIOError where another farpole has it, OSError where it cannot be."""
    claim = Claim(data)
    claim.take()
    try:
        yield
    finally:
        claim.release()


def command_places(data: Path) -> list[Path]:
    """Where the command socket of a data directory may be, the usual place first.

    The others are folders that only farpole's or one's own user can write: nobody else can lie there in wait.
    """
    places, name = [data / SOCKET], f"{_key(data)}.sock"
    places.append(_BESIDE / name)
    own = os.environ.get("XDG_RUNTIME_DIR", "")
    if own:
        places.append(Path(own) / f"farpole-{name}")
    return places


def runs_unheard(data: Path) -> bool:
    """Does a farpole run on a data directory that could make no command socket?"""
    try:
        listed = Path("/proc/net/unix").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return False
    return any(line.endswith(f" @{_named(data)}") for line in listed.splitlines())


def _key(data: Path) -> str:
    return hashlib.sha256(os.path.realpath(os.fsencode(data))).hexdigest()[:32]


def _named(data: Path) -> str:
    return f"farpole-data-{_key(data)}"
