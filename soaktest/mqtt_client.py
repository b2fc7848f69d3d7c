"""How this program meets a broker: MQTT 3.1.1, with the user and password of the address."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from soaktest.errors import BrokerError
from soaktest.settings import BrokerAddress


def new_client(address: BrokerAddress, client_id: str = "", *, durable: bool = False) -> mqtt.Client:
    """A client that is not connected yet.

    ``durable`` keeps a session under ``client_id`` at the broker and leaves acknowledgement to the caller.
    """
    client = mqtt.Client(
        CallbackAPIVersion.VERSION2,
        client_id,
        clean_session=not durable,
        protocol=mqtt.MQTTv311,
        manual_ack=durable,
    )
    if address.user:
        client.username_pw_set(address.user, address.password)
    return client


@contextlib.contextmanager
def connected(client: mqtt.Client, address: BrokerAddress, mend: str) -> Iterator[mqtt.Client]:
    """The client connected, its network looked after by a thread of its own, between ``with`` and its end.

    Raises:
        BrokerError: no broker answers; ``mend`` says what to do.
    """
    try:
        client.connect(address.host, address.port)
    except OSError as exc:
        raise BrokerError(f"no broker at {address} ({exc}). {mend}") from exc
    client.loop_start()
    try:
        yield client
    finally:
        client.disconnect()
        client.loop_stop()
