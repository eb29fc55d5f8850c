"""The application of a centre: all sites on one page, and each site's own pages beneath it, to be looked at."""

from typing import Annotated, Any, Protocol

from fastapi import APIRouter, Depends, FastAPI, Request, Response
from fastapi.exceptions import HTTPException
from fastapi.responses import HTMLResponse

from monitor.facts.words import ENGLISH
from monitor.show.door import Visitor
from monitor.show.entrance import Entrance
from monitor.show.farms import Farms
from monitor.show.openmetrics import CONTENT_TYPE, exposition
from monitor.show.pages import Pages
from monitor.show.ports import Looked, Refused
from monitor.show.rendering import environment
from monitor.show.web import STATIC, entering, guarded


class Sites(Protocol):
    """All sites of a centre."""

    async def farms(self) -> Farms:
        """How they all stand. Raises Refused."""
        ...

    async def site(self, name: str) -> Looked:
        """One of them; KeyError where there is none. Raises Refused where it cannot be shown yet."""
        ...


def looking(request: Request) -> Visitor:
    """Who looks. Nobody acts here: forms are left out of every page."""
    found: Visitor = request.state.visitor
    return Visitor(found.name, "viewer", found.form_token)


Looking = Annotated[Visitor, Depends(looking)]


def centre_application(sites: Sites, version: str, entrance: Entrance) -> FastAPI:
    """Everything that is served of a centre."""
    app = FastAPI(
        title="farpole centre",
        version=version,
        docs_url=None,
        redoc_url=None,
        openapi_url="/api/openapi.json",
        summary="Many sites of remote poles: which is silent, what stands where, which margin ends next.",
    )
    app.include_router(_all(sites, entrance))
    app.include_router(_one(sites))
    app.include_router(entering(lambda: ENGLISH, entrance))
    app.mount("/static", STATIC, "static")
    guarded(app, entrance, lambda: None)
    return app


def _all(sites: Sites, entrance: Entrance) -> APIRouter:
    routes = APIRouter()

    @routes.get("/", include_in_schema=False)
    async def home(who: Looking) -> HTMLResponse:
        farms = await sites.farms()
        called = {one.name: one.called for one in farms.sites}
        template = environment(ENGLISH).get_template("farms.html")
        return HTMLResponse(template.render(farms=farms, picture=farms, visitor=who, called=called))

    @routes.get("/metrics", include_in_schema=False)
    async def metrics() -> Response:
        wrong = entrance.door.wrong_passwords
        return Response(exposition(await sites.farms(), wrong_passwords=wrong), media_type=CONTENT_TYPE)

    @routes.get("/api/sites")
    async def every() -> dict[str, Any]:
        """How all sites stand."""
        return (await sites.farms()).json()

    return routes


def _one(sites: Sites) -> APIRouter:
    routes = APIRouter()

    async def found(name: str) -> Looked:
        try:
            return await sites.site(name)
        except KeyError:
            raise HTTPException(404, f"this centre knows no site {name!r}") from None

    async def pages(name: str) -> Pages:
        return Pages(await found(name), f"/site/{name}")

    @routes.get("/site/{site}/", include_in_schema=False)
    async def home(who: Looking, site: str) -> HTMLResponse:
        return (await pages(site)).site(who)

    @routes.get("/site/{site}/alarms", include_in_schema=False)
    async def alarms(who: Looking, site: str) -> HTMLResponse:
        return (await pages(site)).alarms(who)

    @routes.get("/site/{site}/plan", include_in_schema=False)
    async def plan(who: Looking, site: str) -> HTMLResponse:
        return (await pages(site)).plan(who)

    @routes.get("/site/{site}/review", include_in_schema=False)
    async def this_month(who: Looking, site: str) -> HTMLResponse:
        return await (await pages(site)).review(who, "")

    @routes.get("/site/{site}/review/{month}", include_in_schema=False)
    async def one_month(who: Looking, site: str, month: str) -> HTMLResponse:
        shown = await pages(site)
        return await (shown.year(who, month) if month.isdigit() else shown.review(who, month))

    @routes.get("/site/{site}/pole/{name}", include_in_schema=False)
    async def pole(who: Looking, site: str, name: str, range: str = "week") -> HTMLResponse:
        return await (await pages(site)).pole(who, name, range)

    @routes.get("/site/{site}/metrics", include_in_schema=False)
    async def metrics(site: str) -> Response:
        return Response(exposition((await found(site)).picture(), site), media_type=CONTENT_TYPE)

    @routes.get("/api/site/{site}/picture")
    async def picture(site: str) -> dict[str, Any]:
        """How a site stood when it was last heard."""
        return (await found(site)).picture().json()

    @routes.get("/api/site/{site}/review/{month}")
    async def review(site: str, month: str) -> dict[str, Any]:
        """The review of a month (2026-10) of a site."""
        try:
            return (await (await found(site)).month(month)).json()
        except Refused as refused:
            raise HTTPException(404, str(refused)) from None

    return routes
