"""What went wrong, in words: a page for a browser, JSON for a program."""

from __future__ import annotations

from fastapi import FastAPI, Request
from fastapi.exception_handlers import http_exception_handler, request_validation_exception_handler
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response
from starlette.exceptions import HTTPException

from soaktest.errors import RunError, SoaktestError
from soaktest.web.door import came_from
from soaktest.web.templates import page

MISSING = tuple(f"there is no {what} " for what in ("run", "unit", "certificate", "note"))


def tell_in_words(app: FastAPI) -> None:
    """Have an application answer every error so."""

    @app.exception_handler(SoaktestError)
    def ours(request: Request, exc: SoaktestError) -> Response:
        status = 404 if str(exc).startswith(MISSING) else 409 if isinstance(exc, RunError) else 422
        return refused(request, str(exc), status)

    @app.exception_handler(RequestValidationError)
    async def asked_wrongly(request: Request, exc: RequestValidationError) -> Response:
        said = "; ".join(f"{fault['loc'][-1]}: {fault['msg']}" for fault in exc.errors())
        return _page(request, f"{said}.", 422) or await request_validation_exception_handler(request, exc)

    @app.exception_handler(HTTPException)
    async def turned_away(request: Request, exc: HTTPException) -> Response:
        said = "There is no such page." if exc.status_code == 404 else str(exc.detail)
        shown = _page(request, said, exc.status_code) if exc.status_code >= 400 else None
        return shown or await http_exception_handler(request, exc)


def refused(request: Request, said: str, status: int) -> Response:
    """Why something was refused: a page for a browser, JSON for a program."""
    return _page(request, said, status) or JSONResponse({"detail": said}, status)


def _page(request: Request, said: str, status: int) -> Response | None:
    """The page that tells a browser; None for a program."""
    if "text/html" not in request.headers.get("accept", ""):
        return None
    back = came_from(request)
    answer = page(request, "trouble.html", said=said, back=back if back.startswith("/") else "")
    answer.status_code = status
    return answer
