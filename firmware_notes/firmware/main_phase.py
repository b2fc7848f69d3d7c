"""main.py of a phase node: clamp, accelerometer, pick-ups and meter pulses, as far as settings.json names pins for them."""

import machine
import phase_node
from board import start
from link import read_settings


class Inputs:
    """Only what is wired becomes a method, so that nothing is reported that nobody measures."""

    def __init__(self, settings):
        pins = settings["pins"]
        if "clamp" in pins:
            adc, per = machine.ADC(machine.Pin(pins["clamp"])), settings.get("ampere_per_volt", 30.0)
            self.clamp = lambda: adc.read_u16() * 3.3 / 65535 * per
        if "shake" in pins:
            axis, scale = machine.ADC(machine.Pin(pins["shake"])), settings.get("ms2_per_volt", 29.7)
            self.shake = lambda: axis.read_u16() * 3.3 / 65535 * scale
        for name in ("valve", "pump"):
            if name in pins:
                pin = machine.Pin(pins[name], machine.Pin.IN, machine.Pin.PULL_UP)
                setattr(self, name, lambda p=pin: 1 - p.value())  # opto-coupler pulls down while energised
        if "meter" in pins:
            count = [0]
            machine.Pin(pins["meter"], machine.Pin.IN, machine.Pin.PULL_UP).irq(
                lambda _: count.__setitem__(0, count[0] + 1), machine.Pin.IRQ_FALLING
            )

            def pulses():
                n, count[0] = count[0], 0
                return n

            self.pulses = pulses


def main():
    settings = read_settings()
    link, clock, watchdog = start(settings, phase_node.about(settings))
    signals = phase_node.Signals(Inputs(settings), settings.get("wh_per_pulse", 1.0))
    phase_node.run(link, signals, clock, settings.get("rate_hz", 5), watchdog.feed)


main()
