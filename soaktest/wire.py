"""What nodes say on the broker: topics, readings packs, node descriptions, presence.

Parsing is strict: a message that breaks the contract raises MessageFault with a
reason that a firmware writer can act on. The caller sets it aside; nothing here logs,
drops or repairs.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from functools import lru_cache
from typing import Annotated, Any, Final, Literal, NamedTuple, cast

import orjson
from msgspec import Struct
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from soaktest.errors import InputError, MessageFault
from soaktest.senml import ABSOLUTE_FROM, Columns, Record, plain_columns, resolve_columns
from soaktest.vocabulary import CHANNEL_UNITS, PHASES, Phase, Zone

ROOT: Final = "soaktest"
LARGEST_PAYLOAD: Final = 64 * 1024
"""Bytes; a larger message is set aside."""
FARTHEST_UTC_S: Final = 86_400.0
"""A UTC sample time farther than this from its arrival is not believed."""
LARGEST_SUM: Final = 1e12
RATIO_SLACK: Final = 0.001
"""Ratios may stray this far out of 0..1 (rounding in the node); they are clipped."""

NAME_PATTERN: Final = r"[a-z0-9][a-z0-9-]{0,31}"
_is_name = re.compile(NAME_PATTERN).fullmatch
_RATIOS = frozenset(name for name, unit in CHANNEL_UNITS.items() if unit == "/")

_FRAME = frozenset(("boot", "seq", "uptime"))

Kind = Literal["readings", "about", "presence", "lamp", "alarm"]
Name = Annotated[str, Field(pattern=f"^{NAME_PATTERN}$")]


class Topic(NamedTuple):
    """A topic of the contract; ``node`` is empty for the bench's own lamp and alarm."""

    bench: str
    node: str
    kind: Kind

    def __str__(self) -> str:
        return "/".join(part for part in (ROOT, self.bench, self.node, self.kind) if part)


@lru_cache(maxsize=1024)
def bench_name(given: str) -> str:
    """A bench's name as its nodes may publish it. Raises InputError for any other."""
    if not _is_name(given):
        raise InputError(f"bench {given[:64]!r}: use 1 to 32 of a-z 0-9 -, first a letter or digit.")
    return given


@lru_cache(maxsize=1024)
def parse_topic(topic: str) -> Topic:
    """The topic's bench, node and kind. Raises MessageFault for any other topic."""
    levels = topic.split("/")
    if levels[0] == ROOT and len(levels) in (3, 4) and all(map(_is_name, levels[1:-1])):
        if len(levels) == 4 and levels[3] in ("readings", "about", "presence"):
            return Topic(levels[1], levels[2], cast(Kind, levels[3]))
        if len(levels) == 3 and levels[2] in ("lamp", "alarm"):
            return Topic(levels[1], "", cast(Kind, levels[2]))
    raise MessageFault(
        f"topic {topic[:200]!r} is not {ROOT}/<bench>/<node>/readings, about or presence with names of "
        "1 to 32 of a-z 0-9 -, first a letter or digit"
    )


class AboutPad(BaseModel):
    """How one pad is wired; ohms."""

    model_config = ConfigDict(frozen=True, allow_inf_nan=False)
    divider_ohm: Annotated[float, Field(gt=0, le=1e9)] = 100_000.0
    end_of_line_ohm: Annotated[float, Field(gt=0, le=1e10)] | None = None


class About(BaseModel):
    """What a node says of itself at boot."""

    model_config = ConfigDict(frozen=True, allow_inf_nan=False)
    contract: Literal[1]
    kind: Literal["pads", "phase"]
    clock: Literal["uptime", "utc"] = "uptime"
    rate_hz: Annotated[float, Field(gt=0, le=1000)] | None = None
    pads: dict[Zone, AboutPad] = Field(default_factory=dict)
    firmware: Annotated[str, Field(max_length=200)] = ""


class Pack(Struct, frozen=True, gc=False):
    """One readings pack. Sample times are seconds relative to the pack's making (``absolute``
    False) or UTC seconds (``absolute`` True); ``uptime`` is the node's clock at that instant.

    A node with the date may leave ``uptime`` out. Whether it is one stands in its description, not here: so
    a pack that holds nothing to be placed in time may lack it from any node, and is proof of life all the same.
    """

    boot: str
    seq: int
    uptime: float | None
    absolute: bool
    samples: dict[str, tuple[list[float], list[float]]] = {}
    phases: list[tuple[float, Phase]] = []


def decode_json(payload: bytes) -> Any:
    """The payload's JSON value. Raises MessageFault where it is too large or not JSON."""
    if len(payload) > LARGEST_PAYLOAD:
        raise MessageFault(f"{len(payload)} bytes; a message may hold {LARGEST_PAYLOAD} at the most")
    try:
        return orjson.loads(payload)
    except orjson.JSONDecodeError as exc:
        raise MessageFault(f"not JSON: {exc}") from exc


def parse_about(content: Any) -> About:
    """A node's description from its JSON value. Raises MessageFault naming the key."""
    try:
        return About.model_validate(content, strict=True)
    except ValidationError as exc:
        fault = exc.errors()[0]
        key = ".".join(map(str, fault["loc"])) or "about"
        raise MessageFault(f"about: {key}: {fault['msg']}") from exc


def parse_presence(payload: bytes) -> bool:
    """True for ``here``, False for ``gone``; bare text or a JSON string. Raises MessageFault."""
    word = payload.strip().strip(b'"')
    if word in (b"here", b"gone"):
        return word == b"here"
    raise MessageFault(f"presence must be here or gone, not {payload[:40]!r}")


def parse_readings(payload: bytes, topic: Topic, at: float) -> Pack:
    """A readings pack from its bytes.

    Args:
        payload: a SenML JSON pack.
        topic: where it came from; names in the pack must belong to that node.
        at: arrival on the collector's clock, UTC seconds.

    Raises:
        MessageFault: any record breaks RFC 8428 or the contract; whatever a node sends, nothing else is raised.
    """
    try:
        return _plain_pack(payload, topic, at) or _pack(*resolve_columns(decode_json(payload)), topic, at)
    except (TypeError, LookupError, AttributeError, ArithmeticError, ValueError, RecursionError) as exc:
        # no pack is known that gets here; one that does is set aside and must not stop the collector
        raise MessageFault(f"the pack cannot be read ({type(exc).__name__})") from exc


def _plain_pack(payload: bytes, topic: Topic, at: float) -> Pack | None:
    """A plain, sound pack, read fast. What this would refuse is read the long way, which gives the reason."""
    plain = plain_columns(payload) if len(payload) <= LARGEST_PAYLOAD else None
    try:
        return _pack(*plain, topic, at) if plain else None
    except MessageFault:
        return None


def _pack(columns: Columns, others: list[Record], topic: Topic, at: float) -> Pack:
    prefix = f"{topic.bench}/{topic.node}/"
    frame: dict[str, float | str] = {}
    samples: dict[str, tuple[list[float], list[float]]] = {}
    phases: list[tuple[float, Phase]] = []
    held: list[float] = []
    framed: list[float] = []
    for (name, unit), (times, values) in columns.items():
        channel = _channel(name, prefix)
        known = CHANNEL_UNITS.get(channel)
        if known is not None:
            if unit != known:
                raise MessageFault(f"{channel}: unit is {unit!r}, must be {known!r}")
            samples[channel] = (times, _checked(channel, values))
            held += times
        elif channel in _FRAME:
            for value in values:
                _frame_field(frame, channel, unit, value)
            framed += times
        elif channel == "phase":
            raise MessageFault("phase: must be a text (vs)")
    for record in others:
        channel = _channel(record.name, prefix)
        if channel == "phase":
            if record.value not in PHASES:
                raise MessageFault(f"phase: {record.value!r} is none of {', '.join(PHASES)}")
            phases.append((record.time, record.value))
            held.append(record.time)
        elif channel in _FRAME:
            _frame_field(frame, channel, record.unit, record.value)
            framed.append(record.time)
        elif channel in CHANNEL_UNITS:
            raise MessageFault(f"{channel}: has no number (v)")
    # of a pack that holds nothing, the frame alone tells when it was made
    return _framed(frame, samples, phases, held or [max(framed, default=0.0)], at)


@lru_cache(maxsize=256)
def _channel(name: str, prefix: str) -> str:
    """The name within its node; without a base name it is the topic's node, another node's is a fault."""
    if name.startswith(prefix):
        return name[len(prefix) :]
    if "/" not in name and ":" not in name:
        return name
    raise MessageFault(f"name {name[:80]!r} does not begin with {prefix!r}, the node of the topic")


def _frame_field(frame: dict[str, float | str], key: str, unit: str | None, value: Any) -> None:
    if key in frame:
        raise MessageFault(f"{key} stands twice in one pack")
    if key == "boot":
        if not isinstance(value, str) or not 0 < len(value) <= 64 or not value.isprintable():
            raise MessageFault("boot: must be a text (vs) of 1 to 64 printable characters")
    else:
        wanted = "count" if key == "seq" else "s"
        if unit != wanted:
            raise MessageFault(f"{key}: unit is {unit!r}, must be {wanted!r}")
        if value.__class__ not in (float, int) or not 0 <= value < 2**53:
            raise MessageFault(f"{key}: must be a number from 0")
        if key == "seq" and value != int(value):
            raise MessageFault("seq: must be a whole number")
    frame[key] = value


def _checked(channel: str, values: list[float]) -> list[float]:
    ratio = channel in _RATIOS
    if ratio and min(values) >= 0 and max(values) <= 1:
        return values
    if not -LARGEST_SUM < sum(values) < LARGEST_SUM:
        raise MessageFault(f"{channel}: a value is not a finite number, or far too large")
    if ratio:
        low, high = min(values), max(values)
        if low < -RATIO_SLACK or high > 1 + RATIO_SLACK:
            raise MessageFault(f"{channel}: {low if low < 0 else high} is outside 0 to 1")
        return [min(max(v, 0.0), 1.0) for v in values]
    return values


def _framed(
    frame: dict[str, float | str],
    samples: dict[str, tuple[list[float], list[float]]],
    phases: list[tuple[float, Phase]],
    times: list[float],
    at: float,
) -> Pack:
    for key in ("boot", "seq"):
        if key not in frame:
            raise MessageFault(f"{key} is missing from the pack")
    uptime = frame.get("uptime")
    holds = bool(samples or phases)
    earliest, latest = min(times), max(times)
    absolute = latest >= ABSOLUTE_FROM
    if absolute:
        if earliest < ABSOLUTE_FROM:
            raise MessageFault("mixes relative and UTC times in one pack")
        if not (at - FARTHEST_UTC_S <= earliest and latest <= at + FARTHEST_UTC_S):
            raise MessageFault("a UTC time lies more than 24 h from its arrival; is the node's clock set?")
    elif holds and uptime is None:
        raise MessageFault("uptime is missing, and the times are not UTC")
    elif holds and (latest > 60.0 or earliest < -FARTHEST_UTC_S):
        raise MessageFault("a relative time lies in the future or more than 24 h back")
    told = None if uptime is None else float(uptime)
    return Pack(str(frame["boot"]), int(frame["seq"]), told, absolute, samples, phases)


def build_readings(
    topic: Topic,
    pack: Pack,
    digits: int = 6,
) -> bytes:
    """The SenML JSON bytes of a pack, as a node would publish it; times rounded to a millisecond."""
    base: dict[str, Any] = {"bn": f"{topic.bench}/{topic.node}/", "n": "boot", "vs": pack.boot}
    records: list[dict[str, Any]] = [base, {"n": "seq", "u": "count", "v": pack.seq}]
    if pack.uptime is not None:
        records.append({"n": "uptime", "u": "s", "v": round(pack.uptime, 3)})
    for channel, (times, values) in pack.samples.items():
        unit = CHANNEL_UNITS[channel]
        records.extend(
            {"n": channel, "u": unit, "v": round(value, digits), "t": round(time, 3)}
            for time, value in zip(times, values, strict=True)
        )
    records.extend({"n": "phase", "vs": phase, "t": round(time, 3)} for time, phase in pack.phases)
    return orjson.dumps(records)


def build_about(about: Mapping[str, Any] | About) -> bytes:
    """The JSON bytes of a node's description."""
    return orjson.dumps(about.model_dump() if isinstance(about, About) else dict(about))


def subscriptions(root: str = ROOT) -> Iterable[str]:
    """The topic filters that a collector listens to: all that a node may say, misspelt topics too, so that they are set aside."""
    return (f"{root}/+/+/+",)
