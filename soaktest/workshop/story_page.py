"""A unit's story as a page of its own, to be kept with the machine's papers; no customer's data is on it."""

from __future__ import annotations

import time

from soaktest.journal import Journal
from soaktest.templates import fill, source, utc_name, utc_offset
from soaktest.workshop.stories import find_unit, story_of


def story_page(journal: Journal, tag: str) -> str:
    """The HTML of a unit's story. Raises InputError where there is no such unit."""
    return fill(
        "story.html",
        unit=find_unit(journal, tag),
        story=story_of(journal, tag),
        style=source("timeline.css"),
        made=time.time(),
        zone_name=utc_name(utc_offset()),
    )
