"""The application: the API on the command socket, and the page and metrics beside it."""

from fastapi import FastAPI

from monitor.show.api import api
from monitor.show.ports import Site


def application(site: Site, version: str) -> FastAPI:
    """Everything that is served of a running site."""
    app = FastAPI(title="farpole", version=version, docs_url=None, redoc_url=None)
    app.include_router(api(site))
    return app
