"""The file a run is kept in: newline-delimited JSON, a header and then each message as it arrived.

A recording may be gzipped. Reading decodes lines as they are asked for, so that a
day's recording needs little more memory than its text.
"""

from __future__ import annotations

import base64
import codecs
import gzip
import zlib
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any, Literal, NamedTuple

import msgspec
import orjson
from msgspec import Raw, Struct
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError

from soaktest.errors import RecordingError
from soaktest.wire import LARGEST_PAYLOAD, Name

VERSION = 1
LATEST = 1e11
"""UTC seconds; no time of a recording lies beyond."""
LARGEST_TEXT = 2 * 1024**3
"""Bytes of text that a gzipped recording may unpack to."""


def _shown(text: str) -> str:
    if not text.isprintable():
        raise ValueError("holds a character that cannot be printed")
    return text


class Header(BaseModel):
    """The first line of a recording; times in UTC seconds."""

    model_config = ConfigDict(frozen=True, allow_inf_nan=False, extra="ignore")
    recording: Literal[1] = 1
    bench: Name
    unit: Annotated[str, Field(max_length=200), AfterValidator(_shown)] | None = None
    layout: str | None = None
    plan: str | None = None
    began: Annotated[float, Field(ge=0, lt=LATEST)]
    ended: Annotated[float, Field(ge=0, lt=LATEST)] | None = None
    run: str | None = None


class Message(NamedTuple):
    """One message as it arrived: UTC seconds, topic, and its bytes."""

    at: float
    topic: str
    payload: bytes


class Retained(Message):
    """A message that the broker had kept from before; only ever met live."""


@dataclass(frozen=True, slots=True)
class Recording:
    """A run as the bench heard it. ``messages`` can be walked more than once.

    ``bad_lines`` collects (line number, reason) of lines that hold no message, as they are met.
    """

    header: Header
    messages: Iterable[Message]
    bad_lines: list[tuple[int, str]] = field(default_factory=list)


class _Line(Struct, gc=False):
    at: int | float
    topic: str
    payload: Raw = Raw(b"")
    payload_b64: Any = None

    def message(self) -> Message:
        """The line's message. Raises ValueError or TypeError where it holds none."""
        if not 0 <= self.at < LATEST:
            raise ValueError
        payload = bytes(self.payload) or base64.b64decode(self.payload_b64, validate=True)
        if len(payload) > LARGEST_PAYLOAD and self.payload:
            payload = orjson.dumps(orjson.loads(payload))  # blanks that the file's writer put in do not count
        return Message(self.at, self.topic, payload)


_line = msgspec.json.Decoder(_Line).decode


class _Lines:
    """The messages of a recording's text, decoded anew on each walk."""

    def __init__(self, text: bytes, bad_lines: list[tuple[int, str]]) -> None:
        self._text = text
        self._bad = bad_lines

    def __iter__(self) -> Iterator[Message]:
        self._bad.clear()
        start, number = self._text.find(b"\n") + 1, 1
        if start == 0:
            return
        while start < len(self._text):
            stop = self._text.find(b"\n", start)
            if stop < 0:
                stop = len(self._text)
            number += 1
            line = self._text[start:stop]
            start = stop + 1
            try:
                message = _line(line).message()
            except (msgspec.DecodeError, ValueError, TypeError, RecursionError):
                if line.strip():
                    self._bad.append((number, "not a message with at, topic and payload"))
                continue
            yield message


def later(recording: Recording, seconds: float, boot: bytes = b"") -> Recording:
    """The same run so much later; with ``boot``, which goes before each boot id, as if its nodes had booted anew."""
    header, mark = recording.header, b'"boot","vs":"'
    moved = {"began": header.began + seconds, "ended": header.ended and header.ended + seconds}
    return Recording(
        header.model_copy(update=moved),
        [
            m._replace(at=m.at + seconds, payload=m.payload.replace(mark, mark + boot))
            for m in recording.messages
        ],
    )


def read_recording(path: str | Path) -> Recording:
    """Read a recording, gzipped or not.

    Raises:
        RecordingError: the file cannot be read, is empty, is cut off inside its gzip, or its
            header is missing, malformed or of a later version.
    """
    where = Path(path)
    try:
        raw = where.read_bytes()
    except OSError as exc:
        raise RecordingError(f"{where}: cannot be read ({exc.strerror}). Check the path.") from exc
    text = (_gunzipped(raw, where) if raw[:2] == b"\x1f\x8b" else raw).removeprefix(codecs.BOM_UTF8)
    if not text.strip():
        raise RecordingError(
            f"{where}: is empty. A recording begins with a header line; record the run again."
        )
    first = text.split(b"\n", 1)[0]
    bad_lines: list[tuple[int, str]] = []
    return Recording(_header(first, where), _Lines(text, bad_lines), bad_lines)


def _gunzipped(raw: bytes, where: Path) -> bytes:
    unpack = zlib.decompressobj(wbits=31)
    parts, size = [], 0
    try:
        while raw:
            parts.append(unpack.decompress(raw, LARGEST_TEXT - size + 1))
            size += len(parts[-1])
            if size > LARGEST_TEXT:
                raise RecordingError(f"{where}: unpacks to more than {LARGEST_TEXT} bytes; not read.")
            if not unpack.eof:
                raise EOFError
            raw = unpack.unused_data
            if raw[:2] != b"\x1f\x8b":  # zero padding may follow the last member
                break
            unpack = zlib.decompressobj(wbits=31)
    except zlib.error as exc:
        raise RecordingError(f"{where}: damaged gzip ({exc}). Copy the file again from its source.") from exc
    except EOFError as exc:
        raise RecordingError(
            f"{where}: the gzip ends before its end ({len(raw)} bytes). Copy the file again from its source."
        ) from exc
    return b"".join(parts)


def _header(line: bytes, where: Path) -> Header:
    try:
        entry = orjson.loads(line)
    except orjson.JSONDecodeError as exc:
        raise RecordingError(f"{where}: line 1 is not JSON, so this is no recording ({exc}).") from exc
    if not isinstance(entry, dict) or "recording" not in entry:
        raise RecordingError(
            f"{where}: line 1 is no header. It must be like "
            '{"recording": 1, "bench": "b1", "began": 1764000000.0}.'
        )
    version = entry["recording"]
    if type(version) is int and version > VERSION:
        raise RecordingError(
            f"{where}: is a recording of version {version}; this program reads version {VERSION}. "
            "Update soaktest, or record the run with this version."
        )
    try:
        header = Header.model_validate(entry)
    except ValidationError as exc:
        fault = exc.errors()[0]
        key = ".".join(map(str, fault["loc"]))
        raise RecordingError(f"{where}: header key {key!r}: {fault['msg']}. Mend line 1.") from exc
    if header.ended is not None and header.ended < header.began:
        raise RecordingError(f"{where}: header says that the run ended before it began. Mend line 1.")
    return header


def write_recording(
    path: str | Path,
    header: Header,
    messages: Iterable[Message],
    progress: Callable[[int], None] | None = None,
) -> Path:
    """Write a recording, gzipped where the name ends in ``.gz``; whole or not at all.

    ``progress`` is called with the number of messages written so far.

    Raises:
        RecordingError: the file cannot be written.
    """
    where = Path(path)
    part = where.with_name(where.name + ".part")
    opener: Callable[..., Any] = gzip.open if where.suffix == ".gz" else open
    try:
        where.parent.mkdir(parents=True, exist_ok=True)
        with opener(part, "wb") as out:
            out.write(orjson.dumps(header.model_dump(exclude_none=True)) + b"\n")
            for count, message in enumerate(messages, 1):
                out.write(message_line(message))
                if progress:
                    progress(count)
        part.replace(where)
    except OSError as exc:
        with suppress(OSError):
            part.unlink(missing_ok=True)
        raise RecordingError(
            f"{where}: cannot be written ({exc.strerror}). Free some space or choose another."
        ) from exc
    return where


def message_line(message: Message) -> bytes:
    """One message as a line: ``payload`` where the bytes are JSON, else ``payload_b64``."""
    payload = message.payload
    entry: dict[str, Any] = {"at": message.at, "topic": message.topic}
    try:
        if len(payload) > LARGEST_PAYLOAD:
            raise ValueError
        orjson.loads(payload)
        entry["payload"] = orjson.Fragment(payload.replace(b"\n", b" ").replace(b"\r", b" "))
    except ValueError:
        entry["payload_b64"] = base64.b64encode(payload).decode()
    return orjson.dumps(entry) + b"\n"
