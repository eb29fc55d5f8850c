"""What a run has of its machine: its data directory, as far as the disk lets it be had, and its sockets."""

import logging
import socket
from contextlib import ExitStack
from functools import partial
from pathlib import Path

from monitor.daemon.lock import Claim, command_places
from monitor.daemon.page import Page
from monitor.daemon.sockets import CannotStart, command_socket, page_socket, unlinked
from monitor.show.links import key_of, new_key

log = logging.getLogger(__name__)


class Home:
    """The data directory of one run."""

    def __init__(self, data: Path) -> None:
        self._data, self._key = data, b""
        self.claim = Claim(data)

    def take(self, stack: ExitStack, page: Page | None) -> tuple[list[socket.socket], list[socket.socket]]:
        """Make the data directory ours and bind the command socket and the page's, as far as they can be had.

        A disk keeps nobody from watching. Raises CannotStart where another farpole watches already, or what should be
        the data directory is none.
        """
        data = self._data
        stack.callback(self.claim.release)
        try:
            self._take_folder(data)
        except BlockingIOError:
            raise CannotStart(f"another farpole already runs on {data}") from None
        except (FileExistsError, NotADirectoryError) as error:
            raise CannotStart(f"the data directory {data} cannot be written: {error.strerror}") from None
        command = command_socket(command_places(data))
        if command is None:
            self.claim.show_name()
            return [], list(page_socket(page))
        bound, at = command
        stack.callback(partial(unlinked, at))
        return [bound], list(page_socket(page))

    def _take_folder(self, data: Path) -> None:
        try:
            self.claim.take()
        except (BlockingIOError, FileExistsError, NotADirectoryError):
            raise
        except OSError as error:
            log.error("there is no data directory %s (%s); monitoring goes on without it", data, error.strerror)
            self.claim.take_name()

    def answer_key(self) -> bytes:
        """The site's own key for links; where it cannot be kept, one for this run."""
        if not self._key:
            try:
                self._key = key_of(self._data / "answer.key")
            except OSError as error:
                log.warning("links to acknowledge end with this run: their key cannot be kept (%s)", error.strerror)
                self._key = new_key()
        return self._key
