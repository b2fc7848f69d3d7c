"""The application: pages, events and downloads over one journal."""

from __future__ import annotations

import secrets
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from functools import lru_cache
from pathlib import Path

from fastapi import Depends, FastAPI, Request
from fastapi.responses import JSONResponse, Response
from starlette.middleware.sessions import SessionMiddleware
from starlette.middleware.trustedhost import TrustedHostMiddleware

from soaktest import __version__
from soaktest.journal import Journal
from soaktest.records import LARGEST_PHOTO
from soaktest.templates import source
from soaktest.watch import Publish, Watch
from soaktest.web import benches, certificates, door, learned, runs, units
from soaktest.web.examined import Examined, Overviews
from soaktest.web.trouble import refused, tell_in_words

Opens = Callable[[str], bool]
LARGEST_BODY = LARGEST_PHOTO + 1_000_000
"""Bytes: a photo, and the form around it."""
STATIC = {
    "bench.css": "text/css",
    "timeline.css": "text/css",
    "bench.js": "text/javascript",
    "back.js": "text/javascript",
    "water.js": "text/javascript",
    "plot.js": "text/javascript",
    "run.js": "text/javascript",
    "sketch.js": "text/javascript",
}  # fmt: skip


def create_app(
    journal: Journal,
    publish: Publish,
    opens: Opens | None,
    hosts: list[str] | None = None,
    keys: Path | None = None,
    broker: str = "",
) -> FastAPI:
    """The application over an open journal.

    Args:
        journal: what it reads and writes; stays open until the caller closes it.
        publish: puts a message (topic, payload) on the broker, for lamp and alarm.
        opens: whether a password is the right one; None lets everybody in.
        hosts: names under which it answers; None for any.
        keys: folder of the keys that sign certificates; None lets nobody sign here.
        broker: where nodes publish, as people are told.
    """
    watch, examined = Watch(journal, publish), Examined()
    overviews = Overviews(journal, examined)

    @asynccontextmanager
    async def life(_app: FastAPI) -> AsyncIterator[None]:
        with watch:
            overviews.start()
            yield
            overviews.stop()

    app = FastAPI(
        title="Soak-test bench", version=__version__, lifespan=life, docs_url=None, redoc_url=None,
        description="Benches, runs, notes and downloads of a soak-test bench. Log in at /door; changes carry the header X-Token.",
    )  # fmt: skip
    app.state.journal, app.state.watch, app.state.opens = journal, watch, opens
    app.state.keys, app.state.broker = keys, broker
    app.state.examined, app.state.overviews = examined, overviews
    app.state.session_mark = secrets.token_urlsafe(12)

    @app.middleware("http")  # within the session, so that a browser is told on a page
    async def small_enough(request: Request, follow: Callable[[Request], Awaitable[Response]]) -> Response:
        length = request.headers.get("content-length", "")
        if request.method not in ("POST", "PUT") or (length.isdecimal() and int(length) <= LARGEST_BODY):
            return await follow(request)
        return refused(
            request,
            f"That is too large: a photo may have {LARGEST_PHOTO / 1e6:.0f} MB. Make it smaller.",
            413,
        )

    app.add_middleware(
        SessionMiddleware, secret_key=secrets.token_urlsafe(32), same_site="strict", session_cookie="bench"
    )
    app.add_middleware(TrustedHostMiddleware, allowed_hosts=hosts or ["*"])
    app.include_router(door.router)
    for module in (benches, runs, units, learned, certificates):
        app.include_router(module.router, dependencies=[Depends(door.must_be_in)])
    tell_in_words(app)

    @app.middleware("http")
    async def guarded(request: Request, follow: Callable[[Request], Awaitable[Response]]) -> Response:
        response = await follow(request)
        door.security_headers(response)
        return response

    @app.get("/static/{name}", include_in_schema=False)
    def static(name: str) -> Response:
        if name == "plotly.js":
            return Response(
                _plotting_library(), media_type="text/javascript", headers={"cache-control": "max-age=86400"}
            )
        if name not in STATIC:
            return JSONResponse({"detail": "there is no such file"}, 404)
        return Response(source(name), media_type=STATIC[name])

    return app


@lru_cache(maxsize=1)
def _plotting_library() -> bytes:
    from plotly.offline import get_plotlyjs

    return bytes(get_plotlyjs(), "utf-8")
