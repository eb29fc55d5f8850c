"""Where light was lost: span losses of both directions and colours, and what their changes say."""

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from monitor.margins.features import Features

Whence = Literal["transmitter", "receiver", "connector", "bend", "one fibre", "nothing", "not known"]

CHANGED_DB: Final = 0.4
"""Less than this is no change: SFF-8472's levels repeat to a few tenths (common practice, no source)."""
UNEQUAL_SHARE: Final = 0.25
"""By how much the losses of two colours must differ to be a bend's; of the larger."""


@dataclass(frozen=True, slots=True)
class Span:
    """One direction at one moment: what the far end says that it sends, what the near end says that arrives."""

    nm: float
    tx_dbm: float | None
    rx_dbm: float | None

    @property
    def loss_db(self) -> float | None:
        """Loss of the span [dB]: Tx − Rx. With the errors of both optics in it, so only its changes count.

        >>> Span(1310, -5.5, -9.0).loss_db
        3.5
        """
        if self.tx_dbm is None or self.rx_dbm is None or not math.isfinite(self.rx_dbm):
            return None
        return self.tx_dbm - self.rx_dbm


@dataclass(frozen=True, slots=True)
class Lost:
    """What has changed of one direction [dB]: less sent, more lost on the way. None: not known."""

    nm: float
    sent_db: float | None
    span_db: float | None


def at_both(features: Features, from_day: int) -> tuple[float | None, float | None]:
    """What a level was over the 28 days from a baseline's begin, and what it is over the last 7; medians."""
    early = features.midmean[(features.days >= from_day) & (features.days < from_day + 28)]
    recent = features.midmean[features.days > (features.days[-1] if len(features) else 0) - 7]
    return (
        float(np.median(early)) if len(early) else None,
        float(np.median(recent)) if len(recent) else None,
    )


def lost(before: Span, now: Span) -> Lost:
    """The change of one direction between two moments."""
    sent = before.tx_dbm - now.tx_dbm if before.tx_dbm is not None and now.tx_dbm is not None else None
    losses = before.loss_db, now.loss_db
    span = losses[1] - losses[0] if losses[0] is not None and losses[1] is not None else None
    return Lost(before.nm, sent, span)


def whence(inward: Lost, outward: Lost) -> Whence:
    """Where the light was lost, by direction and colour.

    A weaker transmitter sends less and loses nothing more on the way. A connector costs both colours alike. A bend
    costs the longer wavelength more (ITU-T G.652 specifies macrobending loss at 1550 and 1625 nm, where it is
    highest). One direction alone is that way's fibre, or at equal colours and one fibre its receiver.

    >>> whence(Lost(1310, 0.0, 2.0), Lost(1490, 0.1, 2.1)), whence(Lost(1310, 0.0, 1.0), Lost(1490, 0.0, 2.4))
    ('connector', 'bend')
    """
    if any(one.sent_db is not None and one.sent_db > CHANGED_DB for one in (inward, outward)):
        return "transmitter"
    a, b = inward.span_db, outward.span_db
    if a is None or b is None:
        return "not known"
    if max(a, b) < CHANGED_DB:
        return "nothing"
    if min(a, b) < CHANGED_DB:
        return "one fibre" if inward.nm == outward.nm else "receiver"
    longer, shorter = (a, b) if inward.nm > outward.nm else (b, a)
    if inward.nm != outward.nm and longer - shorter > max(CHANGED_DB, UNEQUAL_SHARE * longer):
        return "bend"
    return "connector"
