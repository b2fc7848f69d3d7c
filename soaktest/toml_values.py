"""Read a TOML file into a validated value, with an error that names file, key and mend."""

from __future__ import annotations

import difflib
import tomllib
from importlib import resources
from pathlib import Path
from typing import TypeVar

import orjson
from pydantic import BaseModel, ConfigDict, ValidationError

from soaktest.errors import InputError


class Value(BaseModel):
    """A frozen value that refuses keys it does not know (a typo must not pass silently)."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


LARGEST_FILE = 1024 * 1024
"""Bytes; no plan or layout is nearly as large."""
V = TypeVar("V", bound=Value)


def shipped_names(folder: str) -> list[str]:
    """Names of the TOML files that ship in ``soaktest/<folder>``, sorted."""
    root = resources.files("soaktest").joinpath(folder)
    return sorted(p.name.removesuffix(".toml") for p in root.iterdir() if p.name.endswith(".toml"))


def read_value(kind: type[V], name_or_path: str, folder: str, error: type[InputError]) -> V:
    """Read a shipped value by name, or a file by its path.

    Args:
        kind: the model to read into; its name in lower case names it in messages.
        name_or_path: a shipped name such as ``resale``, or a path to a TOML file.
        folder: where the shipped ones lie inside the package.
        error: the error to raise.

    Raises:
        error: unknown name, unreadable file, bad TOML, or a key that is wrong,
            missing or unknown; the message names file, key and mend.
    """
    what = kind.__name__.lower()
    path = Path(name_or_path)
    if name_or_path in shipped_names(folder):
        text = resources.files("soaktest").joinpath(folder, name_or_path + ".toml").read_text("utf-8")
        where = f"shipped {what} {name_or_path}"
    elif path.suffix == ".toml" or path.exists():
        where = str(path)
        try:
            if not path.is_file() or path.stat().st_size > LARGEST_FILE:
                raise error(
                    f"{where}: is no file, or larger than {LARGEST_FILE // 1024} KiB. Check the path."
                )
            text = path.read_text("utf-8-sig")
        except UnicodeDecodeError as exc:
            raise error(f"{where}: not UTF-8 text. Save the file as UTF-8 and try again.") from exc
        except OSError as exc:
            raise error(f"{where}: cannot be read ({exc.strerror}). Check the path.") from exc
    else:
        names = shipped_names(folder)
        close = difflib.get_close_matches(name_or_path, names, 1)
        hint = f" Did you mean {close[0]}?" if close else ""
        raise error(
            f"no {what} named {name_or_path!r}.{hint} Shipped: {', '.join(names)}; or give a .toml file."
        )
    return parse_value(kind, text, where, error)


def read_shipped(kind: type[V], name: str, folder: str, error: type[InputError]) -> V:
    """Read a value that a recording or a page names: a shipped one only, for that name may come from anywhere."""
    names = shipped_names(folder)
    if name not in names:
        what = kind.__name__.lower()
        raise error(
            f"no {what} named {name[:64]!r} ships. Shipped: {', '.join(names)}; give the file of another: --{what} FILE"
        )
    return read_value(kind, name, folder, error)


def parse_value(kind: type[V], text: str, where: str, error: type[InputError]) -> V:
    """Parse TOML text into ``kind``; see :func:`read_value` for the errors."""
    try:
        # by way of JSON, where lists may be tuples and yet "2" is no number and true is not 1
        return kind.model_validate_json(orjson.dumps(tomllib.loads(text)), strict=True)
    except tomllib.TOMLDecodeError as exc:
        raise error(f"{where}: not valid TOML: {exc}. Mend that line and try again.") from exc
    except (RecursionError, MemoryError, TypeError, ValueError) as exc:
        if isinstance(exc, ValidationError):
            raise error(f"{where}: {_explain(kind, exc)}") from exc
        raise error(f"{where}: nests too deeply, or holds a number too large. Write it simpler.") from exc


def _explain(kind: type[BaseModel], exc: ValidationError) -> str:
    """Say the first fault in plain words: the key, what is wrong, what would be right."""
    fault = exc.errors()[0]
    key = ".".join(str(part + 1) if isinstance(part, int) else part for part in fault["loc"])
    given = fault.get("input")
    if fault["type"] == "missing":
        return f"key {key!r} is missing. Add it."
    if fault["type"] == "extra_forbidden":
        known = list(kind.model_fields)
        close = difflib.get_close_matches(str(fault["loc"][-1]), known, 1)
        return f"unknown key {key!r}. " + (f"Did you mean {close[0]!r}?" if close else "Remove it.")
    message = fault["msg"].removeprefix("Value error, ")
    if not key:
        return message
    shown = "" if isinstance(given, (dict, list)) else f" (given: {given!r})"
    return f"key {key!r}: {message}{shown}. Mend it and try again."
