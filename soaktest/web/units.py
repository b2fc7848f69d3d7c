"""The workshop: units, found and filtered, and each one's story."""

from __future__ import annotations

from datetime import date
from typing import Annotated
from urllib.parse import quote

from fastapi import APIRouter, Depends, Form, Path, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from soaktest.errors import InputError
from soaktest.layouts import read_layout
from soaktest.toml_values import shipped_names
from soaktest.web.benches import book
from soaktest.web.door import must_carry_token
from soaktest.web.templates import page
from soaktest.workshop.days import when_given
from soaktest.workshop.sales import standing_doubt
from soaktest.workshop.stories import (
    WHATS,
    WORKS,
    NewEntry,
    erase_personal,
    find_unit,
    story_of,
    take_in,
    write_entry,
)
from soaktest.workshop.story_page import story_page
from soaktest.workshop.units import LARGEST_FIRST, SHOWS, Show, Sort, list_units

router = APIRouter()


@router.get("/units", include_in_schema=False)
def all_units(
    request: Request,
    find: Annotated[str, Query(max_length=100)] = "",
    show: Show = "all",
    sort: Sort = "last",
    turned: bool = False,
) -> HTMLResponse:
    """Units whose tag, serial, kind or complaint holds the words, in the order of a column."""
    rows = list_units(book(request), find, show, sort, turned=turned)
    falling = (sort in LARGEST_FIRST) != turned
    return page(
        request,
        "units.html",
        rows=rows,
        find=find,
        show=show,
        shows=SHOWS,
        sort=sort,
        turned=turned,
        falling=falling,
    )


@router.get("/story/{tag:path}", include_in_schema=False)
def story(request: Request, tag: Annotated[str, Path(max_length=64)]) -> HTMLResponse:
    """A unit's story as a page that stands alone."""
    return HTMLResponse(story_page(book(request), tag))


@router.get("/units/{tag:path}", include_in_schema=False)
def one_unit(
    request: Request,
    tag: Annotated[str, Path(max_length=64)],
    what: Annotated[str, Query(max_length=16)] = "",
    part: Annotated[str, Query(max_length=64)] = "",
) -> HTMLResponse:
    """One unit's story in the order of time; ``what`` and ``part`` are what the form for an entry begins with."""
    story = story_of(book(request), tag)
    return page(
        request,
        "unit.html",
        unit=find_unit(book(request), tag),
        story=story,
        personal=[entry for entry in story if entry.personal],
        doubt=standing_doubt(book(request), tag),
        whats=WHATS[1:],
        what=what,
        part=part,
        works=WORKS,
        parts=sorted(
            {(part.id, part.name) for name in shipped_names("layouts") for part in read_layout(name).parts}
        ),
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
    work: Annotated[str, Form(max_length=16)] = "",
    on: Annotated[str, Form(max_length=40)] = "",
    clock: Annotated[str, Form(max_length=16)] = "",
    personal: Annotated[str, Form(max_length=2000)] = "",
    minutes: Annotated[str, Form(max_length=12)] = "",
    cost: Annotated[str, Form(max_length=12)] = "",
    corrects: Annotated[str, Form(max_length=12)] = "",
) -> Response:
    """Write an entry, or one that corrects another; nothing is deleted. A time without a day is of today."""
    old = number("corrects entry", corrects)
    at = when_given(f"{on or date.today().isoformat()}T{clock}" if clock else on)
    entry = NewEntry(
        what, text.strip(), at, part.strip() or None, work or None,
        number("minutes", minutes), number("cost", cost), personal=personal.strip() or None, corrects=None if old is None else int(old),
    )  # fmt: skip
    write_entry(book(request), tag, entry)
    return RedirectResponse(f"/units/{quote(tag)}", 303)


@router.post("/units/{tag:path}/erase", dependencies=[Depends(must_carry_token)], include_in_schema=False)
def erase(request: Request, tag: Annotated[str, Path(max_length=64)]) -> Response:
    """Erase the customer's data in a unit's story; everything else stays."""
    erase_personal(book(request), tag)
    return RedirectResponse(f"/units/{quote(tag)}", 303)


def number(name: str, given: str) -> float | None:
    """A number as people type it, with a comma or a point; None for nothing. Raises InputError."""
    try:
        value = float(given.replace(",", ".")) if given.strip() else None
    except ValueError as exc:
        raise InputError(f"{name}: {given!r} is no number.") from exc
    if value is not None and not 0 <= value < 1e7:
        raise InputError(f"{name}: {given!r} must be a number from 0.")
    return value
