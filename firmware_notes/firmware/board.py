"""What both kinds of node do on a board before anything else: join the network, mind the watchdog, make the link."""

import machine
import network
from link import Clock, Link
from mqtt_small import Client


def start(settings, about):
    """The link, the board's clock, and the watchdog to be fed."""
    wlan = network.WLAN(network.STA_IF)
    wlan.active(True)
    wlan.connect(settings["wifi"], settings["wifi_password"])

    def make():
        return Client(
            settings["broker"],
            settings.get("port", 1883),
            settings["bench"] + "-" + settings["node"],
            user=settings.get("user"),
            password=settings.get("password"),
            tls=settings.get("tls", False),
            trust=settings.get("trust"),
        )

    clock = Clock()
    link = Link(settings["bench"], settings["node"], about, make, settings.get("keep", 60), clock)
    return link, clock, machine.WDT(timeout=8000)
