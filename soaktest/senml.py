"""SenML packs in JSON (RFC 8428): resolve base fields into plain records.

Only what the standard says; what a bench allows is in :mod:`soaktest.wire`.
"""

from __future__ import annotations

import re
from functools import lru_cache
from typing import Any, NamedTuple

import msgspec
from msgspec import UNSET, Struct, UnsetType

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


Columns = dict[tuple[str, str | None], tuple[list[float], list[float]]]
"""Numeric records by name and unit: times (as in :class:`Record`) and values."""


def resolve_columns(pack: Any) -> tuple[Columns, list[Record]]:
    """Resolve a decoded pack as :func:`resolve` does, numeric records gathered by name and unit.

    Returns:
        The columns, and the records that carry no number.

    Raises:
        MessageFault: as :func:`resolve`.
    """
    columns: Columns = {}
    others: list[Record] = []
    for record in resolve(pack):
        if isinstance(record.value, (float, int)) and not isinstance(record.value, bool):
            times, values = columns.setdefault((record.name, record.unit), ([], []))
            times.append(record.time)
            values.append(record.value)
        else:
            others.append(record)
    return columns, others


class _Plain(Struct, gc=False, forbid_unknown_fields=True):
    """A record of the fields that most nodes use, and no other. Typed while it is decoded, it needs no further check;
    and holding no container, it is nothing that the collector of cycles need look at (``gc``).
    """

    n: str = ""
    u: str = ""
    v: int | float | UnsetType = UNSET
    vs: str | UnsetType = UNSET
    t: int | float = 0
    bn: str | UnsetType = UNSET
    bt: int | float | UnsetType = UNSET


_plain_records = msgspec.json.Decoder(list[_Plain]).decode


def plain_columns(payload: bytes) -> tuple[Columns, list[Record]] | None:
    """What :func:`resolve_columns` makes of a pack's JSON, several times as fast, where every record is plain.

    None for any other pack, sound or not: it is read the long way, which knows all fields and names each fault.
    """
    try:
        records = _plain_records(payload)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return None
    columns: Columns = {}
    others: list[Record] = []
    base_name, name, unit = "", None, None
    base_time: float = 0
    for record in records:
        if record.bn is not UNSET:
            base_name, name = record.bn, None
        if record.bt is not UNSET:
            base_time = record.bt
        value, text = record.v, record.vs
        if value is UNSET or text is not UNSET:
            full = base_name + record.n
            if value is not UNSET or text is UNSET or not _is_name(full):
                return None
            others.append(Record(full, record.u or None, base_time + record.t, text))
            continue
        if record.n != name or record.u != unit:
            name, unit = record.n, record.u
            key = base_name + name, unit or None
            if key not in columns:
                if not _is_name(key[0]):
                    return None
                columns[key] = [], []
            times, values = columns[key]
        times.append(base_time + record.t)
        values.append(value)
    return (columns, others) if records else None


@lru_cache(maxsize=256)
def _is_name(text: str) -> bool:
    return _NAME(text) is not None


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
