"""The application: the API on the command socket, and the pages and metrics beside it."""

from collections.abc import Awaitable, Callable, Sequence
from pathlib import Path
from typing import Annotated
from urllib.parse import urlsplit

from fastapi import APIRouter, Depends, FastAPI, Form, Query, Request, Response
from fastapi.exceptions import HTTPException, RequestValidationError
from fastapi.responses import FileResponse, HTMLResponse, JSONResponse, PlainTextResponse, RedirectResponse
from fastapi.staticfiles import StaticFiles

from monitor.facts.printable import one_line
from monitor.facts.words import Tongue
from monitor.show.api import api
from monitor.show.door import ShutOut, Visitor
from monitor.show.entrance import Entrance, inside, over_tls, refused_for, sent_by_form, turned_away
from monitor.show.openmetrics import CONTENT_TYPE, exposition
from monitor.show.porch import greeted
from monitor.show.ports import Refused, Site
from monitor.show.rendering import environment
from monitor.show.routes import pages
from monitor.show.wellformed import malformed, path_of

STATIC = StaticFiles(directory=Path(__file__).parent / "static")
TLS_LASTS = f"max-age={365 * 86_400}"
"""A browser that has come over TLS once comes no other way for a year (RFC 6797, 6.1.1 and 7.1)."""
DEVICE_LASTS_S = 400 * 86_400
"""The longest that a browser keeps a cookie (RFC 6265bis, 5.5)."""
_HEADERS = {
    "Content-Security-Policy": "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; "
    "connect-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",  # with no-referrer a browser hides the origin of our own forms, too
    "Cross-Origin-Opener-Policy": "same-origin",
}


def application(site: Site, version: str, entrance: Entrance) -> FastAPI:
    """Everything that is served of a running site."""
    app = FastAPI(
        title="farpole",
        version=version,
        docs_url=None,
        redoc_url=None,
        openapi_url="/api/openapi.json",
        summary=SUMMARY,
    )
    app.include_router(api(site))
    app.include_router(pages(site))
    app.include_router(entering(site.tongue, entrance))
    app.mount("/static", STATIC, "static")

    @app.get("/metrics", include_in_schema=False)
    async def metrics() -> Response:
        wrong = entrance.door.wrong_passwords
        return Response(exposition(site.picture(), wrong_passwords=wrong), media_type=CONTENT_TYPE)

    @app.get("/charts.js", include_in_schema=False)
    async def charts() -> Response:
        if not site.charts_ready():
            raise HTTPException(404, "what draws charts is not installed: sh deploy/install --with review")
        kept = {"Cache-Control": "private, max-age=86400"}
        return FileResponse(site.charts_file(), media_type="text/javascript", headers=kept)

    guarded(app, entrance, lambda: urlsplit(site.public_url() or "").hostname)
    return app


def guarded(app: FastAPI, entrance: Entrance, public: Callable[[], str | None]) -> None:
    """What holds for every request: who may come in, what is said of a refusal, and the headers of every answer."""

    @app.exception_handler(Refused)
    async def not_now(_: Request, refused: Refused) -> Response:
        return JSONResponse({"detail": str(refused)}, 503)

    @app.exception_handler(HTTPException)
    async def said(_: Request, error: HTTPException) -> Response:
        return JSONResponse({"detail": error.detail}, error.status_code)

    @app.exception_handler(RequestValidationError)
    async def not_valid(_: Request, error: RequestValidationError) -> Response:
        # What was sent is not repeated: it may be a password, or nothing that JSON can carry.
        told = [{name: _sayable(one[name]) for name in ("loc", "msg", "type")} for one in error.errors()]
        return JSONResponse({"detail": told}, 422)

    @app.middleware("http")
    async def guard(request: Request, go_on: Callable[[Request], Awaitable[Response]]) -> Response:
        wrong = malformed(request)
        refusal = wrong or refused_for(request, entrance, public())
        visitor = None if refusal else entrance.visitor(request)
        request.state.visitor = visitor
        if visitor is not None:
            greeted(request, visitor.may_act)
        response = _refused(request, refusal, 400 if wrong else 403) if refusal else None
        response = response or turned_away(request, entrance, visitor) or await go_on(request)
        response.headers.update(_HEADERS)
        if wrong:
            response.headers["Connection"] = "close"  # RFC 9112, 6.1: what follows may be no request of its sender
        if over_tls(request, entrance):
            response.headers["Strict-Transport-Security"] = TLS_LASTS
        if not path_of(request).startswith("/static/"):
            response.headers.setdefault("Cache-Control", "no-store")
        return response


def _sayable(told: str | Sequence[str | int]) -> str | list[str | int]:
    if isinstance(told, str):
        return one_line(told)
    return [one if isinstance(one, int) else one_line(one) for one in told]


def _refused(request: Request, why: str, status: int) -> Response:
    if path_of(request).startswith("/api/"):
        return JSONResponse({"detail": why}, status)
    return PlainTextResponse(f"{why}\n", status)


SUMMARY = "One site of remote poles: how it stands, its alarms and their causes, its history, and what may be done."


def entering(tongue: Callable[[], Tongue], entrance: Entrance) -> APIRouter:
    """Log in and out."""
    routes = APIRouter(include_in_schema=False)

    def form(to: str, why: str = "", status: int = 200, again_s: float = 0.0) -> Response:
        found = environment(tongue()).get_template("enter.html").render(to=inside(to), why=why)
        headers = {"Retry-After": f"{again_s:.0f}"} if again_s else {}
        return HTMLResponse(found, status, headers)

    @routes.get("/enter")
    async def enter(to: Annotated[str, Query(max_length=500)] = "/") -> Response:
        return form(to)

    @routes.post("/enter")
    async def entered(
        request: Request,
        name: Annotated[str, Form(max_length=60)],
        password: Annotated[str, Form(max_length=200)],
        to: Annotated[str, Form(max_length=500)] = "/",
    ) -> Response:
        try:
            device = request.cookies.get(entrance.device_cookie, "")
            secret = await entrance.door.enter(name, password, entrance.address(request), entrance.now, device)
        except ShutOut as out:
            return form(to, str(out), 429 if out.again_s else 401, out.again_s)
        going = RedirectResponse(inside(to), 303)
        going.set_cookie(entrance.cookie, secret, path="/", secure=entrance.secure, httponly=True, samesite="lax")
        going.set_cookie(
            entrance.device_cookie,
            entrance.door.device_of(name),
            max_age=DEVICE_LASTS_S,
            path="/",
            secure=entrance.secure,
            httponly=True,
            samesite="strict",
        )
        return going

    @routes.post("/leave")
    async def leave(request: Request, _: Annotated[Visitor, Depends(sent_by_form)]) -> Response:
        entrance.door.leave(request.cookies.get(entrance.cookie, ""))
        going = RedirectResponse("/enter", 303)
        going.delete_cookie(entrance.cookie, path="/", secure=entrance.secure, httponly=True, samesite="lax")
        return going

    return routes
