"""The embedded MQTT broker: one bench with nothing to install.

It acknowledges a node before the journal has committed, and it keeps no session for a collector that
goes away: what is published in between is gone, and shows as a gap in ``seq``. A workshop that must
not lose even that sets SOAKTEST_BROKER to a broker of its own.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
import threading
from types import TracebackType

from soaktest.errors import BrokerError
from soaktest.settings import BrokerAddress


class EmbeddedBroker:
    """A broker in a thread of this process, between ``with`` and its end."""

    def __init__(self, host: str = "127.0.0.1", port: int = 0) -> None:
        self.address = BrokerAddress(host, port or _free_port(host))
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, name="broker", daemon=True)
        self._broker: object | None = None

    def __enter__(self) -> EmbeddedBroker:
        """Start listening. Raises BrokerError where the port is taken."""
        refuse_taken(self.address, "--broker-port")
        from amqtt.broker import Broker

        for name in ("amqtt", "transitions"):
            logging.getLogger(name).setLevel(logging.CRITICAL)
        config = {
            "listeners": {"default": {"type": "tcp", "bind": f"{self.address.host}:{self.address.port}"}},
            "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
        }
        self._thread.start()

        async def start() -> object:
            broker = Broker(config, loop=self._loop)
            await broker.start()
            return broker

        try:
            self._broker = asyncio.run_coroutine_threadsafe(start(), self._loop).result(10)
        except Exception as exc:
            self._stop_loop()
            raise BrokerError(
                f"the embedded broker cannot listen on {self.address}: {exc}. Choose another port."
            ) from exc
        return self

    def __exit__(
        self, kind: type[BaseException] | None, exc: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._broker is not None:
            stopping = asyncio.run_coroutine_threadsafe(self._broker.shutdown(), self._loop)  # type: ignore[attr-defined]
            with contextlib.suppress(Exception):  # what matters is in the journal by now
                stopping.result(10)
        self._stop_loop()

    def _stop_loop(self) -> None:
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(5)


def _free_port(host: str) -> int:
    with socket.socket() as probe:
        probe.bind((host, 0))
        return int(probe.getsockname()[1])


def refuse_taken(address: BrokerAddress, option: str) -> None:
    """Raise BrokerError where a port cannot be listened on, and say what to do."""
    with socket.socket(socket.AF_INET6 if ":" in address.host else socket.AF_INET) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((address.host, address.port))
        except OSError as exc:
            raise BrokerError(
                f"port {address.port} on {address.host} cannot be listened on ({exc.strerror}). "
                f"Close what uses it, or choose another with {option}."
            ) from exc
