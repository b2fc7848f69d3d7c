"""What went wrong, in words: a page for a browser, JSON for a program."""

from __future__ import annotations

from fastapi import FastAPI, Request
from fastapi.exception_handlers import http_exception_handler, request_validation_exception_handler
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response
from starlette.exceptions import HTTPException

from soaktest.errors import Missing, RunError, SoaktestError, Way
from soaktest.web.door import came_from
from soaktest.web.templates import page

PAGES = {
    "bench": ("Bench {}", "/benches/{}"),
    "run": ("Run {}", "/runs/{}"),
    "runs": ("Runs", "/runs"),
    "certificates": ("Certificates", "/certificates"),
    "units": ("Units", "/units"),
}
"""Where a browser goes to do what an error says by a command: a name, and the address."""


def tell_in_words(app: FastAPI) -> None:
    """Have an application answer every error so."""

    @app.exception_handler(SoaktestError)
    def ours(request: Request, exc: SoaktestError) -> Response:
        status = 404 if isinstance(exc, Missing) else 409 if isinstance(exc, RunError) else 422
        shown = _page(request, exc.said, status, exc.way)
        return shown or JSONResponse({"detail": str(exc)}, status)

    @app.exception_handler(RequestValidationError)
    async def asked_wrongly(request: Request, exc: RequestValidationError) -> Response:
        said = "; ".join(f"{fault['loc'][-1]}: {fault['msg']}" for fault in exc.errors())
        if any(fault["loc"][0] == "path" for fault in exc.errors()):
            said = "there is no such page"
        return _page(request, said, 422) or await request_validation_exception_handler(request, exc)

    @app.exception_handler(HTTPException)
    async def turned_away(request: Request, exc: HTTPException) -> Response:
        said = "There is no such page." if exc.status_code == 404 else str(exc.detail)
        shown = _page(request, said, exc.status_code) if exc.status_code >= 400 else None
        return shown or await http_exception_handler(request, exc)


def refused(request: Request, said: str, status: int) -> Response:
    """Why something was refused: a page for a browser, JSON for a program."""
    return _page(request, said, status) or JSONResponse({"detail": said}, status)


def _page(request: Request, said: str, status: int, way: Way | None = None) -> Response | None:
    """The page that tells a browser; None for a program."""
    if "text/html" not in request.headers.get("accept", ""):
        return None
    back = came_from(request)
    ways = [tuple(text.format(way.which) for text in PAGES[way.at])] if way else []
    words = said[:1].upper() + said[1:] + ("" if said.endswith(".") else ".")
    answer = page(request, "trouble.html", said=words, ways=ways, back=back if back.startswith("/") else "")
    answer.status_code = status
    return answer
