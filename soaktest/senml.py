"""SenML packs in JSON (RFC 8428): resolve base fields into plain records.

Only what the standard says; what a bench allows is in :mod:`soaktest.wire`.
"""

from __future__ import annotations

import re
from itertools import repeat
from operator import itemgetter
from typing import Any, NamedTuple

from soaktest.errors import MessageFault

VERSION = 10
"""Version that RFC 8428 defines; a pack with a larger one must not be used (section 4.4)."""

ABSOLUTE_FROM = 2.0**28
"""Times from here on are UTC seconds since 1970, smaller ones are relative to now (4.5.3)."""

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*").fullmatch
_PLAIN = frozenset(("n", "u", "v", "t"))
_BASE = frozenset(("bn", "bt", "bu", "bv", "bs", "bver"))
_NUMBERS = ("bt", "bv", "bs", "bver", "v", "s", "t", "ut")
_TEXTS = ("bn", "bu", "n", "u", "vs", "vd")
_VALUES = ("v", "vs", "vb", "vd")


class Record(NamedTuple):
    """One resolved record; ``time`` is the sum of base time and time, 0 where neither is given.

    ``value`` is a float for ``v``, text for ``vs`` and ``vd`` (still base64url), a bool for
    ``vb``, None where the record carries only a sum.
    """

    name: str
    unit: str | None
    time: float
    value: float | str | bool | None
    total: float | None = None


def resolve(pack: Any) -> list[Record]:
    """Resolve a decoded JSON pack, records in the order given.

    Raises:
        MessageFault: the pack breaks RFC 8428, with the record's number and the reason.
    """
    state = _State()
    found = (state.record(entry, number) for number, entry in enumerate(_records(pack), 1))
    out = [record for record in found if record is not None]
    if not out:
        raise MessageFault("the pack holds base fields but no record")
    return out


class Column(NamedTuple):
    """Numeric records of one name and unit: times (as in :class:`Record`) and values."""

    name: str
    unit: str | None
    times: list[float]
    values: list[float]


def resolve_columns(pack: Any) -> tuple[list[Column], list[Record]]:
    """Resolve a pack as :func:`resolve` does, numeric records gathered by name and unit.

    A node's packs mostly repeat one shape: the same fields, names and units in the same order.
    A shape found sound once is known again, and then only its numbers are looked at.

    Returns:
        The columns, and the records that carry no number.

    Raises:
        MessageFault: as :func:`resolve`.
    """
    outline = _outline(pack)
    shape = _shapes.get(outline) if outline is not None else None
    if shape is not None:
        found = shape.fill(pack)
        if found is not None:
            return found
    columns: dict[tuple[str, str | None], Column] = {}
    others: list[Record] = []
    texts: list[tuple[int, str, str | None]] = []
    places: dict[tuple[str, str | None], list[int]] = {}
    for index, record in enumerate(resolve(pack)):
        if record.value.__class__ is float or record.value.__class__ is int:
            key = record.name, record.unit
            column = columns.setdefault(key, Column(*key, [], []))
            column.times.append(record.time)
            column.values.append(record.value)
            places.setdefault(key, []).append(index)
        else:
            others.append(record)
            texts.append((index, record.name, record.unit))
    if outline is not None and shape is None and _is_plain(pack):
        if len(_shapes) >= MOST_SHAPES:
            _shapes.clear()
        _shapes[outline] = _Shape([(*key, _stride(where)) for key, where in places.items()], texts)
    return list(columns.values()), others


MOST_SHAPES = 256
"""Shapes remembered; a node that never repeats one only loses the speed."""
_PLAIN_FIELDS = frozenset(("n", "u", "v", "vs", "t"))
_FIRST_FIELDS = _PLAIN_FIELDS | {"bn", "bt"}


class _Shape(NamedTuple):
    """Where the columns and the texts of a pack stand, by record."""

    columns: list[tuple[str, str | None, slice | list[int]]]
    texts: list[tuple[int, str, str | None]]

    def fill(self, pack: list[dict[str, Any]]) -> tuple[list[Column], list[Record]] | None:
        """The pack's own numbers and texts in this shape; None where one is of the wrong type."""
        base = pack[0].get("bt", 0)
        if type(base) not in _NUMERIC:
            return None
        columns = []
        for name, unit, where in self.columns:
            records = pack[where] if type(where) is slice else _at(pack, where)
            times, values = list(map(dict.get, records, _T, _NOUGHT)), list(map(_V, records))
            if not _NUMERIC.issuperset(map(type, times)) or not _NUMERIC.issuperset(map(type, values)):
                return None
            columns.append(Column(name, unit, [base + time for time in times] if base else times, values))
        said = [(pack[i].get("t", 0), pack[i]["vs"]) for i, _, _ in self.texts]
        if any(type(t) not in _NUMERIC or type(vs) is not str for t, vs in said):
            return None
        others = [
            Record(name, unit, base + time, text)
            for (_, name, unit), (time, text) in zip(self.texts, said, strict=True)
        ]
        return columns, others


_T, _NOUGHT, _V = repeat("t"), repeat(0), itemgetter("v")
_shapes: dict[Any, _Shape] = {}


def _outline(pack: Any) -> Any:
    """Fields, names and units of all records, in order: what tells one shape from another."""
    try:
        outline = (
            tuple(map(tuple, pack)), tuple(map(dict.get, pack, repeat("n"))), tuple(map(dict.get, pack, repeat("u"))),
            pack[0].get("bn"),
        )  # fmt: skip
        hash(outline)
    except (TypeError, AttributeError, IndexError, KeyError):
        return None
    return outline


def _is_plain(pack: list[dict[str, Any]]) -> bool:
    return pack[0].keys() <= _FIRST_FIELDS and all(
        entry.keys() <= (_PLAIN_FIELDS if i else _FIRST_FIELDS) and ("v" in entry) != ("vs" in entry)
        for i, entry in enumerate(pack)
    )


def _stride(where: list[int]) -> slice | list[int]:
    """Places as a slice where they are evenly spaced: slices are read far faster."""
    step = where[1] - where[0] if len(where) > 1 else 1
    even = range(where[0], where[0] + step * len(where), step)
    return slice(even.start, even.stop, step) if where == list(even) else where


def _at(items: list[Any], where: list[int]) -> list[Any]:
    return [items[i] for i in where]


_NUMERIC = {float, int}


def _records(pack: Any) -> list[Any]:
    if type(pack) is not list or not pack:
        raise MessageFault("not a SenML pack: it must be a JSON array with at least one record")
    return pack


class _State:
    """Base fields in force, and the names already found sound."""

    def __init__(self) -> None:
        self.base: dict[str, Any] = {}
        self._names: set[str] = set()

    def record(self, entry: Any, number: int) -> Record | None:
        """One record resolved; None where it holds base fields only (section 5.1.7)."""
        if type(entry) is not dict:
            raise MessageFault(f"record {number} is not a JSON object")
        base = self.base
        if not entry.keys() <= _PLAIN or entry.get("v") is None:
            _check(entry, number)
            _take_base(base, entry, number)
            if not entry.keys() - _BASE:
                return None
        name = entry.get("n", "")
        if type(name) is not str:
            raise MessageFault(f"record {number}: 'n' is not text")
        name = base.get("bn", "") + name
        if name not in self._names:
            if not _NAME(name):
                raise MessageFault(
                    f"record {number}: name {name[:80]!r} must be letters, digits and -:./_ "
                    "and start with a letter or digit"
                )
            self._names.add(name)
        unit = entry.get("u")
        if unit is not None and type(unit) is not str:
            raise MessageFault(f"record {number}: 'u' is not text")
        value, total = _value(base, entry, number)
        return Record(name, unit or base.get("bu"), base.get("bt", 0) + entry.get("t", 0), value, total)


def _value(base: dict[str, Any], record: dict[str, Any], number: int) -> tuple[Any, float | None]:
    value = record.get("v")
    if value is not None:
        kind = type(value)
        if kind is not float and kind is not int:
            raise MessageFault(f"record {number}: 'v' is not a number")
        if type(record.get("t", 0.0)) not in (float, int):
            raise MessageFault(f"record {number}: 't' is not a number")
        return (value + base["bv"] if "bv" in base else value), _total(base, record)
    given = [key for key in _VALUES if key in record]
    total = _total(base, record)
    if given:
        return record[given[0]], total
    if "bv" in base:
        return base["bv"], total  # a missing value counts as 0 (section 4.5.4)
    if total is None:
        raise MessageFault(f"record {number}: carries none of v, vs, vb, vd or s")
    return None, total


def _total(base: dict[str, Any], record: dict[str, Any]) -> float | None:
    if "s" in record or "bs" in base:
        return float(record.get("s", 0) + base.get("bs", 0))
    return None


def _take_base(base: dict[str, Any], record: dict[str, Any], number: int) -> None:
    if "bver" in record:
        version = record["bver"]
        if version > VERSION:
            raise MessageFault(
                f"record {number}: SenML version {version} is larger than {VERSION}, the one understood here"
            )
        if base.get("bver", version) != version or (number > 1 and "bver" not in base):
            raise MessageFault(f"record {number}: SenML version changes within the pack")
    for key in _BASE & record.keys():
        base[key] = record[key]


def _check(record: dict[str, Any], number: int) -> None:
    for key in record:
        if key.endswith("_"):
            raise MessageFault(f"record {number}: field {key!r} must be understood, and is not known here")
    for key in _NUMBERS:
        if key in record and type(record[key]) not in (float, int):
            raise MessageFault(f"record {number}: {key!r} is not a number")
    for key in _TEXTS:
        if key in record and type(record[key]) is not str:
            raise MessageFault(f"record {number}: {key!r} is not text")
    if "vb" in record and type(record["vb"]) is not bool:
        raise MessageFault(f"record {number}: 'vb' is not true or false")
    if sum(key in record for key in _VALUES) > 1:
        raise MessageFault(f"record {number}: carries more than one of v, vs, vb, vd")
