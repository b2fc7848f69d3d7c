"""SenML packs in JSON (RFC 8428): resolve base fields into plain records.

Only what the standard says; what a bench allows is in :mod:`soaktest.wire`.
"""

from __future__ import annotations

import re
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
    if type(pack) is not list or not pack:
        raise MessageFault("not a SenML pack: it must be a JSON array with at least one record")
    base: dict[str, Any] = {}
    out: list[Record] = []
    name_known: set[str] = set()
    for number, record in enumerate(pack, 1):
        if type(record) is not dict:
            raise MessageFault(f"record {number} is not a JSON object")
        if not record.keys() <= _PLAIN or "v" not in record:
            _check(record, number)
            _take_base(base, record, number)
            if not record.keys() - _BASE:
                continue  # base fields only, as in section 5.1.7
        name = record.get("n", "")
        if type(name) is not str:
            raise MessageFault(f"record {number}: 'n' is not text")
        if base:
            name = base.get("bn", "") + name
        if name not in name_known:
            if not _NAME(name):
                raise MessageFault(
                    f"record {number}: name {name[:80]!r} must be letters, digits and -:./_ "
                    "and start with a letter or digit"
                )
            name_known.add(name)
        value, total = _value(base, record, number)
        time = record.get("t", 0)
        if base:
            time = base.get("bt", 0) + time
        out.append(Record(name, record.get("u") or base.get("bu"), time, value, total))
    if not out:
        raise MessageFault("the pack holds base fields but no record")
    return out


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
