"""What the notes for node builders print is what the program reads."""

import re
from pathlib import Path

import pytest

from soaktest.vocabulary import CHANNEL_UNITS
from soaktest.wire import decode_json, parse_about, parse_readings, parse_topic

FOLDER = Path(__file__).parents[2] / "firmware_notes"
NOTES = (FOLDER / "README.md").read_text()
SAID = re.findall(r"-t (\S+) -m '(.+)'", NOTES)


@pytest.mark.parametrize(("topic", "payload"), SAID)
def test_every_printed_message_is_accepted(topic: str, payload: str) -> None:
    """The examples keep the contract."""
    where = parse_topic(topic)
    if where.kind == "about":
        assert parse_about(decode_json(payload.encode())).pads["left"].end_of_line_ohm == 2_200_000
    else:
        assert parse_readings(payload.encode(), where, 1_764_000_000.0).samples == {"left": ([0], [0.0436])}


def test_there_are_examples_and_every_channel_is_named() -> None:
    """At least one message of each kind, and the whole table of records."""
    assert {parse_topic(topic).kind for topic, _ in SAID} == {"about", "readings"}
    assert [name for name in CHANNEL_UNITS if f"`{name}`" not in NOTES] == []


def test_every_page_that_touches_mains_water_or_weight_says_so() -> None:
    """Cautions stand at the top, and defer to local codes."""
    for page in FOLDER.glob("*.md"):
        text = page.read_text("utf-8")
        assert "**Mains and water.**" in text[:400], page
        assert "Local codes and licensed practice come first." in " ".join(text.replace("> ", "").split()), (
            page
        )


def test_drawings_say_the_values_that_the_firmware_assumes() -> None:
    """The plans beside the pages, drawn by draw_wiring.py."""
    for name, words in (
        ("pad.svg", ("2.2 MΩ", "100 kΩ", "drive pin A", "drive pin B")),
        ("clamp.svg", ("ONE insulated", "10 kΩ")),
    ):
        text = (FOLDER / name).read_text("utf-8")
        assert all(word in text for word in words), name


def test_settings_hold_no_secret_and_the_code_neither() -> None:
    """What a board is given names keys that the code reads."""
    import json

    told = json.loads((FOLDER / "firmware" / "settings.example.json").read_text())
    assert told["wifi_password"] == "put yours here"
    code = "".join(p.read_text() for p in (FOLDER / "firmware").glob("*.py"))
    assert all(
        f'"{key}"' in code
        for key in ("wifi", "wifi_password", "broker", "bench", "node", "rate_hz", "keep", "pins")
    )
