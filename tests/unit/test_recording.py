"""Recordings: read back as written, and a clear word for each way a file can be bad."""

import gzip
import json
from pathlib import Path

import pytest

from soaktest.errors import RecordingError
from soaktest.recording import Header, Message, read_recording, write_recording

HEADER = Header(bench="b1", began=1_764_000_000.0, unit="A-0417", layout="front-loader", plan="resale")
MESSAGES = [
    Message(1_764_000_000.5, "soaktest/b1/pads/about", b'{"contract": 1,\n "kind": "pads"}'),
    Message(1_764_000_001.0, "soaktest/b1/pads/presence", b"here"),
    Message(1_764_000_002.0, "soaktest/b1/pads/readings", b"\x00\xff not json"),
    Message(1_764_000_003.0, "soaktest/b1/pads/readings", b"[" + b" " * 70_000 + b"]"),
]


@pytest.mark.parametrize("name", ["run.ndjson", "run.ndjson.gz"])
def test_a_recording_reads_back_as_written(tmp_path: Path, name: str) -> None:
    """Header, times, topics and payloads return; what was not JSON, or too large, returns as its bytes."""
    back = read_recording(write_recording(tmp_path / name, HEADER, MESSAGES))
    got = list(back.messages)

    assert back.header == HEADER
    assert [m[:2] for m in got] == [m[:2] for m in MESSAGES]
    assert [m.payload for m in got] == [
        b'{"contract": 1,  "kind": "pads"}',
        b"here",
        MESSAGES[2].payload,
        MESSAGES[3].payload,
    ]
    assert list(back.messages) == got, "a recording can be walked twice"


def test_blanks_that_a_file_gained_do_not_make_a_message_too_large(tmp_path: Path) -> None:
    """A file that another program wrote anew, with room between its values, holds the same messages."""
    path = write_recording(tmp_path / "run.ndjson", HEADER, [])
    wide = b"[1," + b" " * 70_000 + b"2]"
    path.write_bytes(path.read_bytes() + b'{"at": 3, "topic": "t", "payload": ' + wide + b"}\n")

    assert [m.payload for m in read_recording(path).messages] == [b"[1,2]"]


@pytest.mark.parametrize(
    "line",
    [
        b"[1]",
        b'{"at": true, "topic": "t", "payload": 1}',
        b'{"at": -1, "topic": "t", "payload": 1}',
        b'{"at": 1e300, "topic": "t", "payload": 1}',
        b'{"at": 3, "topic": 7, "payload": 1}',
        b'{"at": 3, "topic": "t"}',
        b'{"at": 3, "topic": "t", "payload_b64": 5}',
        b'{"at": 3, "topic": "t", "payload_b64": "%%"}',
        b'{"at": 3, "topic": "t", "payload": [1,}',
        b'{"at": 3, "topic": "t", "payload": ' + b"[" * 50_000 + b"]" * 50_000 + b"}",
    ],
    ids=lambda line: repr(line[:45]),
)
def test_a_line_without_a_message_stops_nothing(tmp_path: Path, line: bytes) -> None:
    """Whatever is wrong with it: it is counted, and the line behind it is read."""
    path = write_recording(tmp_path / "run.ndjson", HEADER, [])
    path.write_bytes(path.read_bytes() + line + b'\n{"at": 4, "topic": "t", "payload": null}\n')

    recording = read_recording(path)

    assert list(recording.messages) == [Message(4, "t", b"null")]
    assert [number for number, _ in recording.bad_lines] == [2]


def test_a_line_cut_off_is_counted_and_the_rest_is_read(tmp_path: Path) -> None:
    """Bad lines are set aside with their number; the lines behind them are read."""
    path = write_recording(tmp_path / "run.ndjson", HEADER, MESSAGES)
    path.write_bytes(
        path.read_bytes() + b'{"at": 3, "topic"\n' + b'{"at": 4, "topic": "t", "payload": 1}\n{"at": 5'
    )

    recording = read_recording(path)

    assert len(list(recording.messages)) == len(MESSAGES) + 1
    assert [number for number, _ in recording.bad_lines] == [6, 8]


def header(**changes: object) -> bytes:
    return json.dumps({"recording": 1, "bench": "b1", "began": 1.0} | changes).encode() + b"\n"


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "is empty"),
        (b"\n\n", "is empty"),
        (b"hello\n", "not JSON"),
        (b'{"at": 1}\n', "no header"),
        (b"[1]\n", "no header"),
        (header(recording=2), "version 2.*Update soaktest"),
        (header(recording="1"), "recording"),
        (header(bench="B 1"), "bench"),
        (header(began="soon"), "began"),
        (header(ended=0.5), "ended before it began"),
        (gzip.compress(header() * 500, mtime=0)[:-20], "gzip"),
        (gzip.compress(header(), mtime=0)[:6] + b"garbage garbage", "gzip"),
    ],
)  # fmt: skip
def test_a_bad_file_gets_one_clear_line(tmp_path: Path, content: bytes, says: str) -> None:
    """The error names the file, what is wrong and what to do."""
    path = tmp_path / "bad.ndjson"
    path.write_bytes(content)

    with pytest.raises(RecordingError, match=f"(?s)bad.ndjson.*{says}"):
        read_recording(path)


def test_a_missing_file_and_an_unwritable_place_are_named(tmp_path: Path) -> None:
    """Reading what is not there, and writing where nothing can be written."""
    with pytest.raises(RecordingError, match="nowhere"):
        read_recording(tmp_path / "nowhere.ndjson")
    (tmp_path / "file").write_text("x")
    with pytest.raises(RecordingError, match="cannot be written"):
        write_recording(tmp_path / "file" / "run.ndjson", HEADER, MESSAGES)
