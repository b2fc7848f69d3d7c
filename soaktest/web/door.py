"""Who may come in: one password for the bench, a signed session, and a token that every change must carry."""

from __future__ import annotations

import secrets
import time
from typing import Annotated, Any
from urllib.parse import quote, urlsplit

from fastapi import APIRouter, Form, HTTPException, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from soaktest.web.templates import page

router = APIRouter(include_in_schema=False)
PAUSE_S = 0.5
"""Answer to a wrong password: nobody types faster, and a machine shall not."""


def token(request: Request) -> str:
    """The session's token against forged requests; made at the first need."""
    if "token" not in request.session:
        request.session["token"] = secrets.token_urlsafe(24)
    return str(request.session["token"])


def must_be_in(request: Request) -> None:
    """Refuse a request without a session: pages are sent to the door, the rest gets 401. Without a password all are in."""
    if request.app.state.opens is None or request.session.get("in") == request.app.state.session_mark:
        return
    if "text/html" in request.headers.get("accept", ""):
        raise HTTPException(303, headers={"location": f"/door?next={quote(request.url.path)}"})
    raise HTTPException(401, "Log in at /door first.")


async def must_carry_token(request: Request) -> None:
    """Refuse a change that does not carry the session's token, in a form or in the header X-Token."""
    must_be_in(request)
    given = request.headers.get("x-token")
    if given is None and request.headers.get("content-type", "").startswith(
        ("multipart/", "application/x-www-form")
    ):
        given = str((await request.form()).get("token", ""))
    if not secrets.compare_digest((given or "").encode(), token(request).encode()):
        raise HTTPException(403, "This page is older than the session. Reload it and try again.")


@router.get("/door")
def door(request: Request, next: Annotated[str, Query(max_length=500)] = "/") -> HTMLResponse:  # noqa: A002
    """Ask for the password."""
    return page(request, "door.html", wrong=False, next=_inside(next))


def came_from(request: Request) -> str:
    """The path of the page that a form was sent from; empty where none is told."""
    try:
        return urlsplit(request.headers.get("referer") or "").path
    except ValueError:
        return ""


def _inside(path: str) -> str:
    """A path of ours to go on to; anything else is the first page."""
    return path if path.startswith("/") and not path.startswith(("//", "/\\")) else "/"


@router.post("/door")
def enter(
    request: Request,
    password: Annotated[str, Form(max_length=200)],
    next: Annotated[str, Form(max_length=500)] = "/",  # noqa: A002
) -> Response:
    """Let in who knows the password."""
    if request.app.state.opens is not None and not request.app.state.opens(password):
        time.sleep(PAUSE_S)
        answer = page(request, "door.html", wrong=True, next=_inside(next))
        answer.status_code = 403
        return answer
    request.session.clear()
    request.session["in"] = request.app.state.session_mark
    return RedirectResponse(_inside(next), 303)


def security_headers(response: Any) -> None:
    """No other host, no frame, no inline script; styles inline because the plots need them."""
    response.headers["content-security-policy"] = (
        "default-src 'self'; img-src 'self' data: blob:; style-src 'self' 'unsafe-inline'; script-src 'self'; "
        "connect-src 'self'; frame-ancestors 'none'; base-uri 'none'; form-action 'self'"
    )
    response.headers["x-content-type-options"] = "nosniff"
    response.headers["referrer-policy"] = "same-origin"
