"""Templates of dashboards/, filled in; everything from outside is escaped."""

from __future__ import annotations

from datetime import datetime
from functools import lru_cache
from importlib import resources
from typing import Any, Final

from jinja2 import Environment, FunctionLoader

from soaktest.vocabulary import NOT_TELLING, listed, plural, span_in_words

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
    made.globals["NOT_TELLING"] = NOT_TELLING
    made.filters["moment"] = _moment
    made.filters["minute"] = _minute
    made.filters["listed"] = listed
    made.filters["plural"] = plural
    made.filters["span"] = span_in_words
    return made


def utc_offset(t: float | None = None) -> float:
    """Seconds by which this machine's clock is ahead of UTC, at a moment (UTC seconds) or now."""
    at = datetime.now() if t is None else datetime.fromtimestamp(t)
    offset = at.astimezone().utcoffset()
    return offset.total_seconds() if offset else 0.0


def utc_name(offset_s: float) -> str:
    """An offset as people read it, such as ``UTC+05:45``."""
    hours, minutes = divmod(round(abs(offset_s) / 60), 60)
    return f"UTC{'-' if offset_s < 0 else '+'}{hours:02d}:{minutes:02d}"


def _moment(t: float | None, form: str = "%d %b %Y %H:%M:%S") -> str:
    """Local date and time; its offset beside it where that is not the one that the page names, such as in another season."""
    if t is None:
        return ""
    offset = utc_offset(t)
    other = "" if offset == utc_offset() else f" ({utc_name(offset)})"
    return datetime.fromtimestamp(t).strftime(form) + other


def _minute(t: float | None) -> str:
    """The same to the minute, for lists."""
    return _moment(t, "%d %b %Y %H:%M")
