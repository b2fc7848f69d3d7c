"""Settings, read once at the door from the environment, then frozen. Secrets hide themselves.

======================  =============================================  =======================
variable                meaning                                        default
======================  =============================================  =======================
SOAKTEST_DATA           folder for the journal and what is written     ``./soaktest-data``
SOAKTEST_DATABASE       SQLAlchemy address of the journal              SQLite in that folder
SOAKTEST_BROKER         ``mqtt://[user:password@]host[:port]``         the embedded broker
SOAKTEST_CLIENT         MQTT client id of the collector                ``soaktest-collector``
SOAKTEST_LIST           where the list of certificates is published    not told
======================  =============================================  =======================
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import unquote, urlsplit

from soaktest.errors import InputError

DEFAULT_PORT = 1883


@dataclass(frozen=True, slots=True)
class BrokerAddress:
    """Where a broker listens; the password does not show in ``repr``."""

    host: str
    port: int = DEFAULT_PORT
    user: str | None = None
    password: str | None = field(default=None, repr=False)

    def __str__(self) -> str:
        return f"mqtt://{self.host}:{self.port}"


@dataclass(frozen=True, slots=True)
class Settings:
    """What the program was told."""

    data: Path
    database: str = field(repr=False)
    broker: BrokerAddress | None
    client_id: str
    list_at: str = ""


def parse_broker(address: str) -> BrokerAddress:
    """A broker address. Raises InputError naming what is wrong."""
    text = address if "://" in address else f"mqtt://{address}"
    try:
        parts = urlsplit(text)
        port = parts.port or DEFAULT_PORT
    except ValueError as exc:
        raise InputError(f"broker {address!r}: {exc}. Give it as mqtt://host:port.") from exc
    if parts.scheme != "mqtt" or not parts.hostname:
        raise InputError(f"broker {address!r} is no mqtt://host:port address.")
    name = unquote(parts.username) if parts.username else None
    return BrokerAddress(parts.hostname, port, name, unquote(parts.password) if parts.password else None)


def read_settings(environ: Mapping[str, str] | None = None) -> Settings:
    """Settings from the environment; see the module for the variables."""
    env = os.environ if environ is None else environ
    data = Path(env.get("SOAKTEST_DATA") or "soaktest-data")
    database = env.get("SOAKTEST_DATABASE") or f"sqlite:///{data / 'journal.sqlite'}"
    broker = env.get("SOAKTEST_BROKER")
    return Settings(
        data,
        database,
        parse_broker(broker) if broker else None,
        env.get("SOAKTEST_CLIENT") or "soaktest-collector",
        env.get("SOAKTEST_LIST") or "",
    )


def broker_of_nodes(given: str | None = None) -> BrokerAddress:
    """The broker that is named, else that of SOAKTEST_BROKER, else the one that a page served on this machine brings along."""
    return parse_broker(given) if given else read_settings().broker or BrokerAddress("127.0.0.1")


START_OR_NAME = (
    "Start the page on this machine (soaktest serve), or name the broker that the nodes publish to, such as "
    "--broker mqtt://192.168.4.2, or SOAKTEST_BROKER."
)
"""What to do where :func:`broker_of_nodes` does not answer."""


def keys_folder() -> Path:
    """Where the keys that sign certificates are kept."""
    return read_settings().data / "keys"
