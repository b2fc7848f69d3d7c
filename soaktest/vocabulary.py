"""The few words that everybody speaks: phases, zones, channels and their units.

Left, centre and right are always as seen standing at the front of the machine.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, Literal

Phase = Literal["idle", "fill", "wash", "heat", "rinse", "drain", "spin"]
Zone = Literal["left", "centre", "right"]
Cause = Literal["leak", "condensation", "spill", "fault"]
Outcome = Literal["pass", "fail", "retest"]
PadState = Literal["sound", "unproven", "open", "short", "stuck", "silent", "drifting", "wet"]

FAULTY: Final[tuple[PadState, ...]] = ("open", "short", "stuck", "drifting")
"""States of a pad that do not pass by themselves: a check of the pads has to clear them."""
NOT_TELLING: Final[tuple[PadState, ...]] = (*FAULTY, "silent")
"""States of a pad that says neither wet nor dry."""
PHASES: Final[tuple[Phase, ...]] = ("idle", "fill", "wash", "heat", "rinse", "drain", "spin")
ZONES: Final[tuple[Zone, ...]] = ("left", "centre", "right")
CAUSES: Final[tuple[Cause, ...]] = ("leak", "condensation", "spill", "fault")

CHANNEL_UNITS: Final[dict[str, str]] = {
    "left": "/",
    "centre": "/",
    "right": "/",
    "power": "W",
    "current": "A",
    "vibration": "m/s2",
    "inlet": "/",
    "outlet": "/",
    "temperature": "Cel",
    "humidity": "%RH",
    "tilt-across": "rad",
    "tilt-along": "rad",
}
"""Numeric channels of a readings pack and the unit that each must resolve to."""
PHASE_SIGNALS: Final[tuple[str, ...]] = ("power", "current", "vibration", "inlet", "outlet")
"""The numeric channels that tell a machine's phase, in the order in which they are shown."""


def percent(share: float, digits: int = 0) -> str:
    """A share as people read it, the sign apart from the number (ISO 80000-1)."""
    return f"{100 * share:.{digits}f} %"


def plural(count: int, thing: str) -> str:
    """So many of a thing in words: ``1 wash``, ``2 washes``, ``3 entries``."""
    if count == 1:
        return f"1 {thing}"
    if thing.endswith("y") and thing[-2] not in "aeiou":
        return f"{count} {thing[:-1]}ies"
    return f"{count} {thing}{'es' if thing.endswith(('sh', 'ch', 's', 'x')) else 's'}"


def listed(words: Sequence[str]) -> str:
    """Words as a list in a sentence: ``a``, ``a and b``, ``a, b and c``."""
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def span_in_words(seconds: float) -> str:
    """Seconds below two minutes, else minutes."""
    return f"{seconds:.0f} s" if seconds < 120 else f"{seconds / 60:.0f} min"
