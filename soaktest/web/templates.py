"""Page templates of dashboards/, filled in; everything from outside is escaped."""

from __future__ import annotations

from datetime import datetime
from functools import lru_cache
from importlib import resources
from typing import Any

from fastapi import Request
from fastapi.responses import HTMLResponse
from jinja2 import Environment, FunctionLoader

FILES = resources.files("soaktest.dashboards")


def _source(name: str) -> str:
    return FILES.joinpath(name).read_text("utf-8")


def _moment(t: float | None) -> str:
    return "" if t is None else datetime.fromtimestamp(t).astimezone().strftime("%d %b %Y %H:%M:%S")


@lru_cache(maxsize=1)
def _environment() -> Environment:
    made = Environment(loader=FunctionLoader(_source), autoescape=True)
    made.filters["moment"] = _moment
    return made


def page(request: Request, name: str, **values: Any) -> HTMLResponse:
    """A page of dashboards/, with the session's token for its forms."""
    from soaktest.web.door import token

    text = _environment().get_template(name).render(token=token(request), path=request.url.path, **values)
    return HTMLResponse(text)
