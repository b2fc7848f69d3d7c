"""Draw the wiring plans beside this file: ``python firmware_notes/draw_wiring.py`` (needs schemdraw)."""

from __future__ import annotations

from pathlib import Path

import schemdraw
import schemdraw.elements as elm

HERE = Path(__file__).parent
schemdraw.use("svg")  # text stays text


def pad(path: Path) -> None:
    """One pad: drive pin A, the pad with its end-of-line resistor, the input, the divider, drive pin B."""
    with schemdraw.Drawing(file=str(path), show=False) as d:
        d.config(unit=2.6, fontsize=12, margin=0.9, bgcolor="white")
        d += elm.Dot(open=True).label("drive pin A", loc="left")
        d += elm.Line().right(1.2)
        d += elm.Dot()
        d.push()
        d += elm.ResistorVar().right().label("pad: water between\ntwo tracks", loc="top")
        d += elm.Dot()
        d.pop()
        d += elm.Line().down(1.9)
        d += elm.Resistor().right().label("2.2 MΩ at the far end\nof the tracks", loc="bottom")
        d += elm.Line().up(1.9)
        d += elm.Line().right(1.0)
        d += elm.Dot()
        d.push()
        d += elm.Resistor().right().label("1 kΩ", loc="top")
        d += elm.Dot(open=True).label("converter input", loc="right")
        d.pop()
        d += elm.Resistor().down().label("100 kΩ, 1 %\n(divider)", loc="bottom")
        d += elm.Dot(open=True).label("drive pin B", loc="bottom")


def clamp(path: Path) -> None:
    """A clamp-on current sensor with voltage output, lifted to half the supply."""
    with schemdraw.Drawing(file=str(path), show=False) as d:
        d.config(unit=2.4, fontsize=12, margin=0.9, bgcolor="white")
        d += elm.Dot(open=True).label("3.3 V", loc="top")
        d += elm.Resistor().down().label("10 kΩ", loc="bottom")
        d += elm.Dot()
        d.push()
        d += elm.Resistor().down().label("10 kΩ", loc="bottom")
        d += elm.Ground()
        d.pop()
        d += elm.Line().right(1.8)
        d += elm.Dot()
        d.push()
        d += elm.Capacitor().down().label("10 µF", loc="bottom")
        d += elm.Ground()
        d.pop()
        d += elm.Line().right(1.2)
        d += (
            elm.Inductor2(loops=4)
            .right(3.2)
            .label("clamp around ONE insulated\nconductor, 1 V at full scale", loc="top")
        )
        d += elm.Resistor().right().label("1 kΩ", loc="top")
        d += elm.Dot(open=True).label("converter input", loc="right")


def main() -> None:
    """Write the drawings."""
    pad(HERE / "pad.svg")
    clamp(HERE / "clamp.svg")


if __name__ == "__main__":
    main()
