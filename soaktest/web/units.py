"""The workshop: units, found and filtered, and each one's story."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path, Query, Request
from fastapi.responses import HTMLResponse

from soaktest.web.benches import book
from soaktest.web.templates import page
from soaktest.workshop.learning import figures
from soaktest.workshop.stories import find_unit, list_units, story_of

router = APIRouter()


@router.get("/units", include_in_schema=False)
def all_units(request: Request, find: Annotated[str, Query(max_length=100)] = "") -> HTMLResponse:
    """Units, the newest first, those whose tag, serial, kind or complaint holds the words."""
    return page(
        request, "units.html", rows=list_units(book(request), find), find=find, figures=figures(book(request))
    )


@router.get("/units/{tag}", include_in_schema=False)
def one_unit(request: Request, tag: Annotated[str, Path(max_length=64)]) -> HTMLResponse:
    """One unit's story in the order of time."""
    return page(request, "unit.html", unit=find_unit(book(request), tag), story=story_of(book(request), tag))
