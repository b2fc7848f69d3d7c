"""How this program meets a broker: MQTT 3.1.1, with the user and password of the address."""

from __future__ import annotations

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

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
