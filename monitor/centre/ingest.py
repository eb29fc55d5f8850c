"""The centre's side: each parcel is believed only by its site's own key, kept, and answered after it is kept.

Stateless: any number of ingesters serve one queue, and what one has begun and not answered is asked again.
"""

import logging
from collections.abc import Callable
from typing import Any

from monitor.centre.parcel import Holds, NotRight, Parcel, Sign, opened
from monitor.centre.ports import Inbox, Known, NotNow, site_of
from monitor.centre.reporter import HELLO, answer_to

log = logging.getLogger(__name__)

LONGEST_ALIVE_S = 7 * 86_400.0
"""A site that means to be heard more seldom than that would never be missed."""
_LIMIT = 2**63
"""Of the tables' numbers (PostgreSQL's bigint)."""


class Ingester:
    """Takes what sites send."""

    def __init__(self, inbox: Inbox, sign: Sign, verifier: Callable[[str], Holds], now_s: Callable[[], float]) -> None:
        self._inbox, self._sign, self._verifier, self._now_s = inbox, sign, verifier, now_s
        self._holds: dict[str, tuple[str, Holds]] = {}
        self._in_hand: set[str] = set()
        self.taken = 0
        self.refused: dict[str, int] = {}
        """Why → how often."""

    async def take(self, subject: str, octets: bytes) -> bytes:
        """Take one parcel; the answer to it."""
        try:
            site, kind = site_of(subject)
            parcel = opened(subject, octets, await self._key(site))
            answer = await self._alone(site, kind, parcel)
            why = ""
        except NotRight as error:
            why = str(error)
        except NotNow as error:
            log.error("%s could not be kept: %s", subject, error)
            return self._answer(subject, octets, {"no": "it cannot be kept now"})
        if why:
            self._say_no(subject, why)
            return self._answer(subject, octets, {"no": why})
        return self._answer(subject, octets, answer)

    async def _alone(self, site: str, kind: str, parcel: Parcel) -> dict[str, object]:
        """What is answered to a parcel; raises NotRight.

        A site sends one after another. Several at once would wait for each other in the tables, and hold all places
        there that others need.
        """
        if site in self._in_hand:
            raise NotRight("it has another parcel in hand")
        self._in_hand.add(site)
        try:
            if kind == HELLO:
                return _told(await self._inbox.known(site))
            _look_at(parcel)
            why = await self._inbox.keep(site, Parcel({**parcel.head, "kind": kind}, parcel.blobs), self._now_s())
        finally:
            self._in_hand.discard(site)
        if why:
            raise NotRight(why)
        self.taken += 1
        return {}

    async def _key(self, site: str) -> Holds:
        """By what a site's signature is looked at; a changed key counts at once."""
        public = await self._inbox.key_of(site)
        if public is None:
            raise NotRight("this centre knows no such site")
        if self._holds.get(site, ("", None))[0] != public:
            self._holds[site] = public, self._verifier(public)
        return self._holds[site][1]

    def _say_no(self, subject: str, why: str) -> None:
        if why not in self.refused:
            log.warning("%s was refused: %s", subject, why)
        self.refused[why] = self.refused.get(why, 0) + 1

    def _answer(self, subject: str, octets: bytes, head: dict[str, object]) -> bytes:
        return answer_to(subject, octets, head, self._sign)


def _look_at(parcel: Parcel) -> None:
    """What every kind has is looked at here; raises NotRight."""
    _ = parcel.number
    alive_s, up_to = parcel.head.get("alive_s", 1.0), parcel.head.get("up_to")
    if not _is_number(alive_s) or not 0 < alive_s <= LONGEST_ALIVE_S:
        raise NotRight("it should say within how many seconds it will be heard again, up to a week")
    if up_to is not None and (not isinstance(up_to, int) or isinstance(up_to, bool) or not 0 <= up_to < _LIMIT):
        raise NotRight("its cursor is none")


def _is_number(given: Any) -> bool:
    return isinstance(given, int | float) and not isinstance(given, bool)


def _told(known: Known) -> dict[str, object]:
    return {
        "history": known.history,
        "last": known.number,
        "up_to": dict(known.up_to),
        "newest_change_s": known.newest_change_s,
        "sheets": dict(known.sheets),
    }
