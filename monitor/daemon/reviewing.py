"""Gathers a month from the history for the review: readings, verdicts as they stood at its end, alarms, repairs."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np

from monitor.alarms.availability import MINUTE_S, Heard, Minutes, Outage, charged, held
from monitor.alarms.drifting import sentence
from monitor.alarms.kpi import Happened, figures
from monitor.alarms.messages import DRILL
from monitor.daemon.design import Design
from monitor.daemon.judging import lost_where, resets_of
from monitor.daemon.months import Span
from monitor.daemon.outages import SILENT, out_since_s, taken_by
from monitor.daemon.reviewing_figures import figures_of, finite_or_none
from monitor.daemon.reviewing_words import day, left, slope, too_young
from monitor.daemon.rounds import OPTIC
from monitor.facts import resources
from monitor.facts.quantities import QUANTITIES, UNITS
from monitor.facts.readings import Slot, State
from monitor.facts.words import at, listed, say
from monitor.history.columns import NOT_ASKED, Columns
from monitor.history.records import PastChange, Repair
from monitor.history.store import Store
from monitor.margins.drift import LEAST_DAYS
from monitor.margins.features import Features
from monitor.margins.kinds import Watched, watched
from monitor.margins.verdict import Verdict, ranked, verdict_of
from monitor.show.chart import Chart
from monitor.show.month import Available, FaultRow, Month, SeriesRow, Visit, lasted, work_list

DAY_S = 86_400.0
SHOWN_DAYS, CHART_POINTS = 430, 200
WEEK_DAYS = 7
BEFORE_MINUTES = 120
"""How long before the month is looked at, for the last answer that still holds at its begin."""
HELD_ROUNDS = 1.5
"""An answer holds until the next question, of which one may come late."""
MOST_CHANGES = 100_000
FIRST_DAYS = 2
"""A history of no more than this has no whole day yet, of which alone some series are made."""
_FAULT_OF = {
    "rx_dbm": {"bend": "fibre-bend", "transmitter": "laser-ageing"},
    "bias_milliamperes": {"": "laser-ageing"},
    "loop_ohms": {"": "corroded-joint"},
    "held_watt_hours": {"": "battery-aged"},
}


class Reviewing:
    """One month of one site; every question goes to a store that is only read."""

    def __init__(self, store: Store, design: Design, month: str, now_s: float) -> None:
        self._store, self._design = store, design
        self._zone = ZoneInfo(design.plan.site.timezone)
        self._month, self._now_s = month, now_s
        self._offset_s = int(store.setting_of("standard_offset_s") or 0)
        self._span = span = Span.of(month, self._zone, self._offset_s, now_s)
        self._from_s, self._to_s, self._last_day = span.from_s, span.to_s, span.last_day
        self._watched = watched(design.plan, design.budget)
        first = store.first_day(self._offset_s)
        self._first_day = self._last_day if first is None else first
        self._days = self._last_day - self._first_day + 1

    def month(self) -> Month:
        """Everything."""
        verdicts = dict(self._verdicts())
        for slot, where in lost_where(self._design, verdicts, self._features).items():
            verdicts[slot] = replace(verdicts[slot], whence=where)
        raises = self._raises()
        available = tuple(self._available(raises))
        visits = tuple(self._visits(verdicts))
        young, missing = self._too_young(verdicts), tuple(self._not_measured(verdicts))
        repairs = self._store.repairs(self._from_s, self._to_s)
        return Month(
            self._design.plan.site.name,
            at(datetime.fromtimestamp(self._from_s, self._zone), "month"),
            self._date(self._from_s),
            self._date(self._to_s - 1),
            "" if self._span.over else at(datetime.fromtimestamp(self._now_s, self._zone), "minute"),
            visits,
            available,
            tuple(self._series(verdicts)),
            tuple(figures_of(self._design.limits.values(), self._line)),
            tuple(self._faults(raises)),
            tuple((self._date(r.at_s), r.resource, r.who, r.text) for r in repairs),
            figures([one for one, _ in raises], self._from_s, self._to_s),
            missing,
            work_list(visits, missing),
            self._design.plan.site.timezone,
            self._month,
            self._lacking(verdicts),
            too_young(len(young)) if young else "",
        )

    def _date(self, at_s: float) -> str:
        return at(datetime.fromtimestamp(at_s, self._zone), "date")

    def _lacking(self, verdicts: dict[Slot, Verdict]) -> str:
        """What is not there yet of the month's days."""
        if self._days < LEAST_DAYS:
            words = "it is too young to be judged; its readings began on {day}, and a margin needs {least} days of them"
            return say(words, day=day(self._first_day), least=LEAST_DAYS)
        if not verdicts:
            return say("no day of it has been folded and judged yet; days are, after midnight and at the start")
        judged = max(verdict.day for verdict in verdicts.values())
        words = "its days are judged only until {day}; the rest is still being folded"
        return say(words, day=day(judged)) if judged < self._last_day - 2 else ""

    # ---- judged series

    def _features(self, slot: Slot, from_day: int = 0) -> Features:
        """Features up to the month's last day."""
        return self._store.features(slot, from_day, self._last_day)

    def _line(self, slot: Slot) -> Columns:
        """The whole month in one stretch, made of whole days: of those the figures stay for ever."""
        return self._store.series(slot, self._span.days_from_s, self._span.days_to_s - 0.001, 1)

    def _verdicts(self) -> Iterator[tuple[Slot, Verdict]]:
        """Each series as it would have been judged on the month's last day."""
        repairs: Sequence[Repair] = self._store.repairs()
        optics = self._store.notes(OPTIC)
        for slot, one in self._watched.items():
            features = self._features(slot)
            if len(features):
                resets = resets_of(slot, one, repairs, optics, self._offset_s)
                yield slot, verdict_of(slot, one, features, [r.day for r in resets if r.day <= self._last_day])

    def _series(self, verdicts: dict[Slot, Verdict]) -> Iterator[SeriesRow]:
        for slot, verdict in verdicts.items():
            one = self._watched[slot]
            unit = UNITS[QUANTITIES[slot.quantity].unit]
            judged = verdict.judged
            line = self._line(slot)
            features = self._features(slot, max(self._span.first_day, self._last_day - WEEK_DAYS + 1))
            now = finite_or_none(np.median(features.midmean)) if len(features) else None
            yield SeriesRow(
                verdict.pole,
                f"{slot.resource}:{slot.quantity}",
                one.kind.words,
                unit,
                now,
                finite_or_none(line.lows[0]) if len(line.lows) else None,
                finite_or_none(line.highs[0]) if len(line.highs) else None,
                judged.baseline.value if judged else None,
                day(judged.baseline.from_day) if judged else "",
                verdict.limit_in_unit,
                one.source,
                verdict.used_percent,
                sentence(verdict, one) if verdict.drift is not None else "",
                slope(verdict, one),
                left(verdict),
                verdict.reason,
                chart=self._chart(slot, verdict, one, unit),
                steady=verdict.judged is not None and verdict.drift is None,
            )

    def _chart(self, slot: Slot, verdict: Verdict, one: Watched, unit: str) -> Chart | None:
        """Of what drifts."""
        if verdict.drift is None:
            return None
        end_s = self._span.days_to_s
        from_s = (self._last_day + 1 - SHOWN_DAYS) * DAY_S - self._offset_s
        line = self._store.series(slot, from_s, end_s - 0.001, CHART_POINTS)
        limits = [] if verdict.limit_in_unit is None else [verdict.limit_in_unit]
        columns = (line.seen_at_s.tolist(), line.lows.tolist(), line.means.tolist(), line.highs.tolist())
        title = listed([one.kind.words, slot.resource], ", ")
        known = verdict.forecast
        mine = (resources.place_of(slot.resource), verdict.pole, slot.resource)
        return Chart(
            title,
            unit,
            *columns,
            [(limit, say("limit")) for limit in limits],
            verdict.judged.baseline.value if verdict.judged else None,
            [(r.at_s, f"{r.who}: {r.text}") for r in self._store.repairs(from_s, end_s) if r.resource in mine],
            (known.p10_months, known.p50_months, known.p90_months) if known else None,
            stretch_s=(end_s - from_s) / CHART_POINTS,
        )

    def _visits(self, verdicts: dict[Slot, Verdict]) -> Iterator[Visit]:
        for one in ranked(verdicts, self._design.lost_with()):
            pole = self._design.plan.pole(one.pole)
            first = verdicts[one.slots[0]]
            kinds = _FAULT_OF.get(first.slot.quantity, {})
            fault = kinds.get(first.whence) or kinds.get("") or "dirty-connector"
            why = tuple(sentence(verdicts[slot], self._watched[slot]) for slot in one.slots)
            yield Visit(one.pole, why, fault, pole.place, pole.access)

    # ---- availability and alarms

    def _raises(self) -> list[tuple[Happened, list[PastChange]]]:
        """Each raise with the changes that followed it, up to the next."""
        open_ones: dict[object, list[PastChange]] = {}
        found: list[list[PastChange]] = []
        for change in self._store.changes(0.0, MOST_CHANGES, self._to_s):
            if change.key.type == DRILL:
                continue
            if change.what.startswith("raised"):
                open_ones[change.key] = [change]
                found.append(open_ones[change.key])
            elif change.key in open_ones:
                open_ones[change.key].append(change)
        rows = []
        for some in found:
            first = some[0]
            cleared = next((c.at_s for c in some if c.what == "cleared"), None)
            rows.append((Happened(first.at_s, first.key, some[-1].severity, cleared), some))
        return rows

    def _available(self, raises: Sequence[tuple[Happened, list[PastChange]]]) -> Iterator[Available]:
        for pole in self._design.plan.poles:
            outages = []
            for one, changes in raises:
                since_s = out_since_s(pole.name, changes) if one.key.type in SILENT else None
                if since_s is not None:
                    end_s = self._to_s if one.cleared_s is None else one.cleared_s
                    since, until = (since_s - self._from_s) / MINUTE_S, (end_s - self._from_s) / MINUTE_S
                    outages.append(Outage(since, until, taken_by(one, changes)))
            minutes = self._heard(pole.name)
            found = charged(minutes, outages)
            by = found.by_cause.get
            lost = (by("power", 0), by("path", 0), by("unknown", 0), found.not_explained)
            yield Available(pole.name, found.percent, *lost, 100 * found.not_asked / max(1, len(minutes)))

    def _heard(self, pole: str) -> Minutes:
        """What each minute of the month knows of a pole's switch: anything that came is an answer."""
        slot = Slot(resources.switch(pole), "uptime_seconds")
        whole = int((self._to_s - self._from_s) // MINUTE_S)
        begin_s, end_s = self._from_s - BEFORE_MINUTES * MINUTE_S, self._from_s + whole * MINUTE_S
        line = self._store.series(slot, begin_s, end_s - 0.001, whole + BEFORE_MINUTES)
        heard = np.full(len(line.states), Heard.ANSWERED, np.uint8)
        heard[line.states == State.SILENT] = Heard.MISSED
        heard[line.states == NOT_ASKED] = Heard.NOT_ASKED
        most_minutes = HELD_ROUNDS * max(1.0, line.resolution_s / MINUTE_S)
        return held(heard, most_minutes)[BEFORE_MINUTES:]

    def _faults(self, raises: Sequence[tuple[Happened, list[PastChange]]]) -> Iterator[FaultRow]:
        for one, changes in raises:
            ended = one.cleared_s is not None and one.cleared_s < self._from_s
            if ended or any(c.what == "linked" for c in changes):
                continue
            settled = next((c.note for c in changes if c.what == "cleared"), "")
            since = at(datetime.fromtimestamp(one.at_s, self._zone), "short")
            yield FaultRow(
                one.key.resource,
                one.key.type.replace("-", " "),
                one.severity,
                since,
                lasted(None if one.cleared_s is None else one.cleared_s - one.at_s),
                changes[0].text,
                settled,
            )

    def _too_young(self, verdicts: dict[Slot, Verdict]) -> frozenset[Slot]:
        """Series of which time alone will tell: they are no work for anybody."""
        found = {slot for slot, verdict in verdicts.items() if verdict.too_young}
        if self._days < LEAST_DAYS:
            folded = self._days > FIRST_DAYS
            found |= {s for s in self._watched if s not in verdicts and (not folded or self._line(s).seen.any())}
        return frozenset(found)

    def _not_measured(self, verdicts: dict[Slot, Verdict]) -> Iterator[str]:
        young = self._too_young(verdicts)
        for slot, one in self._watched.items():
            if slot in young:
                continue
            if slot not in verdicts:
                yield say("{resource} {what}: no readings", resource=slot.resource, what=one.kind.words)
            elif verdicts[slot].judged is None:
                said = {"what": one.kind.words, "why": verdicts[slot].reason}
                yield say("{resource} {what}: {why}", resource=slot.resource, **said)
