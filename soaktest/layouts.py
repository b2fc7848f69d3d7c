"""A layout: where pads and parts are under one kind of machine (TOML).

Millimetres; x from the left edge and y from the front edge, seen from the front.
"""

from __future__ import annotations

from typing import Annotated, Final, Literal, Self

from pydantic import Field, model_validator

from soaktest.errors import LayoutError
from soaktest.toml_values import Value, parse_value, read_shipped, read_value
from soaktest.vocabulary import ZONES, Phase, Zone

Millimetres = Annotated[float, Field(ge=-500, le=5000)]
Length = Annotated[float, Field(gt=0, le=5000)]


STRAY_MM: Final = 20.0
"""Drops fall so far from below a part as often as not: along a hose, off an edge."""


class Pad(Value):
    """One moisture pad on the floor; x and y are its middle."""

    zone: Zone
    x_mm: Millimetres
    y_mm: Millimetres
    width_mm: Length
    depth_mm: Length


class Part(Value):
    """A part that can leak: where, how often, in which phases, and the water's typical delay."""

    id: Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]{0,63}$")]
    name: Annotated[str, Field(min_length=1)]
    x_mm: Millimetres
    y_mm: Millimetres
    prior: Annotated[float, Field(gt=0, le=1000)]
    delay_s: Annotated[float, Field(ge=0, le=3600)]
    wets: dict[Phase, Annotated[float, Field(ge=0, le=1)]]
    look: str = ""
    """What to look at, unplugged, in the words of the trade."""

    @model_validator(mode="after")
    def _leaks_somewhere(self) -> Self:
        if not any(self.wets.values()):
            raise ValueError(f"part {self.id!r} leaks in no phase; give [parts.wets] a rate above 0")
        return self


class Layout(Value):
    """Pads and parts of one kind of machine."""

    layout: Literal[1]
    name: Annotated[str, Field(min_length=1, max_length=64)]
    title: str = ""
    width_mm: Length
    depth_mm: Length
    pads: tuple[Pad, ...]
    parts: Annotated[tuple[Part, ...], Field(min_length=1, max_length=200)]

    @model_validator(mode="after")
    def _whole(self) -> Self:
        zones = [pad.zone for pad in self.pads]
        for zone in ZONES:
            if zones.count(zone) != 1:
                raise ValueError(f"needs exactly one [[pads]] with zone = {zone!r}, has {zones.count(zone)}")
        ids = [part.id for part in self.parts]
        twice = next((i for i in ids if ids.count(i) > 1), None)
        if twice:
            raise ValueError(f"part id {twice!r} stands twice; give each part its own id")
        by_x = [self.pad(zone).x_mm for zone in ZONES]
        if not by_x[0] < by_x[1] < by_x[2]:
            raise ValueError("pads must lie left, centre, right by x_mm, seen from the front")
        return self

    def pad(self, zone: Zone) -> Pad:
        """The pad in ``zone``."""
        return next(pad for pad in self.pads if pad.zone == zone)

    def beside_in_words(self) -> str:
        """What is said of parts whose water lands farther than ``STRAY_MM`` from every pad, when the machine stands level."""
        parts = [p.name for p in self.parts if min(_away(p, pad) for pad in self.pads) > STRAY_MM]
        if not parts:
            return ""
        return f"Water from these parts lands beside the pads and shows only if it spreads to them: {', '.join(parts)}. Look at the floor there too."

    def zone_at(self, x_mm: float) -> Zone:
        """The zone whose pad's middle lies nearest to ``x_mm``."""
        return min(ZONES, key=lambda zone: abs(self.pad(zone).x_mm - x_mm))


def _away(part: Part, pad: Pad) -> float:
    """Millimetres from below a part to the nearest edge of a pad, 0 over it."""
    across = max(abs(part.x_mm - pad.x_mm) - pad.width_mm / 2, 0.0)
    along = max(abs(part.y_mm - pad.y_mm) - pad.depth_mm / 2, 0.0)
    return float((across**2 + along**2) ** 0.5)


def read_layout(name_or_path: str) -> Layout:
    """A shipped layout by name, or a layout file. Raises LayoutError naming file, key and mend."""
    return read_value(Layout, name_or_path, "layouts", LayoutError)


def named_layout(name: str | None) -> Layout:
    """The shipped layout that a recording or a page names, ``front-loader`` where it names none. Raises LayoutError."""
    return read_shipped(Layout, name or "front-loader", "layouts", LayoutError)


def parse_layout(text: str, where: str) -> Layout:
    """A layout from TOML text; ``where`` names its origin in errors. Raises LayoutError."""
    return parse_value(Layout, text, where, LayoutError)
