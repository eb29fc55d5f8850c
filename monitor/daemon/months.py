"""Months of a site's calendar: their begin and end, and the site days that are theirs."""

import calendar
from dataclasses import dataclass
from datetime import UTC, date, datetime, tzinfo

DAY_S = 86_400.0


def standard_offset_s(zone: tzinfo, at_s: float) -> int:
    """How far a zone's standard time, without daylight saving, is ahead of UTC at a time [s]."""
    local = datetime.fromtimestamp(at_s, UTC).astimezone(zone)
    standard = (local.utcoffset() or local - local) - (local.dst() or local - local)
    return int(standard.total_seconds())


def span_of(month: str, zone: tzinfo) -> tuple[float, float]:
    """Begin and end of ``2026-10`` in the site's time (UTC seconds); raises ValueError."""
    try:
        first = date.fromisoformat(f"{month}-01")
    except ValueError:
        raise ValueError(f"{month!r} is no month; write 2026-10") from None
    days = calendar.monthrange(first.year, first.month)[1]
    begin = datetime(first.year, first.month, 1, tzinfo=zone)
    last = datetime(first.year, first.month, days, 23, 59, 59, tzinfo=zone)
    return begin.timestamp(), last.timestamp() + 1


def months_of(year: str, zone: tzinfo, now_s: float) -> list[str]:
    """The months of a year that have begun; raises ValueError."""
    if not (year.isdigit() and len(year) == 4):
        raise ValueError(f"{year!r} is no year; write 2026")
    this = datetime.fromtimestamp(now_s, zone).strftime("%Y-%m")
    found = [month for month in (f"{year}-{i:02d}" for i in range(1, 13)) if month <= this]
    if not found:
        raise ValueError(f"{year} has not begun")
    return found


@dataclass(frozen=True, slots=True)
class Span:
    """A month as far as it has gone; times are UTC seconds, ends are not part of it.

    Days are the site's standard-time days, in which the history keeps its figures for ever. With daylight saving the
    calendar's midnight is an hour before theirs: a day belongs to the month in which its noon lies, so that each day
    is of one month.
    """

    from_s: float
    to_s: float
    first_day: int
    last_day: int
    """With it."""
    days_from_s: float
    days_to_s: float
    over: bool

    @classmethod
    def of(cls, month: str, zone: tzinfo, offset_s: int, now_s: float) -> "Span":
        """The span of ``2026-10`` up to now; raises ValueError."""
        from_s, end_s = span_of(month, zone)
        first, after = (int((at_s + offset_s + DAY_S / 2) // DAY_S) for at_s in (from_s, end_s))
        days_end_s = after * DAY_S - offset_s
        over = now_s >= max(end_s, days_end_s)
        last = after - 1 if over else min(after - 1, int((now_s + offset_s) // DAY_S))
        days = (first * DAY_S - offset_s, min(days_end_s, now_s))
        return cls(from_s, min(end_s, now_s), first, last, *days, over)
