"""The API, served on the command socket and under the page: typed JSON, and nothing that is not in the picture."""

from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo

from fastapi import APIRouter, HTTPException, Query
from pydantic import BaseModel, Field, field_validator

from monitor.facts.words import say
from monitor.show.asked import as_line
from monitor.show.charts import specification
from monitor.show.naming import what
from monitor.show.ports import SPANS_S, UPLINK, Refused, Site
from monitor.show.review_page import sheet_paper
from monitor.show.turnup import words
from monitor.show.views import AlarmView, Picture, PlaceView, finite
from monitor.show.who import MOST_CHARACTERS, Looking, kept_as

Who = Annotated[
    str,
    Field(
        max_length=MOST_CHARACTERS,
        description="leave it out: an act is kept under the name of whoever asks, and another one is refused",
    ),
]


class _Asked(BaseModel):
    """What is asked for; texts are kept and printed, so that each becomes one printable line."""

    @field_validator("*", mode="before")
    @classmethod
    def _one_line_each(cls, value: Any) -> Any:
        return as_line(value)


class Act(_Asked):
    """A person's act on an alarm."""

    resource: str = Field(max_length=200)
    type: str = Field(max_length=60)
    qualifier: str = Field("", max_length=60)
    operator: Literal["ack", "closed", "shelved", "un-shelved"]
    who: Who = ""
    note: str = Field("", max_length=500)


class Note(_Asked):
    """What somebody did at a place."""

    place: str = Field(max_length=200)
    who: Who = ""
    text: str = Field(min_length=1, max_length=500)


class Switching(_Asked):
    """A port to be switched off and on: by whom, why; whoever asks has seen what hangs on it."""

    pole: str = Field(max_length=200)
    port: str = Field(max_length=60)
    who: Who = ""
    why: str = Field(min_length=3, max_length=500)
    confirmed: Literal[True]


class Drilling(_Asked):
    """A drill: where, which fault (empty: the most frequent), by whom, for how long at most."""

    pole: str = Field(max_length=200)
    fault: str = Field("", max_length=60)
    who: Who = ""
    minutes: float = Field(10.0, ge=1, le=120)


class TurnUp(_Asked):
    """A turn-up: which pole, by whom, for how long, and again after dusk?"""

    pole: str = Field(max_length=200)
    who: Who = ""
    minutes: float = Field(3.0, ge=0.2, le=60)
    after_dusk: bool = False


class Shelving(_Asked):
    """What is shelved, until when (17:00, 6h, 3d, ISO 8601; empty: until it is taken down), by whom, why."""

    resource: str = Field(max_length=200)
    type: str = Field("", max_length=60)
    until: str = Field("", max_length=40)
    who: Who = ""
    note: str = Field("", max_length=500)


class Told(BaseModel):
    """Why something was not done."""

    detail: str


class OnePlace(BaseModel):
    """A place and the alarms that concern it; no place for a supply."""

    place: PlaceView | None
    alarms: list[AlarmView]


SHUT_OUT: dict[int | str, dict[str, Any]] = {code: {"model": Told} for code in (400, 401, 403, 503)}
NOT_THERE: dict[int | str, dict[str, Any]] = {404: {"model": Told}}
REFUSED: dict[int | str, dict[str, Any]] = {**NOT_THERE, 409: {"model": Told}}


def api(site: Site) -> APIRouter:
    """Routes over a running site."""
    routes = APIRouter(prefix="/api", responses=SHUT_OUT)
    _lines(routes, site)
    _acting(routes, site)
    _judgement(routes, site)
    _notes(routes, site)
    _switching(routes, site)
    _shelving(routes, site)
    _drills(routes, site)
    _turnups(routes, site)

    @routes.get("/picture", response_model=Picture)
    async def picture() -> dict[str, Any]:
        """How the site stands now."""
        return site.picture().json()

    @routes.get("/alarms", response_model=list[AlarmView])
    async def alarms() -> list[dict[str, Any]]:
        """All alarms, those that stand first."""
        return [finite(alarm) for alarm in site.picture().json()["alarms"]]

    @routes.get("/places/{place}", response_model=OnePlace, responses=NOT_THERE)
    async def place(place: str) -> dict[str, Any]:
        """One place and the alarms that concern it."""
        if place not in site.places():
            raise HTTPException(
                404, f"{place!r} is no place of this site; there are {', '.join(sorted(site.places()))}"
            )
        whole = site.picture().json()
        found = next((p for p in [whole["headend"], *whole["poles"]] if p["name"] == place), None)
        mine = [a for a in whole["alarms"] if place in (a["resource"], a["resource"].split("/")[0], *a["impacted"])]
        return {"place": found, "alarms": mine}

    @routes.get("/itself")
    async def itself() -> dict[str, Any]:
        """How the program itself is doing."""
        return site.itself()

    return routes


def _acting(routes: APIRouter, site: Site) -> None:
    @routes.post("/act", response_model=AlarmView, responses=REFUSED)
    async def act(wanted: Act, visitor: Looking) -> dict[str, Any]:
        """A person's act on an alarm."""
        try:
            who = kept_as(visitor, wanted.who)
            view = await site.operate(wanted.resource, wanted.type, wanted.qualifier, wanted.operator, who, wanted.note)
        except KeyError:
            raise HTTPException(404, f"there is no alarm {wanted.resource} {wanted.type}") from None
        except Refused as refused:
            raise HTTPException(409, str(refused)) from None
        done: dict[str, Any] = finite({name: getattr(view, name) for name in view.__slots__})
        return done


def _lines(routes: APIRouter, site: Site) -> None:
    @routes.get("/chart", responses=NOT_THERE)
    async def chart(
        resource: Annotated[str, Query(max_length=200)],
        quantity: Annotated[str, Query(max_length=60)],
        range: Literal["day", "week", "year"] = "week",
    ) -> dict[str, Any]:
        """A quantity over time, as a Vega-Lite specification with its data."""
        picture = site.picture()
        margins = [m for place in (picture.headend, *picture.poles) for m in place.margins]
        mine = next((m for m in margins if (m.resource, m.quantity) == (resource, quantity)), None)
        pole = quantity == UPLINK and resource in [one.name for one in picture.poles]
        if mine is None and not pole:
            raise HTTPException(404, f"{resource!r} has no {quantity!r} with a limit in the plan")
        title = what(mine) if mine is not None else say("share of the uplink")
        from_s = picture.at_s - SPANS_S[range]
        found = await site.chart(resource, quantity, title, from_s, picture.at_s)
        return specification(found, ZoneInfo(picture.timezone), site.tongue())

    @routes.get("/standing/{pole}", responses=NOT_THERE)
    async def standing(pole: str) -> dict[str, Any]:
        """A pole while somebody stands at it: each figure now, before and after."""
        if pole not in [one.name for one in site.picture().poles]:
            raise HTTPException(404, f"{pole!r} is no pole of this site")
        told, tongue = site.at_pole.look(pole), site.tongue()
        left = say("{seconds:.0f} s left", seconds=told.left_s) if told.left_s else say("not reading each second")
        document = told.json()
        for row, one in zip(document["figures"], told.figures, strict=True):
            row |= {name: tongue.word(getattr(one, name)) for name in ("words", "now", "before", "after", "change")}
        return {**document, "said": tongue.say(left)}


def _judgement(routes: APIRouter, site: Site) -> None:
    @routes.get("/why/{place:path}", responses=NOT_THERE)
    async def why(place: str) -> dict[str, Any]:
        """The most probable causes of what is wrong at a place now."""
        if place not in site.places():
            places = ", ".join(sorted(site.places()))
            raise HTTPException(404, f"{place!r} is no place of this site; there are {places}")
        return site.why(place)

    @routes.get("/review/{month}", responses=NOT_THERE)
    async def review(month: str) -> dict[str, Any]:
        """The review of a month (2026-10)."""
        try:
            return (await site.month(month)).json()
        except Refused as refused:
            raise HTTPException(404, str(refused)) from None

    @routes.get("/forecasts")
    async def forecasts() -> dict[str, Any]:
        """What the last nightly judgement said."""
        return site.forecasts()


def _notes(routes: APIRouter, site: Site) -> None:
    @routes.get("/notes")
    async def notes() -> list[dict[str, Any]]:
        """What has been done at the site, oldest first."""
        return await site.notes()

    @routes.post("/notes", responses=REFUSED)
    async def note(wanted: Note, visitor: Looking) -> dict[str, Any]:
        """Keep what somebody did at a place."""
        if wanted.place not in site.places():
            places = ", ".join(sorted(site.places()))
            raise HTTPException(404, f"{wanted.place!r} is no place of this site; there are {places}")
        try:
            return await site.note(wanted.place, kept_as(visitor, wanted.who), wanted.text)
        except Refused as refused:
            raise HTTPException(409, str(refused)) from None


def _switching(routes: APIRouter, site: Site) -> None:
    @routes.post("/cycle", responses=REFUSED)
    async def cycle(wanted: Switching, visitor: Looking) -> dict[str, Any]:
        """Switch a PoE port off and on."""
        try:
            return await site.cycle(wanted.pole, wanted.port, kept_as(visitor, wanted.who), wanted.why)
        except Refused as refused:
            raise HTTPException(409, str(refused)) from None


def _turnups(routes: APIRouter, site: Site) -> None:
    @routes.post("/turnup", responses=REFUSED)
    async def turn_up(wanted: TurnUp, visitor: Looking) -> dict[str, Any]:
        """Measure a pole for its acceptance sheet."""
        if wanted.pole not in [one.name for one in site.picture().poles]:
            raise HTTPException(404, f"{wanted.pole!r} is no pole of this site")
        try:
            site.turning_up.begin(wanted.pole, kept_as(visitor, wanted.who), wanted.minutes, wanted.after_dusk)
        except Refused as refused:
            raise HTTPException(409, str(refused)) from None
        return site.turning_up.state()

    @routes.get("/turnup")
    async def state() -> dict[str, Any]:
        """What is being measured now."""
        return site.turning_up.state()

    @routes.get("/turnup/{pole}", responses=NOT_THERE)
    async def sheet(pole: str) -> dict[str, Any]:
        """The newest acceptance sheet of a pole; ``html`` and ``words`` are the same for people."""
        if pole not in [one.name for one in site.picture().poles]:
            raise HTTPException(404, f"{pole!r} is no pole of this site")
        try:
            found = await site.turning_up.sheet(pole)
        except Refused as refused:
            raise HTTPException(404, str(refused)) from None
        return {**found.json(), "words": words(found), "html": sheet_paper(found, site.tongue())}


def _shelving(routes: APIRouter, site: Site) -> None:
    @routes.post("/shelves", responses=REFUSED)
    async def shelve(wanted: Shelving, visitor: Looking) -> dict[str, Any]:
        """Shelve alarms."""
        try:
            who = kept_as(visitor, wanted.who)
            return await site.shelve(wanted.resource, wanted.type, wanted.until, who, wanted.note)
        except Refused as refused:
            raise HTTPException(409, str(refused)) from None

    @routes.post("/shelves/end", responses=REFUSED)
    async def unshelve(wanted: Shelving, visitor: Looking) -> dict[str, Any]:
        """Take shelves down."""
        kept_as(visitor, wanted.who)
        try:
            return {"ended": await site.unshelve(wanted.resource, wanted.type)}
        except Refused as refused:
            raise HTTPException(409, str(refused)) from None


def _drills(routes: APIRouter, site: Site) -> None:
    @routes.get("/drill", responses=REFUSED)
    async def report() -> dict[str, Any]:
        """The steps of the last drill."""
        try:
            return await site.drill_report()
        except Refused as refused:
            raise HTTPException(404, str(refused)) from None

    @routes.post("/drill", responses=REFUSED)
    async def drill(wanted: Drilling, visitor: Looking) -> dict[str, Any]:
        """Begin a drill."""
        try:
            return await site.drill(wanted.pole, wanted.fault, kept_as(visitor, wanted.who), wanted.minutes)
        except Refused as refused:
            raise HTTPException(409, str(refused)) from None
