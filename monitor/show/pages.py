"""The pages: site, pole, alarms, rendered from the picture; live by server-sent events; acts by plain forms."""

from collections.abc import AsyncIterator, Sequence
from datetime import datetime
from typing import Annotated, Any
from urllib.parse import quote
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Form, HTTPException, Request
from fastapi.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response, StreamingResponse

from monitor.alarms.states import OPERATOR
from monitor.facts.resources import place_of, tail_of
from monitor.facts.words import listed, say
from monitor.show import drawing
from monitor.show.api import Act
from monitor.show.ports import Refused, Site
from monitor.show.rendering import environment
from monitor.show.views import AlarmView, LoadView, MarginView, Picture, PlaceView

_WORDS = {
    "rx_dbm": say("light in port {part}"),
    "input_volts": say("volts at the switch"),
    "poe_total_watts": say("PoE, all ports"),
    "port_watts": say("watts of port {part}"),
    "supply_volts": say("volts of {part}"),
    "feeder_amperes": say("amperes of the feeder"),
}
RANGES = {"day": (say("day"), 86_400), "week": (say("week"), 7 * 86_400), "year": (say("14 months"), 430 * 86_400)}
POINTS = 320
_ACTS = (
    (say("Acknowledge"), "ack"),
    (say("Close"), "closed"),
    (say("Shelve"), "shelved"),
    (say("Un-shelve"), "un-shelved"),
)
_MAY = {(now.value, then.value) for now, then in OPERATOR}


def what(margin: MarginView) -> str:
    """A margin's name for people."""
    known = _WORDS.get(margin.quantity)
    return say(known.pattern, part=tail_of(margin.resource)) if known else margin.quantity.replace("_", " ")


def resolution_words(usual_s: float, latest_s: float, missed: int) -> str:
    """How dense the readings behind a line are.

    >>> resolution_words(3600, 60, 0), resolution_words(60, 60, 3), resolution_words(0, 0, 0)
    ('hourly readings, at the end each minute', 'readings each minute; 3 missing', 'no readings')
    """
    if not usual_s:
        return say("no readings")
    words = say("hourly readings") if round(usual_s) == 3600 else say("readings {each}", each=_each(usual_s))
    if latest_s < 0.7 * usual_s:
        words = say("{readings}, at the end {each}", readings=words, each=_each(latest_s))
    return say("{readings}; {count} missing", readings=words, count=missed) if missed else words


def _each(seconds: float) -> str:
    return say("each minute") if round(seconds) == 60 else say("each {seconds:.0f} s", seconds=seconds)


def loads_in_words(loads: Sequence[LoadView]) -> str:
    """All loads of a place in few words: those that do not answer by name."""
    if loads and all(load.state == "not seen" for load in loads):
        return say("{count} not seen", count=len(loads))
    broken: list[str] = [
        say("{load}: {what}", load=load.name, what=load.state) for load in loads if load.state != "answers"
    ]
    fine = len(loads) - len(broken)
    return listed([*broken, *([say("{fine} of {count} answer", fine=fine, count=len(loads))] if fine else [])])


class Pages:
    """Renders pages of a running site."""

    def __init__(self, site: Site) -> None:
        self._site = site

    def _render(self, name: str, picture: Picture, **more: Any) -> HTMLResponse:
        found = environment(self._site.tongue())
        found.filters |= {"what": what, "loads": loads_in_words}
        return HTMLResponse(found.get_template(name).render(picture=picture, acts=_ACTS, may=_MAY, **more))

    def site(self) -> HTMLResponse:
        """The site as the single-line strip."""
        picture, tongue = self._site.picture(), self._site.tongue()
        first = next((a for a in picture.alarms if not a.cleared and not a.root), None)
        return self._render(
            "site.html",
            picture,
            here="site",
            title=say("Site"),
            first=first,
            places=(picture.headend, *picture.poles),
            strip_wide=drawing.strip(picture, 1000, tongue),
            strip_narrow=drawing.strip(picture, 360, tongue),
        )

    def alarms(self) -> HTMLResponse:
        """One list by pole; cleared ones folded beneath."""
        picture = self._site.picture()
        standing = [{"place": place_of(a.resource), "alarm": a} for a in picture.alarms if not a.cleared]
        cleared = [a for a in picture.alarms if a.cleared]
        return self._render(
            "alarms.html", picture, here="alarms", title=say("Alarms"), standing=standing, cleared=cleared
        )

    def answer(self, person: str, alarm: AlarmView, done: bool = False) -> HTMLResponse:
        """The page behind a signed link: one alarm, one button."""
        template = environment(self._site.tongue(person)).get_template("answer.html")
        said = template.render(picture=self._site.picture(), alarm=alarm, person=person, done=done)
        return HTMLResponse(said, headers={"Cache-Control": "no-store"})

    async def review(self, wanted: str) -> HTMLResponse:
        """The review of a month; without a name the running one."""
        picture = self._site.picture()
        months = _months(picture)
        wanted = wanted or months[0]
        try:
            month = await self._site.month(wanted)
        except Refused as refused:
            raise HTTPException(404, str(refused)) from None
        return self._render(
            "review.html", picture, here="review", title=say("Review"), month=month, months=months, wanted=wanted
        )

    async def pole(self, name: str, wanted: str) -> HTMLResponse:
        """One pole: margins as rulers, loads by layer, the last day, week or months."""
        picture = self._site.picture()
        pole = next((p for p in picture.poles if p.name == name), None)
        if pole is None:
            raise HTTPException(404, f"{name!r} is no pole of {picture.site}")
        wanted = wanted if wanted in RANGES else "week"
        layers = list(dict.fromkeys(layer for load in pole.loads for layer in load.layers))
        return self._render(
            "pole.html",
            picture,
            here="pole",
            title=name,
            pole=pole,
            layers=layers,
            range=wanted,
            ranges=[(key, words) for key, (words, _) in RANGES.items()],
            alarms=[a for a in picture.alarms if _concerns(a, name)],
            lines=[line async for line in self._lines(picture, pole, wanted)],
        )

    async def _lines(self, picture: Picture, pole: PlaceView, wanted: str) -> AsyncIterator[dict[str, Any]]:
        zone, tongue, (_, span_s) = ZoneInfo(picture.timezone), self._site.tongue(), RANGES[wanted]
        for margin in pole.margins:
            if margin.quantity not in ("rx_dbm", "input_volts", "poe_total_watts"):
                continue
            line = await self._site.history(
                margin.resource, margin.quantity, picture.at_s - span_s, picture.at_s, POINTS
            )
            limits = [limit for limit in (margin.low, margin.high) if limit is not None]
            yield {
                "title": listed([what(margin), margin.unit], ", "),
                "resolution": resolution_words(line.resolution_s, line.latest_resolution_s, line.missed),
                "drawing": drawing.over_time(
                    line.times_s,
                    line.lows,
                    line.means,
                    line.highs,
                    limits,
                    margin.unit,
                    zone,
                    tongue.say(what(margin)),
                    tongue,
                ),
            }


def _months(picture: Picture, number: int = 14) -> list[str]:
    """The running month and those before it, newest first."""
    now = datetime.fromtimestamp(picture.at_s, ZoneInfo(picture.timezone))
    at = now.year * 12 + now.month - 1
    return [f"{(at - i) // 12}-{(at - i) % 12 + 1:02d}" for i in range(number)]


def _concerns(alarm: AlarmView, pole: str) -> bool:
    return not alarm.cleared and (place_of(alarm.resource) == pole or pole in alarm.impacted)


def pages(site: Site) -> APIRouter:
    """Routes of the pages."""
    routes, shown = APIRouter(include_in_schema=False), Pages(site)

    @routes.get("/")
    async def the_site() -> HTMLResponse:
        return shown.site()

    @routes.get("/alarms")
    async def the_alarms() -> HTMLResponse:
        return shown.alarms()

    @routes.get("/review")
    async def this_month() -> HTMLResponse:
        return await shown.review("")

    @routes.get("/review/{month}")
    async def one_month(month: str) -> HTMLResponse:
        return await shown.review(month)

    @routes.get("/pole/{name}")
    async def one_pole(name: str, range: str = "week") -> HTMLResponse:
        return await shown.pole(name, range)

    @routes.get("/events")
    async def events() -> StreamingResponse:
        async def stream() -> AsyncIterator[str]:
            yield "event: hello\ndata: farpole\n\n"
            async for word in site.changes():
                yield f"event: {word.replace(' ', '-')}\ndata: \n\n"

        return StreamingResponse(stream(), media_type="text/event-stream", headers={"Cache-Control": "no-store"})

    @routes.post("/act")
    async def act(request: Request, wanted: Annotated[Act, Form()]) -> RedirectResponse:
        try:
            await site.operate(wanted.resource, wanted.type, wanted.qualifier, wanted.operator, wanted.who, wanted.note)
        except KeyError:
            raise HTTPException(404, f"there is no alarm {wanted.resource} {wanted.type}") from None
        except Refused as refused:
            raise HTTPException(409, str(refused)) from None
        return RedirectResponse("/alarms", 303)

    @routes.post("/cycle")
    async def cycle(
        pole: Annotated[str, Form(max_length=200)],
        port: Annotated[str, Form(max_length=60)],
        who: Annotated[str, Form(min_length=1, max_length=60)],
        why: Annotated[str, Form(min_length=3, max_length=500)],
        confirmed: Annotated[bool, Form()],
    ) -> RedirectResponse:
        if not confirmed:
            raise HTTPException(409, "confirm that nobody is working there")
        try:
            await site.cycle(pole, port, who, why)
        except Refused as refused:
            raise HTTPException(409, str(refused)) from None
        return RedirectResponse(f"/pole/{quote(pole)}", 303)

    _answers(routes, shown, site)
    return routes


def _answers(routes: APIRouter, shown: Pages, site: Site) -> None:
    """Whoever comes by a link has a telephone in his hand: what does not work is said in words, too."""

    @routes.get("/answer/{token}")
    async def answer(token: str) -> Response:
        try:
            return shown.answer(*site.answering(token))
        except Refused as refused:
            return PlainTextResponse(f"{refused}\n", 404)

    @routes.post("/answer/{token}")
    async def answered(token: str) -> Response:
        try:
            person, _ = site.answering(token)
        except Refused as refused:
            return PlainTextResponse(f"{refused}\n", 404)
        try:
            return shown.answer(person, await site.answered(token), done=True)
        except Refused as refused:
            return PlainTextResponse(f"{refused}\n", 409)
