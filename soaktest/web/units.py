"""The workshop: units, found and filtered, and each one's story."""

from __future__ import annotations

import time
from typing import Annotated
from urllib.parse import quote

from fastapi import APIRouter, Depends, Form, Path, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from soaktest.errors import InputError
from soaktest.web.benches import book
from soaktest.web.door import must_carry_token
from soaktest.web.templates import page
from soaktest.workshop.learning import figures
from soaktest.workshop.stories import WHATS, Entry, find_unit, list_units, story_of, take_in, write_entry

router = APIRouter()


@router.get("/units", include_in_schema=False)
def all_units(request: Request, find: Annotated[str, Query(max_length=100)] = "") -> HTMLResponse:
    """Units, the newest first, those whose tag, serial, kind or complaint holds the words."""
    return page(
        request, "units.html", rows=list_units(book(request), find), find=find, figures=figures(book(request))
    )


@router.get("/units/{tag:path}", include_in_schema=False)
def one_unit(request: Request, tag: Annotated[str, Path(max_length=64)]) -> HTMLResponse:
    """One unit's story in the order of time."""
    return page(
        request,
        "unit.html",
        unit=find_unit(book(request), tag),
        story=story_of(book(request), tag),
        whats=WHATS[1:],
    )


@router.post("/units", dependencies=[Depends(must_carry_token)], include_in_schema=False)
def take(
    request: Request,
    tag: Annotated[str, Form(max_length=64)],
    kind: Annotated[str, Form(max_length=64)] = "",
    serial: Annotated[str, Form(max_length=128)] = "",
    complaint: Annotated[str, Form(max_length=2000)] = "",
) -> Response:
    """Take a unit in, or add to what is known of it."""
    unit = take_in(book(request), tag, kind.strip(), serial.strip(), complaint.strip())
    return RedirectResponse(f"/units/{quote(unit.tag)}", 303)


@router.post("/units/{tag:path}/story", dependencies=[Depends(must_carry_token)], include_in_schema=False)
def tell(  # noqa: PLR0913
    request: Request,
    tag: Annotated[str, Path(max_length=64)],
    what: Annotated[str, Form(max_length=16)],
    text: Annotated[str, Form(max_length=2000)] = "",
    part: Annotated[str, Form(max_length=64)] = "",
    minutes: Annotated[str, Form(max_length=12)] = "",
    cost: Annotated[str, Form(max_length=12)] = "",
    corrects: Annotated[str, Form(max_length=12)] = "",
) -> Response:
    """Write an entry, or one that corrects another; nothing is deleted."""
    entry = Entry(
        time.time(),
        what,
        text.strip(),
        None,
        part.strip() or None,
        _number("minutes", minutes),
        _number("cost", cost),
    )
    old = _number("entry", corrects)
    write_entry(book(request), tag, entry, None if old is None else int(old))
    return RedirectResponse(f"/units/{quote(tag)}", 303)


def _number(name: str, given: str) -> float | None:
    try:
        return float(given.replace(",", ".")) if given.strip() else None
    except ValueError as exc:
        raise InputError(f"{name}: {given!r} is no number.") from exc
