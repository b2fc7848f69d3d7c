"""The wire: what the contract allows is read, what it forbids is set aside with a reason."""

import json
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from soaktest.errors import MessageFault
from soaktest.senml import resolve_columns
from soaktest.vocabulary import CHANNEL_UNITS
from soaktest.wire import (
    Pack,
    Topic,
    _pack,
    _plain_pack,
    build_readings,
    decode_json,
    parse_about,
    parse_presence,
    parse_readings,
    parse_topic,
)

TOPIC = Topic("b1", "pads", "readings")
AT = 1_764_000_000.0
HEAD = [
    {"bn": "b1/pads/", "n": "boot", "vs": "5f1c"},
    {"n": "seq", "u": "count", "v": 812},
    {"n": "uptime", "u": "s", "v": 813.42},
]


def read(records: list[dict[str, object]], at: float = AT) -> Pack:
    return parse_readings(json.dumps(records).encode(), TOPIC, at)


def parse(*records: dict[str, object]) -> Pack:
    return read([*HEAD, *records])


def test_the_contracts_own_pack_is_read() -> None:
    """The example pack: boot, seq, uptime, and samples with times relative to its making."""
    pack = parse(
        {"n": "left", "u": "/", "v": 0.0436, "t": -0.8},
        {"n": "left", "u": "/", "v": 0.0437, "t": -0.6},
        {"n": "centre", "u": "/", "v": 0.0431, "t": -0.8},
    )

    assert (pack.boot, pack.seq, pack.uptime, pack.absolute) == ("5f1c", 812, 813.42, False)
    assert pack.samples == {"left": ([-0.8, -0.6], [0.0436, 0.0437]), "centre": ([-0.8], [0.0431])}


def test_base_fields_serve_the_samples_but_not_seq_and_uptime() -> None:
    """A base unit and base time hold for samples; seq and uptime name their own unit."""
    pack = read(
        [
            {"bn": "b1/pads/", "bu": "/", "bt": AT, "n": "boot", "vs": "a"},
            {"n": "seq", "u": "count", "v": 0},
            {"n": "left", "v": 0.1, "t": -1},
        ],
        AT + 1,
    )

    assert pack.absolute
    assert pack.samples == {"left": ([AT - 1], [0.1])}


@pytest.mark.parametrize(
    ("records", "reason"),
    [
        ([{"n": "left", "u": "V", "v": 0.1}], "unit is 'V'"),
        ([{"n": "left", "v": 0.1}], "unit is None"),
        ([{"n": "power", "u": "kW", "v": 0.1}], "must be 'W'"),
        ([{"n": "left", "u": "/", "v": 1.5}], "outside 0 to 1"),
        ([{"n": "left", "u": "/", "vs": "wet"}], "no number"),
        ([{"n": "phase", "vs": "soaking"}], "none of idle"),
        ([{"n": "seq", "u": "count", "v": 3}], "seq stands twice"),
        ([{"n": "left", "u": "/", "v": 0.1, "calibrated_": 1}], "must be understood"),
        ([{"bn": "b2/pads/", "n": "left", "u": "/", "v": 0.1}], "node of the topic"),
        ([{"n": "left", "u": "/", "v": 0.1, "t": AT}, {"n": "left", "u": "/", "v": 0.1}], "mixes"),
        ([{"n": "left", "u": "/", "v": 0.1, "t": AT - 90_000}], "24 h"),
        ([{"n": "left", "u": "/", "v": 0.1, "t": 100}], "future"),
        ([{"n": "left", "u": "/", "v": 1e308}, {"n": "left", "u": "/", "v": 1e308}], "finite|outside"),
    ],
)  # fmt: skip
def test_a_record_that_breaks_the_contract_is_refused(records: list[dict[str, object]], reason: str) -> None:
    """Each fault gives a reason that a firmware writer can act on."""
    with pytest.raises(MessageFault, match=reason):
        parse(*records)


@pytest.mark.parametrize(
    ("head", "reason"),
    [
        ([HEAD[1], HEAD[2]], "boot is missing"),
        ([HEAD[0], HEAD[2]], "seq is missing"),
        ([HEAD[0], HEAD[1]], "uptime is missing"),
        ([HEAD[0] | {"bu": "/"}, {"n": "seq", "v": 1}, HEAD[2]], "seq: unit is '/'"),
        ([HEAD[0], {"n": "seq", "v": 1}, HEAD[2]], "seq: unit is None"),
        ([HEAD[0], HEAD[1], {"n": "uptime", "u": "ms", "v": 1}], "uptime: unit is 'ms'"),
        ([HEAD[0], {"n": "seq", "u": "count", "v": 1.5}, HEAD[2]], "whole number"),
        ([HEAD[0], {"n": "seq", "u": "count", "v": -1}, HEAD[2]], "number from 0"),
        ([{"bn": "b1/pads/", "n": "boot", "v": 7}, HEAD[1], HEAD[2]], "boot: must be a text"),
    ],
)
def test_a_pack_without_its_frame_is_refused(head: list[dict[str, object]], reason: str) -> None:
    """Boot, seq and uptime name a pack once and for all; without them it cannot be placed."""
    with pytest.raises(MessageFault, match=reason):
        read([*head, {"n": "left", "u": "/", "v": 0.1}])


SEQ = HEAD[1]
BOOT = HEAD[0]


@pytest.mark.parametrize(
    ("head", "absolute"),
    [
        ([BOOT | {"bt": AT}, SEQ], True),
        ([BOOT | {"bt": AT - 1}, SEQ, {"n": "battery", "u": "V", "v": 3.7}], True),
        ([BOOT, SEQ | {"bt": AT}], True),
        ([BOOT | {"t": AT}, SEQ | {"t": AT}], True),
        ([BOOT | {"bt": AT}, *HEAD[1:]], True),
        ([BOOT, SEQ], False),
        ([BOOT | {"bt": -2}, SEQ], False),
        (HEAD, False),
    ],
)  # fmt: skip
def test_a_pack_without_samples_is_proof_of_life(head: list[dict[str, object]], absolute: bool) -> None:
    """A node with the date may leave uptime out; so, where nothing has to be placed in time, it is not missed."""
    pack = read(head)

    assert (pack.boot, pack.seq, pack.absolute) == ("5f1c", 812, absolute)
    assert not pack.samples
    assert not pack.phases


@pytest.mark.parametrize(
    ("records", "reason"),
    [
        ([BOOT | {"bt": AT - 90_000}, SEQ], "24 h"),
        ([BOOT, SEQ, {"n": "phase", "vs": "wash", "t": -1}], "uptime is missing"),
        ([BOOT | {"t": AT}, SEQ, {"n": "left", "u": "/", "v": 0.1}], "uptime is missing"),
    ],
)
def test_what_has_to_be_placed_in_time_needs_a_clock(records: list[dict[str, object]], reason: str) -> None:
    """A date far from the arrival is not believed; a sample or word that is not dated needs uptime."""
    with pytest.raises(MessageFault, match=reason):
        read(records)


def test_channels_of_no_use_here_do_no_harm() -> None:
    """A node may say more than the contract asks for."""
    assert parse({"n": "battery", "u": "V", "v": 3.7}, {"n": "left", "u": "/", "v": 0.1}).samples.keys() == {
        "left"
    }


@pytest.mark.parametrize("payload", [b"not json", b'[{"n":"left","v":NaN}]', b"[1e999]", b"\xff\xfe", b""])
def test_what_is_not_json_is_refused(payload: bytes) -> None:
    """NaN and infinity are not JSON (RFC 8259 section 6)."""
    with pytest.raises(MessageFault, match="not JSON"):
        decode_json(payload)


def test_a_message_over_64_kib_is_refused() -> None:
    """65,536 bytes are read, one more is not."""
    assert decode_json(b'"' + b"x" * (64 * 1024 - 2) + b'"')
    with pytest.raises(MessageFault, match="65537 bytes"):
        decode_json(b'"' + b"x" * (64 * 1024 - 1) + b'"')


@pytest.mark.parametrize("topic", ["soaktest/b1/pads/readings", "soaktest/0/x-1/about", "soaktest/b1/lamp"])
def test_topics_of_the_contract_read_back_as_written(topic: str) -> None:
    """str(parse_topic(t)) is t."""
    assert str(parse_topic(topic)) == topic


@pytest.mark.parametrize(
    "topic",
    ["soaktest/B1/pads/readings", "soaktest/-b/pads/readings", "soaktest/b1/readings", "other/b1/p/readings",
     "soaktest/b1/pads/orders", f"soaktest/{'a' * 33}/pads/readings", "soaktest//pads/readings", ""],
)  # fmt: skip
def test_other_topics_are_refused(topic: str) -> None:
    """Names are 1 to 32 of a-z 0-9 -, first a letter or digit."""
    with pytest.raises(MessageFault, match="topic"):
        parse_topic(topic)


def test_presence_is_bare_text_or_a_json_string() -> None:
    """Both forms of here and gone are taken; anything else is not."""
    assert [parse_presence(p) for p in (b"here", b"gone", b'"here"', b'"gone"')] == [True, False, True, False]
    with pytest.raises(MessageFault, match="here or gone"):
        parse_presence(b"maybe")


def test_about_needs_contract_and_kind_only() -> None:
    """A short description is enough, a later contract or a wrong kind is a fault that names the key."""
    assert parse_about({"contract": 1, "kind": "pads"}).clock == "uptime"
    for bad, key in (({"contract": 2, "kind": "pads"}, "contract"), ({"contract": 1, "kind": "cup"}, "kind")):
        with pytest.raises(MessageFault, match=key):
            parse_about(bad)


samples = st.dictionaries(
    st.sampled_from(sorted(CHANNEL_UNITS)),
    st.lists(st.tuples(st.integers(-2000, 0), st.integers(0, 10**6)), min_size=1, max_size=5),
    min_size=1,
)


@given(samples, st.integers(0, 2**40), st.integers(0, 10**9))
def test_a_built_pack_reads_back_equal(values: dict[str, list[tuple[int, int]]], seq: int, ms: int) -> None:
    """parse(build(pack)) is pack, for every channel."""
    laid = {
        channel: ([t / 1000 for t, _ in pairs], [v / 10**6 for _, v in pairs])
        for channel, pairs in values.items()
    }
    pack = Pack("b0", seq, ms / 1000, absolute=False, samples=laid)

    assert parse_readings(build_readings(TOPIC, pack), TOPIC, AT) == pack


JUNK = st.one_of(
    st.none(), st.booleans(), st.integers(-(2**63), 2**64 - 1), st.floats(allow_nan=False, allow_infinity=False), st.text(max_size=5),
    st.lists(st.integers(), max_size=2), st.dictionaries(st.text(max_size=2), st.integers(), max_size=2),
).map(json.dumps) | st.sampled_from(
    ["NaN", "-Infinity", "1e400", "-1e400", "1e-400", "9" * 30, "-0", "-0.0", "01", "1.", ".5", "1E3", "0.1" + "0" * 30 + "1", "",
     f"{AT:.0f}", "1763999999.5", "1e12", '"wash"', '"/"', '"count"', '"b1/pads/"', '"left"', '"seq"', '"\\u006ceft"', '"\\ud800"']
)  # fmt: skip
FIELDS = [
    "n",
    "u",
    "v",
    "vs",
    "vb",
    "vd",
    "t",
    "ut",
    "s",
    "bn",
    "bt",
    "bu",
    "bv",
    "bs",
    "bver",
    "x",
    "x_",
    "\\u0076",
]
WHOLE = [
    *HEAD,
    {"n": "left", "u": "/", "v": 0.04, "t": -0.8}, {"n": "left", "u": "/", "v": 1, "t": 0}, {"n": "power", "u": "W", "v": 3},
    {"n": "phase", "vs": "wash", "t": -0.5}, {"n": "battery", "u": "V", "v": 3.7},
]  # fmt: skip


def text_of(records: list[list[tuple[str, str]]]) -> bytes:
    """JSON from fields and values as they are written, so that a field may stand twice and a value be no JSON."""
    told = ("{" + ",".join(f'"{key}":{value}' for key, value in record) + "}" for record in records)
    return ("[" + ",".join(told) + "]").encode()


def outcome(read_pack: Callable[[], Pack]) -> str:
    """All that the reading of a pack comes to: its content, to the type of each number, or the reason why not."""
    try:
        return repr(read_pack())
    except MessageFault as exc:
        return str(exc)


@settings(max_examples=400)
@given(
    changes=st.lists(st.tuples(st.integers(0, 7), st.sampled_from(FIELDS), JUNK, st.booleans()), max_size=3),
    removed=st.none() | st.tuples(st.integers(0, 7), st.sampled_from(FIELDS)),
    order=st.permutations(range(8)) | st.just(list(range(8))),
)
def test_whatever_stands_in_a_pack_is_read_or_named_as_a_fault(
    changes: list[tuple[int, str, str, bool]], removed: tuple[int, str] | None, order: list[int]
) -> None:
    """Read fast where it is plain, it is what the long way reads, or refuses with its reason; and the long way
    needs no last resort that turns any error into a fault.
    """
    records = [[(key, json.dumps(value)) for key, value in record.items()] for record in WHOLE]
    for at, key, value, twice in changes:
        if not twice:
            records[at] = [field for field in records[at] if field[0] != key]
        records[at].append((key, value))
    if removed:
        records[removed[0]] = [field for field in records[removed[0]] if field[0] != removed[1]]
    payload = text_of([records[i] for i in order])

    long_way = outcome(lambda: _pack(*resolve_columns(decode_json(payload)), TOPIC, AT))

    assert outcome(lambda: parse_readings(payload, TOPIC, AT)) == long_way


@pytest.mark.parametrize("base", [{}, {"bt": -1}, {"bt": AT}])
def test_what_nodes_usually_send_is_read_fast(base: dict[str, float]) -> None:
    """Samples in any order, a word, a channel of no use here, base name and base time: no field needs the long way."""
    payload = json.dumps([WHOLE[0] | base, *WHOLE[1:]]).encode()

    assert repr(_plain_pack(payload, TOPIC, AT)) == repr(parse_readings(payload, TOPIC, AT))


@pytest.mark.parametrize(
    "record",
    [
        {"n": "seq", "u": [1], "v": 3},
        {"n": "seq", "u": "count", "v": None},
        {"n": "left", "u": "/", "v": None, "t": "x"},
        {"n": "phase", "vs": "wash", "t": "x"},
    ],
)
def test_packs_that_once_stopped_the_collector_are_faults(record: dict[str, object]) -> None:
    """A unit that is a list, a value that is null, a time that is text."""
    with pytest.raises(MessageFault, match="is not"):
        read([HEAD[0], record, HEAD[2]])
