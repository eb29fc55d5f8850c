"""The application: the API on the command socket, and the pages and metrics beside it."""

from collections.abc import Awaitable, Callable
from pathlib import Path
from urllib.parse import urlsplit

from fastapi import FastAPI, Request, Response
from fastapi.exceptions import HTTPException
from fastapi.responses import JSONResponse, PlainTextResponse
from fastapi.staticfiles import StaticFiles

from monitor.show.api import api
from monitor.show.openmetrics import CONTENT_TYPE, exposition
from monitor.show.pages import pages
from monitor.show.ports import Refused, Site

_HEADERS = {
    "Content-Security-Policy": "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; "
    "connect-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",  # with no-referrer a browser hides the origin of our own forms, too
    "Cross-Origin-Opener-Policy": "same-origin",
}
_OURSELVES = {"localhost", "127.0.0.1", "::1"}
_BY_LINK = ("/answer/", "/static/")
MOST_BODY_BYTES = 16_384


def application(site: Site, version: str) -> FastAPI:
    """Everything that is served of a running site."""
    app = FastAPI(title="farpole", version=version, docs_url=None, redoc_url=None)
    app.include_router(api(site))
    app.include_router(pages(site))
    app.mount("/static", StaticFiles(directory=Path(__file__).parent / "static"), "static")

    @app.get("/metrics", include_in_schema=False)
    async def metrics() -> Response:
        return Response(exposition(site.picture()), media_type=CONTENT_TYPE)

    @app.exception_handler(Refused)
    async def not_now(_: Request, refused: Refused) -> Response:
        return PlainTextResponse(f"{refused}\n", 503)

    @app.exception_handler(HTTPException)
    async def said(_: Request, error: HTTPException) -> Response:
        return JSONResponse({"detail": error.detail}, error.status_code)

    @app.middleware("http")
    async def guard(request: Request, go_on: Callable[[Request], Awaitable[Response]]) -> Response:
        refusal = refused_for(request, urlsplit(site.public_url() or "").hostname)
        if refusal:
            return PlainTextResponse(refusal + "\n", 403)
        response = await go_on(request)
        response.headers.update(_HEADERS)
        if not request.url.path.startswith("/static/"):
            response.headers.setdefault("Cache-Control", "no-store")
        return response

    return app


def refused_for(request: Request, public: str | None = None) -> str:
    """Why a request is not taken, or empty: it names another host, comes from another site's page, or is large.

    The page has no password yet and is served on loopback alone; a foreign page in the same browser must not
    reach it by a name of its own (the Host header) or by a form (the Origin header). By the host of the plan's
    ``public_url`` only signed links are answered, for each of which its signature stands.
    """
    host = urlsplit(f"//{request.headers.get('host', '')}").hostname
    by_link = public is not None and host == public and request.url.path.startswith(_BY_LINK)
    if host not in _OURSELVES and not by_link:
        return "this page answers to 127.0.0.1 and localhost only, and to signed links by the plan's public_url"
    if request.method != "GET":
        origin = request.headers.get("origin")
        if origin is not None and urlsplit(origin).netloc != request.headers.get("host"):
            return "this form was sent by another site's page"
        length = request.headers.get("content-length", "")
        if not length.isdigit() or int(length) > MOST_BODY_BYTES:
            return f"a request's body may have {MOST_BODY_BYTES} bytes and must say its length"
    return ""
