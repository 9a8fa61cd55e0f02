"""Mistakes of the bench itself that can be planted in a virtual one: what a person's leads do, not the board.

    meter:reversed           red on ground, black on the point
    meter:lead off           the red lead hangs in the air
    meter:current jack       the red lead is in the current jack: a few ohms across the net, and volts read 0
    USB+CELL:exchanged       each of two supplies is on the other's net
    meter:stuck              the display is held: every reading is the first one
    meter:high impedance     its input stays above 10 GΩ whatever it is told
    meter:offset             it reads 20 mV too much: out of adjustment, or nulled on something
    meter:bad contact        80 Ω in a lead or its plug
    meter:60 Hz              it integrates over periods of the other mains

The board may be without fault: a run must then end as "error", never as "fail".
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass

METER = (
    "reversed", "lead off", "current jack", "stuck", "high impedance", "offset", "bad contact", "60 Hz",
)  # fmt: skip
# V, Ω, Ω: large enough to be told, as such mistakes are on a bench (invented)
OFFSET_VOLTS, CONTACT_OHMS, HIGH_OHMS = 0.02, 80.0, 20e9
SHUNT_OHMS = 5.0  # fuse, shunt and leads of a 400 mA jack (common practice, no source)


@dataclass(frozen=True, slots=True)
class Mistakes:
    """meter: one of METER or "". exchanged: pairs of supplies."""

    meter: str = ""
    exchanged: tuple[tuple[str, str], ...] = ()

    def fed(self, supply: str) -> str:
        """The supply whose net the leads of `supply` are really on."""
        for one, other in self.exchanged:
            if supply in (one, other):
                return other if supply == one else one
        return supply

    def leads(self, high: str, low: str, idle: str) -> tuple[str, str]:
        """Where the meter's leads really are when they should be on `high` and `low`."""
        if self.meter == "reversed":
            return low, high
        if self.meter == "lead off":
            return (idle, low) if high != idle else (high, low)
        return high, low

    def front(self, ohms: float, amps: float, compliance: float) -> tuple[float, float, float]:
        """What the meter's input really presents."""
        if self.meter == "high impedance" and not amps:
            ohms = HIGH_OHMS
        return (SHUNT_OHMS, 0.0, compliance) if self.meter == "current jack" else (ohms, amps, compliance)

    def shown(self, quantity: str, value: float) -> float:
        """What the meter makes of it: its volts input is open while the lead is in the current jack."""
        if self.meter == "offset" and quantity == "VOLT":
            return value + OFFSET_VOLTS
        if self.meter == "bad contact" and quantity in ("RES", "CONT"):  # four wires do not see it
            return value + CONTACT_OHMS
        if self.meter != "current jack":
            return value
        return math.inf if quantity in ("RES", "FRES", "CONT", "DIOD") else 0.0

    @property
    def mains(self) -> float:
        """The mains frequency that the meter is set to, Hz; the bench's own is 50."""
        return 60.0 if self.meter == "60 Hz" else 50.0


NONE = Mistakes()


def parse_mistakes(texts: Iterable[str], supplies: Iterable[str] = ()) -> Mistakes:
    """Raises ValueError, which says what there is."""
    known = list(supplies)
    meter, exchanged = "", []
    for text in texts:
        what, _, how = text.strip().partition(":")
        pair = re.fullmatch(r"([^+]+)\+([^+]+)", what)
        if what == "meter" and how in METER:
            meter = how
        elif pair and how == "exchanged" and {pair[1], pair[2]} <= set(known):
            exchanged.append((pair[1], pair[2]))
        else:
            raise ValueError(_unknown(text, known))
    return Mistakes(meter, tuple(exchanged))


def _unknown(text: str, supplies: list[str]) -> str:
    import difflib

    allowed = [f"meter:{each}" for each in METER]
    allowed += [f"{one}+{other}:exchanged" for one in supplies for other in supplies if one < other]
    near = difflib.get_close_matches(text, allowed, n=1)
    hint = f"; did you mean {near[0]!r}?" if near else "."
    return f"{text!r} is no mistake of a bench{hint} There are: {', '.join(allowed)}"
