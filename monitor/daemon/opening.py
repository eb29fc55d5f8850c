"""The history's file or database: opened, mended, put aside, or only read where it cannot be written."""

import logging
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import TypeVar

from monitor.daemon import ballast
from monitor.daemon.clock import Clock
from monitor.history import mending, wal, wreck
from monitor.history.read_only import why_not_written
from monitor.history.store import NotKept, Store
from monitor.history.trouble import WORDS, Reason, reason_of

log = logging.getLogger(__name__)

T = TypeVar("T")


class Opening:
    """The history of one site, open for writing, for reading only, or not at all. For one thread at a time."""

    def __init__(
        self, path: Path, clock: Clock, quota_octets: int | None, url: str | None, claim: Callable[[], None]
    ) -> None:
        """``claim`` makes the folder ours, and made, where it was not to be had at the start; raises OSError."""
        self._path, self._folder, self._clock, self._claim, self._url = path, path.parent, clock, claim, url
        self._quota_octets = quota_octets
        self._store: Store | None = None
        self.writable = False

    @property
    def readable(self) -> bool:
        """Can anything of the history be read?"""
        return self._store is not None

    def asked(self, question: Callable[[Store], T], trouble: str) -> T:
        """The store's answer; raises NotKept, with ``trouble`` where that is known to be why."""
        if self._store is None:
            raise NotKept(trouble or f"{self._path} is not open", Reason.LOST)
        try:
            return question(self._store)
        except NotKept as error:
            if self.writable or error.reason is not Reason.READ_ONLY:
                raise
            raise NotKept(trouble or str(error), error.reason) from None

    def reopen(self, why: str = "") -> None:
        """Close and open again: what a lost disk has left in memory must not be taken for what is on it.

        Raises NotKept where it cannot be written; then it is open for reading, as far as that goes.
        """
        self.shut()
        try:
            damaged = why and self._url is None and wreck.sound(self._path)
            self._store = self._put_aside(why) if damaged else self._open()
            self.writable = True
        except NotKept:
            self._store = self._to_read()
            raise
        ballast.lay(self._folder)

    def shut(self) -> None:
        """Give it back."""
        if self._store is not None:
            with suppress(NotKept):
                self._store.close()
        self._store, self.writable = None, False

    def _open(self) -> Store:
        if self._url is not None:
            return Store(self._url)
        try:
            return self._open_file()
        except NotKept as error:
            if error.reason is not Reason.FULL or not self.eased():
                raise
            return self._open_file()

    def eased(self) -> bool:
        """The disk is full: give back what was held in reserve; whether there was anything."""
        eased = ballast.give_back(self._folder)
        if eased:
            log.error("the disk is full; %d MiB held in reserve are given back", ballast.OCTETS >> 20)
        return eased

    def _open_file(self) -> Store:
        try:
            self._claim()
            self._refused()
            mending.finish(self._path)
            self._mend_log()
        except NotKept:
            raise
        except BlockingIOError:
            raise NotKept(f"{self._folder}: another farpole has it", Reason.TAKEN) from None
        except OSError as error:
            reason = reason_of(error)
            raise NotKept(f"{self._path}: {WORDS.get(reason, error.strerror)}", reason) from error
        try:
            return Store(self._path, quota_octets=self._quota_octets)
        except NotKept as error:
            if error.reason is not Reason.DAMAGED:
                raise
            return self._put_aside(str(error))

    def _refused(self) -> None:
        """Raises NotKept where nothing can be written: SQLite opens such a file as if nothing were wrong."""
        reason = why_not_written(self._folder)
        if reason in (Reason.READ_ONLY, Reason.DENIED):
            raise NotKept(f"{self._path}: {WORDS[reason]}", reason)

    def _to_read(self) -> Store | None:
        """What is there, where it can be read but not written; None where it cannot even be read."""
        if self._url is not None:
            return None
        try:
            return Store(self._path, read_only=True)
        except NotKept as error:
            log.debug("nothing can be read: %s", error)
            return None

    def _mend_log(self) -> None:
        name = f"{mending.PREFIX}{int(self._clock.wall_s())}.wal"
        found = wal.mend(self._path.with_name(self._path.name + "-wal"), self._folder / name)
        if found is not None:
            log.error(
                "the history's log had %d damaged pages with %d good ones behind them; mended, as it was in %s",
                found.damaged,
                found.followed,
                found.copy,
            )

    def _put_aside(self, why: str) -> Store:
        try:
            aside = mending.put_aside(self._path, self._clock.wall_s(), why)
        except NotKept:
            raise
        except OSError as error:
            reason = reason_of(error)
            raise NotKept(f"{self._path} is damaged ({why}) and cannot be put aside: {error}", reason) from error
        log.error("the history is damaged (%s); it lies in %s, and a fresh one goes on", why, aside)
        return Store(self._path, quota_octets=self._quota_octets)
