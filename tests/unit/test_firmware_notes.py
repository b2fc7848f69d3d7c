"""What the notes for node builders print is what the program reads."""

import re
from pathlib import Path

import pytest

from soaktest.vocabulary import CHANNEL_UNITS
from soaktest.wire import decode_json, parse_about, parse_readings, parse_topic

NOTES = (Path(__file__).parents[2] / "firmware_notes" / "README.md").read_text()
SAID = re.findall(r"-t (\S+) -m '(.+)'", NOTES)


@pytest.mark.parametrize(("topic", "payload"), SAID)
def test_every_printed_message_is_accepted(topic: str, payload: str) -> None:
    """The examples keep the contract."""
    where = parse_topic(topic)
    content = decode_json(payload.encode())
    if where.kind == "about":
        assert parse_about(content).pads["left"].end_of_line_ohm == 2_200_000
    else:
        assert parse_readings(content, where, 1_764_000_000.0).samples == {"left": ([0], [0.0436])}


def test_there_are_examples_and_every_channel_is_named() -> None:
    """At least one message of each kind, and the whole table of records."""
    assert {parse_topic(topic).kind for topic, _ in SAID} == {"about", "readings"}
    assert [name for name in CHANNEL_UNITS if f"`{name}`" not in NOTES] == []
