"""The pages, rendered from the picture: site, pole, at the pole, alarms, survey, reviews, plan."""

from collections.abc import AsyncIterator
from datetime import datetime
from typing import Any
from urllib.parse import quote
from zoneinfo import ZoneInfo

from fastapi import HTTPException
from fastapi.responses import HTMLResponse

from monitor.alarms.states import OPERATOR
from monitor.facts.resources import place_of
from monitor.facts.words import listed, say
from monitor.show import drawing, ladder
from monitor.show.budget_page import drawing as run_drawing
from monitor.show.budget_text import sections
from monitor.show.budget_view import negative
from monitor.show.chart import Chart
from monitor.show.door import Visitor
from monitor.show.naming import loads_in_words, what
from monitor.show.over_time import over_time
from monitor.show.ports import SPANS_S, UPLINK, Looked, Refused
from monitor.show.rendering import environment
from monitor.show.views import AlarmView, Picture, PlaceView

RANGES = {"day": say("day"), "week": say("week"), "year": say("14 months")}
_ACTS = (
    (say("Acknowledge"), "ack"),
    (say("Close"), "closed"),
    (say("Shelve"), "shelved"),
    (say("Un-shelve"), "un-shelved"),
)
_MAY = {(now.value, then.value) for now, then in OPERATOR}
_OVER_TIME = ("rx_dbm", "input_volts", "poe_total_watts", "battery_percent", "feeder_amperes")
TABLE_ROWS = 30
"""How many rows the table beside a chart has, for those who cannot see it."""


class Pages:
    """Renders pages of a running site, or of one of many: then ``base`` begins its paths."""

    def __init__(self, site: Looked, base: str = "") -> None:
        self._site, self._base = site, base

    def render(self, name: str, visitor: Visitor, picture: Picture, **more: Any) -> HTMLResponse:
        """A template with what every page needs."""
        found = environment(self._site.tongue())
        found.filters |= {"what": what, "loads": loads_in_words}
        shown = {"picture": picture, "visitor": visitor, "charts": self._site.charts_ready(), "base": self._base}
        more |= {"acts": _ACTS, "may": _MAY, "itself": self._site.itself()}
        return HTMLResponse(found.get_template(name).render(**shown, **more))

    def site(self, visitor: Visitor) -> HTMLResponse:
        """The site as the single-line strip, and what will be next."""
        picture, tongue = self._site.picture(), self._site.tongue()
        return self.render(
            "site.html",
            visitor,
            picture,
            here="site",
            title=say("Site"),
            first=picture.first,
            coming=self._site.coming(),
            places=(picture.headend, *picture.poles),
            strip_wide=drawing.strip(picture, 1000, tongue, self._base),
            strip_narrow=drawing.strip(picture, 360, tongue, self._base),
        )

    def alarms(self, visitor: Visitor) -> HTMLResponse:
        """One list by pole: each cause with its consequences beneath it; cleared ones folded."""
        picture = self._site.picture()
        standing = [a for a in picture.alarms if not a.cleared]
        roots = [a for a in standing if not _root_of(a, standing)]
        groups: dict[str, list[dict[str, Any]]] = {}  # by pole, in the order of each pole's first alarm
        for one in roots:
            follow = [b for b in standing if _root_of(b, standing) is one]
            groups.setdefault(place_of(one.resource), []).append({"alarm": one, "follow": follow})
        cleared = [a for a in picture.alarms if a.cleared]
        more = {"title": say("Alarms"), "standing": list(groups.items()), "count": len(standing), "cleared": cleared}
        return self.render("alarms.html", visitor, picture, here="alarms", **more)

    async def review(self, visitor: Visitor, wanted: str) -> HTMLResponse:
        """The review of a month; without a name the running one."""
        picture = self._site.picture()
        months = _months(picture)
        wanted = wanted or months[0]
        try:
            month = await self._site.month(wanted)
        except Refused as refused:
            raise HTTPException(404, str(refused)) from None
        more = {"title": say("Review"), "month": month, "months": months, "wanted": wanted}
        return self.render("review.html", visitor, picture, here="review", **more)

    async def year(self, visitor: Visitor, wanted: str) -> HTMLResponse:
        """A year as one view."""
        picture = self._site.picture()
        try:
            year = await self._site.year(wanted)
        except Refused as refused:
            raise HTTPException(404, str(refused)) from None
        more = {"title": say("Review"), "year": year, "months": _months(picture), "wanted": wanted}
        return self.render("review_year.html", visitor, picture, here="review", **more)

    def survey(self, visitor: Visitor) -> HTMLResponse:
        """What the switches' own tables say, against the plan."""
        picture = self._site.picture()
        more = {"title": say("Survey"), "survey": self._site.survey()}
        return self.render("survey.html", visitor, picture, here="survey", **more)

    def plan(self, visitor: Visitor) -> HTMLResponse:
        """The plan that is in force, with its budgets."""
        picture, planned = self._site.picture(), self._site.planned()
        poles = [
            {"name": one.pole, "drawing": run_drawing(one), "sections": list(sections(one, planned.imperial))}
            for one in planned.budget.poles.values()
        ]
        more = {"title": say("Plan"), "poles": poles, "negative": negative(planned.budget), "file": planned.file}
        return self.render("plan.html", visitor, picture, here="plan", **more)

    def place(self, name: str) -> tuple[Picture, PlaceView]:
        """The picture, and a pole of it."""
        picture = self._site.picture()
        pole = next((p for p in picture.poles if p.name == name), None)
        if pole is None:
            raise HTTPException(404, f"{name!r} is no pole of {picture.site}")
        return picture, pole

    async def pole(self, visitor: Visitor, name: str, wanted: str) -> HTMLResponse:
        """One pole: budgets and margins as rulers, loads by layer, the last day, week or months, what was done."""
        picture, pole = self.place(name)
        wanted = wanted if wanted in RANGES else "week"
        budget, tongue = self._site.planned().budget.poles[name], self._site.tongue()
        steps = [(one, ladder.draw(one, tongue), ladder.words(one)) for one in ladder.ladders(budget, pole.margins)]
        return self.render(
            "pole.html",
            visitor,
            picture,
            here="pole",
            title=name,
            pole=pole,
            layers=list(dict.fromkeys(layer for load in pole.loads for layer in load.layers)),
            range=wanted,
            ranges=list(RANGES.items()),
            alarms=[a for a in picture.alarms if concerns(a, name)],
            ladders=steps,
            lines=[line async for line in self._lines(picture, pole, wanted)],
            done=await self._site.done_at(name),
        )

    async def _lines(self, picture: Picture, pole: PlaceView, wanted: str) -> AsyncIterator[dict[str, Any]]:
        zone, tongue = ZoneInfo(picture.timezone), self._site.tongue()
        slots = [(m.resource, m.quantity, what(m)) for m in pole.margins if m.quantity in _OVER_TIME]
        for resource, quantity, title in [*slots, (pole.name, UPLINK, say("share of the uplink"))]:
            chart = await self.chart(resource, quantity, wanted, title, picture)
            yield {
                "title": listed([chart.title, chart.unit], ", "),
                "resolution": chart.resolution,
                "drawing": over_time(chart, zone, tongue),
                "source": f"/api/chart?resource={quote(resource)}&quantity={quantity}&range={wanted}",
                "rows": _thinned(chart),
                "unit": chart.unit,
            }

    async def chart(self, resource: str, quantity: str, wanted: str, title: str, picture: Picture) -> Chart:
        """A quantity over one of the ranges."""
        return await self._site.chart(resource, quantity, title, picture.at_s - SPANS_S[wanted], picture.at_s)


def _thinned(chart: Chart) -> list[tuple[float, float, float, float]]:
    rows = chart.rows
    return rows[:: max(1, -(-len(rows) // TABLE_ROWS))]


def _root_of(alarm: AlarmView, standing: list[AlarmView]) -> AlarmView | None:
    """The standing alarm that explains this one."""
    if not alarm.root:
        return None
    return next((b for b in standing if b is not alarm and not b.root and b.resource == alarm.root), None)


def _months(picture: Picture, number: int = 14) -> list[str]:
    """The running month and those before it, newest first."""
    now = datetime.fromtimestamp(picture.at_s, ZoneInfo(picture.timezone))
    at = now.year * 12 + now.month - 1
    return [f"{(at - i) // 12}-{(at - i) % 12 + 1:02d}" for i in range(number)]


def concerns(alarm: AlarmView, pole: str) -> bool:
    """Does an alarm that stands concern a pole?"""
    return not alarm.cleared and (place_of(alarm.resource) == pole or pole in alarm.impacted)
