"""SenML against RFC 8428's own examples (sections 5.1.2 to 5.1.7) and rules; RFC 9100 on versions."""

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from soaktest.errors import MessageFault
from soaktest.senml import ABSOLUTE_FROM, plain_columns, resolve, resolve_columns

OW = "urn:dev:ow:10e2073a0108006:"


def test_multiple_datapoints_resolve_as_in_section_5_1_2() -> None:
    """RFC 8428 5.1.2, second example: base time plus relative times give absolute ones."""
    pack = [
        {"bn": OW, "bt": 1.276020076001e09, "bu": "A", "bver": 5, "n": "voltage", "u": "V", "v": 120.1},
        {"n": "current", "t": -5, "v": 1.2},
        {"n": "current", "t": -4, "v": 1.3},
        {"n": "current", "t": -3, "v": 1.4},
        {"n": "current", "t": -2, "v": 1.5},
        {"n": "current", "t": -1, "v": 1.6},
        {"n": "current", "v": 1.7},
    ]

    got = [(r.name, r.unit, r.time, r.value) for r in resolve(pack)]

    assert got == [
        (OW + "voltage", "V", 1276020076.001, 120.1),
        (OW + "current", "A", 1276020071.001, 1.2),
        (OW + "current", "A", 1276020072.001, 1.3),
        (OW + "current", "A", 1276020073.001, 1.4),
        (OW + "current", "A", 1276020074.001, 1.5),
        (OW + "current", "A", 1276020075.001, 1.6),
        (OW + "current", "A", 1276020076.001, 1.7),
    ]


def test_multiple_measurements_resolve_as_in_section_5_1_4() -> None:
    """RFC 8428 5.1.3 resolved in 5.1.4: the base name alone is the name; units vary by record."""
    name = "urn:dev:ow:10e2073a01080063"
    pack = [
        {"bn": name, "bt": 1.320067464e09, "bu": "%RH", "v": 20},
        {"u": "lon", "v": 24.30621},
        {"u": "lat", "v": 60.07965},
        {"t": 60, "v": 20.3},
        {"u": "lon", "t": 60, "v": 24.30622},
        {"u": "lat", "t": 60, "v": 60.07965},
        {"t": 120, "v": 20.7},
        {"u": "lon", "t": 120, "v": 24.30623},
        {"u": "lat", "t": 120, "v": 60.07966},
        {"u": "%EL", "t": 150, "v": 98},
        {"t": 180, "v": 21.2},
        {"u": "lon", "t": 180, "v": 24.30628},
        {"u": "lat", "t": 180, "v": 60.07967},
    ]

    got = [(r.name, r.unit, r.time, r.value) for r in resolve(pack)]

    assert got == [
        (name, "%RH", 1320067464, 20),
        (name, "lon", 1320067464, 24.30621),
        (name, "lat", 1320067464, 60.07965),
        (name, "%RH", 1320067524, 20.3),
        (name, "lon", 1320067524, 24.30622),
        (name, "lat", 1320067524, 60.07965),
        (name, "%RH", 1320067584, 20.7),
        (name, "lon", 1320067584, 24.30623),
        (name, "lat", 1320067584, 60.07966),
        (name, "%EL", 1320067614, 98),
        (name, "%RH", 1320067644, 21.2),
        (name, "lon", 1320067644, 24.30628),
        (name, "lat", 1320067644, 60.07967),
    ]


def test_a_new_base_name_keeps_the_first_base_time() -> None:
    """RFC 8428 5.1.6: a collection of resources."""
    pack = [
        {"bn": "2001:db8::2/", "bt": 1.320078429e09, "n": "temperature", "u": "Cel", "v": 25.2},
        {"n": "humidity", "u": "%RH", "v": 30},
        {"bn": "2001:db8::1/", "n": "temperature", "u": "Cel", "v": 12.3},
        {"n": "humidity", "u": "%RH", "v": 67},
    ]

    got = resolve(pack)

    assert [r.name for r in got][2:] == ["2001:db8::1/temperature", "2001:db8::1/humidity"]
    assert {r.time for r in got} == {1320078429}


def test_a_record_of_base_fields_only_is_no_record() -> None:
    """RFC 8428 5.1.7, first record: only a base name, and valid."""
    bn = "urn:dev:ow:10e2073a01080063:"
    pack = [
        {"bn": bn},
        {"n": "temp", "u": "Cel", "v": 23.1},
        {"n": "heat", "u": "/", "v": 1},
        {"n": "fan", "u": "/", "v": 0},
    ]

    assert [(r.name, r.value) for r in resolve(pack)] == [
        (bn + "temp", 23.1),
        (bn + "heat", 1),
        (bn + "fan", 0),
    ]


def test_different_data_types_are_kept() -> None:
    """RFC 8428 5.1.5: text, boolean and base64url data."""
    pack = [
        {"bn": OW, "n": "temp", "u": "Cel", "v": 23.1},
        {"n": "label", "vs": "Machine Room"},
        {"n": "open", "vb": False},
        {"n": "nfc-reader", "vd": "aGkgCg"},
    ]

    assert [r.value for r in resolve(pack)] == [23.1, "Machine Room", False, "aGkgCg"]


def test_base_value_and_sum_add() -> None:
    """RFC 8428 4.5.4: base value plus value, base sum plus sum, a missing one counts as 0."""
    pack = [{"bn": "a", "bv": 10, "bs": 5, "v": 1, "s": 2}, {"t": 1, "s": 3}]

    assert [(r.value, r.total) for r in resolve(pack)] == [(11, 7), (10, 8)]


def test_the_smallest_absolute_time_is_two_to_the_28th() -> None:
    """RFC 8428 4.5.3: 2**28 is 1978-07-04 21:24:16 UTC."""
    assert ABSOLUTE_FROM == 268_435_456


@pytest.mark.parametrize(
    ("pack", "reason"),
    [
        ([{"n": "a", "v": 1, "future_": 1}], "must be understood"),  # 4.4
        ([{"bver": 11, "n": "a", "v": 1}], "version 11"),  # 4.4, RFC 9100
        ([{"bver": 26, "n": "a", "v": 1}], "version 26"),
        ([{"bver": 42, "n": "a", "v": 1}], "version 42"),
        ([{"n": "a", "v": 1}, {"bver": 10, "n": "a", "v": 1}], "version changes"),
        ([{"n": "_a", "v": 1}], "name"),  # 4.5.1
        ([{"n": "a b", "v": 1}], "name"),
        ([{"n": "a", "v": 1, "vs": "x"}], "more than one"),  # 4.2
        ([{"n": "a"}], "none of v"),
        ([{"n": "a", "v": "1"}], "not a number"),
        ([{"n": "a", "v": True}], "not a number"),
        ([{"n": 3, "v": 1}], "not text"),
        ([{"v": 1}], "name"),
        ({}, "array"),
        ([], "array"),
        ([1], "not a JSON object"),
        ([{"bn": "a/"}], "no record"),
    ],
)  # fmt: skip
def test_what_the_standard_forbids_is_refused(pack: object, reason: str) -> None:
    """Rules of RFC 8428 sections 4.2 to 4.5, and RFC 9100's versions as a bitmap."""
    with pytest.raises(MessageFault, match=reason):
        resolve(pack)


def test_unknown_fields_are_ignored() -> None:
    """RFC 8428 4.4: a field that is not known is ignored unless its label ends in an underscore."""
    assert resolve([{"n": "a", "v": 1, "extra": [1, 2]}])[0].value == 1


@pytest.mark.parametrize("version", [5, 10])
def test_versions_of_the_standard_itself_are_read(version: int) -> None:
    """RFC 8428's own example says 5, RFC 9100 gives 10 to plain SenML; both are read here."""
    assert resolve([{"bver": version, "n": "a", "v": 1}])[0].value == 1


json_number = st.one_of(st.integers(-5, 5), st.floats(-2, 2))
entries = st.lists(
    st.fixed_dictionaries(
        {},
        optional={
            "n": st.sampled_from(["a", "b", "bad name"]),
            "u": st.sampled_from(["V", "/"]),
            "v": st.one_of(json_number, st.just("text"), st.just(True)),
            "t": st.one_of(json_number, st.just(None)),
            "vs": st.just("x"),
            "bn": st.sampled_from(["n/", "m"]),
            "bt": json_number,
            "bu": st.just("W"),
            "bv": json_number,
        },
    ),
    min_size=1,
    max_size=8,
)


@settings(max_examples=400)
@given(entries)
def test_columns_hold_what_single_records_hold(pack: list[dict[str, object]]) -> None:
    """By name and unit or one by one, and as read fast: the same values, to the type; what is refused is not read fast."""
    fast = plain_columns(json.dumps(pack).encode())
    try:
        expected = resolve(pack)
    except MessageFault:
        with pytest.raises(MessageFault):
            resolve_columns(pack)
        assert fast is None
        return

    columns, others = resolve_columns(pack)
    assert fast is None or repr(fast) == repr((columns, others))

    got = [(*key, t, v) for key, pair in columns.items() for t, v in zip(*pair, strict=True)]
    numbers = [(r.name, r.unit, r.time, r.value) for r in expected if isinstance(r.value, (int, float))]
    assert sorted(got, key=repr) == sorted(numbers, key=repr)
    assert others == [r for r in expected if not isinstance(r.value, (int, float))]
