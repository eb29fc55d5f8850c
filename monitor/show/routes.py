"""Routes of the pages and of their forms; live by server-sent events. Whoever only looks sends no form."""

import asyncio
from collections.abc import Awaitable
from typing import Annotated
from urllib.parse import quote

from fastapi import APIRouter, File, Form, HTTPException, UploadFile
from fastapi.responses import (
    FileResponse,
    HTMLResponse,
    PlainTextResponse,
    RedirectResponse,
    Response,
    StreamingResponse,
)

from monitor.show.asked import ONE_LINE
from monitor.show.pages_acting import ActingPages
from monitor.show.ports import Refused, Site
from monitor.show.review_page import sheet_paper
from monitor.show.streams import Streams
from monitor.show.who import Doer, Looking


async def _done(act: Awaitable[object], to: str) -> RedirectResponse:
    """Do it and go on to a page; what is refused is said with 409."""
    try:
        await act
    except Refused as refused:
        raise HTTPException(409, str(refused)) from None
    return RedirectResponse(to, 303)


def pages(site: Site) -> APIRouter:
    """Routes of the pages."""
    routes, shown, streams = APIRouter(include_in_schema=False), ActingPages(site), Streams(site.changes)

    @routes.get("/")
    async def the_site(who: Looking) -> HTMLResponse:
        return shown.site(who)

    @routes.get("/alarms")
    async def the_alarms(who: Looking) -> HTMLResponse:
        return shown.alarms(who)

    @routes.get("/survey")
    async def the_survey(who: Looking) -> HTMLResponse:
        return shown.survey(who)

    @routes.get("/plan")
    async def the_plan(who: Looking) -> HTMLResponse:
        return shown.plan(who)

    @routes.get("/review")
    async def this_month(who: Looking) -> HTMLResponse:
        return await shown.review(who, "")

    @routes.get("/review/{month}")
    async def one_month(who: Looking, month: str) -> HTMLResponse:
        return await (shown.year(who, month) if month.isdigit() else shown.review(who, month))

    @routes.get("/pole/{name}")
    async def one_pole(who: Looking, name: str, range: str = "week") -> HTMLResponse:
        return await shown.pole(who, name, range)

    @routes.get("/events")
    async def events(who: Looking) -> StreamingResponse:
        headers = {"Cache-Control": "no-store", "Connection": "close"}  # its place is free as soon as it has ended
        return StreamingResponse(streams.stream(who), media_type="text/event-stream", headers=headers)

    @routes.get("/alive")
    async def alive(who: Looking) -> Response:
        """A sign of life for a page whose stream has none."""
        return Response(status_code=204)

    _acts(routes, site)
    _standing(routes, shown, site)
    _answers(routes, shown, site)
    return routes


def _acts(routes: APIRouter, site: Site) -> None:
    @routes.post("/act")
    async def act(
        resource: Annotated[str, ONE_LINE, Form(max_length=200)],
        type: Annotated[str, ONE_LINE, Form(max_length=60)],
        operator: Annotated[str, Form(pattern="^(ack|closed|shelved|un-shelved)$")],
        who: Doer,
        qualifier: Annotated[str, ONE_LINE, Form(max_length=60)] = "",
        note: Annotated[str, ONE_LINE, Form(max_length=500)] = "",
    ) -> RedirectResponse:
        try:
            return await _done(site.operate(resource, type, qualifier, operator, who, note), "/alarms")
        except KeyError:
            raise HTTPException(404, f"there is no alarm {resource} {type}") from None

    @routes.post("/cycle")
    async def cycle(
        pole: Annotated[str, ONE_LINE, Form(max_length=200)],
        port: Annotated[str, ONE_LINE, Form(max_length=60)],
        who: Doer,
        why: Annotated[str, ONE_LINE, Form(min_length=3, max_length=500)],
        confirmed: Annotated[bool, Form()],
    ) -> RedirectResponse:
        if not confirmed:
            raise HTTPException(409, "confirm that nobody is working there")
        return await _done(site.cycle(pole, port, who, why), f"/pole/{quote(pole)}")


def _standing(routes: APIRouter, shown: ActingPages, site: Site) -> None:
    @routes.get("/pole/{name}/here")
    async def here(who: Looking, name: str) -> HTMLResponse:
        return shown.standing(who, name)

    @routes.post("/pole/{name}/here")
    async def begin(name: str, who: Doer, shelve: Annotated[bool, Form()] = False) -> RedirectResponse:
        to = _here(site, name)

        async def begun() -> None:
            site.at_pole.begin(name)
            if shelve:
                await site.shelve(name, "", "1h", who, "somebody works at the pole")

        return await _done(begun(), to)

    @routes.post("/pole/{name}/here/stamp")
    async def stamp(name: str, who: Doer, which: Annotated[str, Form(pattern="^(before|after)$")]) -> RedirectResponse:
        to = _here(site, name)
        return await _done(site.at_pole.stamp(name, which, who), to)

    @routes.post("/pole/{name}/here/note")
    async def note(
        name: str,
        who: Doer,
        text: Annotated[str, ONE_LINE, Form(min_length=3, max_length=500)],
        baseline: Annotated[bool, Form()] = False,
        photo: Annotated[UploadFile | None, File()] = None,
    ) -> RedirectResponse:
        _here(site, name)
        octets = await photo.read() if photo is not None else b""
        return await _done(site.at_pole.note(name, who, text, baseline, octets), f"/pole/{quote(name)}")

    @routes.get("/pole/{name}/turnup")
    async def sheet(name: str) -> HTMLResponse:
        _here(site, name)
        try:
            return HTMLResponse(sheet_paper(await site.turning_up.sheet(name), site.tongue(), served=True))
        except Refused as refused:
            raise HTTPException(404, str(refused)) from None

    @routes.get("/photo/{name}")
    async def photo(name: str) -> Response:
        try:
            file = await asyncio.to_thread(site.at_pole.photo, name)
        except Refused as refused:
            raise HTTPException(404, str(refused)) from None
        return FileResponse(file, headers={"Content-Disposition": "inline"})


def _here(site: Site, name: str) -> str:
    """The path of a pole's page for those who stand at it."""
    if name not in [pole.name for pole in site.picture().poles]:
        raise HTTPException(404, f"{name!r} is no pole of this site")
    return f"/pole/{quote(name)}/here"


def _answers(routes: APIRouter, shown: ActingPages, site: Site) -> None:
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
