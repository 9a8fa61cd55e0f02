"""Which protections of its own a supply gets armed with: the third layer, when runner and guard are both gone.

    plan = protections(setting, inrush, psu)        Armed(ovp, ocp, delay, says)

Over-voltage: as the step asks, where the supply has it. Over-current: as the step asks; where it says nothing, by what
the supply can do. The inrush of the board is allowed for so long (Envelope.inrush_s), and once more after each change,
hence a delay of twice that:

    trips at the limit, has a delay long enough      armed with that delay
    trips at the limit, no delay or too short a one  not armed: every inrush would trip it
    has a level of its own and a delay               armed a little below the limit, or at what the step allows
    has a level, and no delay                        armed above the limit: acts only where the limit fails
    has none                                         said

A pure function; what it says goes with the step.
"""

from __future__ import annotations

from dataclasses import dataclass

from wakeboard.harness.run.guard.core import Envelope
from wakeboard.harness.run.guard.terms import Setting
from wakeboard.instruments.ports import SupplyPort

INRUSHES = 2.0  # times the inrush
BELOW, ABOVE = 0.9, 1.5  # of the current limit


@dataclass(frozen=True, slots=True)
class Armed:
    """V, A, s; None: left alone. asked: the step asks for the over-current protection: it must succeed then."""

    ovp: float | None = None
    ocp: float | None = None
    delay: float | None = None
    asked: bool = False
    says: str = ""


def protections(setting: Setting, envelope: Envelope, psu: SupplyPort, channel: str) -> Armed:
    """Asks the supply for the longest delay that it takes, once."""
    can = getattr(psu, "can", None)
    if can is None:  # a simple one, of a test: as it is told
        return Armed(setting.ovp, setting.ocp or None, asked=True)
    ovp = setting.ovp if can.ovp else None
    if can.ocp == "none":
        return Armed(ovp, says="no over-current protection of its own")
    if setting.ocp == 0.0:
        return Armed(ovp, says="its over-current protection is left off, as the step says")
    wanted = INRUSHES * envelope.inrush_s
    most = psu.most_ocp_delay(channel)
    delay = wanted if most is not None and wanted <= most else None
    if setting.ocp is not None:
        return Armed(ovp, setting.ocp, delay, True, _says(setting.ocp, delay))
    level = _level(setting, envelope, can.ocp, delay)
    if level is None:
        why = "it has no delay" if most is None else f"its delay goes to {most * 1e3:.0f} ms only"
        return Armed(ovp, says=f"its over-current protection is not armed: {why}, and the inrush would trip it")
    return Armed(ovp, level, delay, False, _says(level, delay))


def _level(setting: Setting, envelope: Envelope, kind: str, delay: float | None) -> float | None:
    if kind == "on limit":
        return setting.limit if delay is not None else None
    if delay is None:
        return float(ABOVE * setting.limit)
    return float(min(setting.limit, max(BELOW * setting.limit, envelope.most_amps or 0.0)))


def _says(amps: float, delay: float | None) -> str:
    after = "" if delay is None else f" for {delay * 1e3:.0f} ms"
    return f"its own over-current protection is armed: {amps * 1e3:.0f} mA{after}"
