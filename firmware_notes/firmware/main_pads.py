"""main.py of a pad node on an ESP32-class or Pico W-class board. Pins are in settings.json; see the pin table."""

import time

import machine
import pad_node
from board import start
from link import read_settings


class Pins:
    """The board's own pins: two drive pins and one converter input a pad."""

    def __init__(self, table):
        self._a = {zone: machine.Pin(row[0], machine.Pin.OUT, value=0) for zone, row in table.items()}
        self._b = {zone: machine.Pin(row[1], machine.Pin.OUT, value=0) for zone, row in table.items()}
        self._input = {zone: machine.ADC(machine.Pin(row[2])) for zone, row in table.items()}
        for adc in self._input.values():
            if hasattr(adc, "atten"):  # ESP32-class boards: the whole of 3.3 V
                adc.atten(machine.ADC.ATTN_11DB)

    def drive(self, zone, a, b):
        self._a[zone].value(a)
        self._b[zone].value(b)

    def read(self, zone):
        return sum(self._input[zone].read_u16() for _ in range(8)) // 8

    def wait_us(self, us):
        time.sleep_us(us)


def main():
    settings = read_settings()
    link, clock, watchdog = start(settings, pad_node.about(settings))
    pad_node.run(
        link, pad_node.Pads(Pins(settings["pins"])), clock, settings.get("rate_hz", 5), watchdog.feed
    )


main()
