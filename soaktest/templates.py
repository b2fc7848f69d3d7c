"""Templates of dashboards/, filled in; everything from outside is escaped."""

from __future__ import annotations

from datetime import datetime
from functools import lru_cache
from importlib import resources
from typing import Any, Final

from jinja2 import Environment, FunctionLoader

FILES: Final = resources.files("soaktest.dashboards")


def source(name: str) -> str:
    """A file of dashboards/ as text."""
    return FILES.joinpath(name).read_text("utf-8")


def fill(name: str, **values: Any) -> str:
    """A template with its values."""
    return _environment().get_template(name).render(**values)


@lru_cache(maxsize=1)
def _environment() -> Environment:
    made = Environment(loader=FunctionLoader(source), autoescape=True)
    made.filters["moment"] = _moment
    return made


def _moment(t: float | None) -> str:
    return "" if t is None else datetime.fromtimestamp(t).astimezone().strftime("%d %b %Y %H:%M:%S")
