"""Tables in a terminal: words stay whole, and what has no room is named."""

import pytest

from soaktest.cli.words import show_table

HEAD = ("when", "no.", "what", "story", "part", "work", "min", "personal")
MINOR = ("min", "work", "personal")
STORY = "water under it after the second spin, on the left side by the door"
ROWS = [
    ("2026-11-25 14:30:00", 12, "complaint", STORY, "", "", "", ""),
    ("2026-11-25 15:30:00", 13, "repair", "new hose", "dispenser-hose", "tightened", 25, "lives at number 4"),
]


def shown(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], width: int) -> str:
    monkeypatch.setenv("COLUMNS", str(width))
    show_table(HEAD, ROWS, "Unit A-1", MINOR)
    return capsys.readouterr().out


@pytest.mark.parametrize("width", [64, 80, 100])
def test_no_word_of_a_story_is_broken(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], width: int
) -> None:
    """Every word that is shown at all is shown whole, within the terminal; a column left out is named."""
    text = shown(monkeypatch, capsys, width)
    words = text.split()

    assert max(map(len, text.splitlines())) <= width
    for word in ("2026-11-25", "14:30:00", "complaint", "dispenser-hose", *STORY.split()):
        assert word in words
    left_out = text.partition("Left out for want of room: ")[2].partition(".")[0]
    for name, word in (("min", "25"), ("work", "tightened"), ("personal", "lives")):
        assert (word in words) != (name in left_out.split(", "))


def test_a_wide_terminal_shows_all_and_a_very_narrow_one_does_not_break(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Cells on one line each where there is room; where there is none for whole words, they are folded."""
    wide = shown(monkeypatch, capsys, 160)
    assert STORY in wide
    assert "Left out" not in wide

    assert max(map(len, shown(monkeypatch, capsys, 30).splitlines())) <= 30
