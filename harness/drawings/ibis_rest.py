"""What rests in an IBIS model's tables: the pull that a pin hides, its clamp diodes, its drive, its leakage.

Currents flow into the pin. With nothing driven, a pin at V takes I(V) = I_gnd_clamp(V) + I_power_clamp(Vcc - V). At
0 V a pull-up shows as I < 0 and R = Vcc / |I(0)|; at Vcc a pull-down as I > 0 and R = Vcc / I(Vcc). A table says
nothing outside the voltages that it lists: there it counts as nothing. (IEC 62014-1, from memory; formulas checked by
hand against public sample models.)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final

Row = tuple[float, tuple[float | None, float | None, float | None]]
Corner = int  # 0 typical, 1 minimum, 2 maximum
MOST_PULL_OHMS: Final = 2e6
"""A weaker one is a leak."""

LEAST_AMPS: Final = 1e-15  # below it a table's number is none
LEAST_LEAK: Final = 1e-8  # A
_DIODE_AMPS: Final = 1e-4  # what a clamp diode conducts a volt beyond its rail, at least


@dataclass
class Tables:
    """The tables of one model, rows by rising voltage; voltages: [Voltage Range] and the clamps' references."""

    kind: str = ""
    voltage: tuple[float | None, float | None, float | None] = (None, None, None)
    power_reference: tuple[float | None, float | None, float | None] = (None, None, None)
    rows: dict[str, list[Row]] = field(default_factory=dict)
    low_max: float | None = None
    high_min: float | None = None
    rpower: float | None = None
    rgnd: float | None = None
    holds: bool = False
    line: int = 0

    def volts(self, corner: Corner) -> float | None:
        """Vcc of a corner: of the power clamp's reference where one is given."""
        return self.power_reference[corner] or self.voltage[corner] or self.voltage[0]


@dataclass(frozen=True)
class AtRest:
    """Ohms, amperes; `up` and `down` with the half width of their corners relative to the typical value."""

    up: float | None = None
    up_spread: float = 0.0
    down: float | None = None
    down_spread: float = 0.0
    leak: float = 0.0
    to_ground: bool = False
    to_rail: bool = False
    drive_low: float | None = None


def at_rest(tables: Tables) -> AtRest:
    """What the tables say of a pin that nobody drives, and of its drive."""
    up, up_spread = _cornered(tables, _pull_up, tables.rpower)
    down, down_spread = _cornered(tables, _pull_down, tables.rgnd)
    vcc = tables.volts(0)
    amps = 0.0
    if vcc is not None and up is None and down is None:
        amps = max((rest_current(tables, v, 0) for v in (0.0, vcc)), key=abs)
    return AtRest(
        up, up_spread, down, down_spread, amps if abs(amps) >= LEAST_LEAK else 0.0,
        _clamps(tables, "gnd clamp", vcc), _clamps(tables, "power clamp", vcc),
        slope_ohms(tables.rows.get("pulldown", ())),
    )  # fmt: skip


def rest_current(tables: Tables, volts: float, corner: Corner) -> float:
    """Current into the pin at so many volts, A, with nothing driven."""
    vcc = tables.volts(corner) or 0.0
    gnd = look_up(tables.rows.get("gnd clamp", ()), volts, corner)
    power = look_up(tables.rows.get("power clamp", ()), vcc - volts, corner)
    return (gnd or 0.0) + (power or 0.0)


def look_up(rows: Sequence[Row], volts: float, corner: Corner) -> float | None:
    """A table's current between its rows; None outside them, and where the corner has no values."""
    known = [(v, amps[corner]) for v, amps in rows if amps[corner] is not None]
    for (v0, i0), (v1, i1) in pairwise(known):
        if v0 <= volts <= v1 and i0 is not None and i1 is not None:
            return i0 if v1 == v0 else i0 + (i1 - i0) * (volts - v0) / (v1 - v0)
    return None


def _pull_up(tables: Tables, corner: Corner) -> float | None:
    vcc = tables.volts(corner)
    amps = rest_current(tables, 0.0, corner)
    return vcc / -amps if vcc and vcc > 0 and -amps > max(vcc / MOST_PULL_OHMS, LEAST_AMPS) else None


def _pull_down(tables: Tables, corner: Corner) -> float | None:
    vcc = tables.volts(corner)
    amps = rest_current(tables, vcc or 0.0, corner)
    return vcc / amps if vcc and vcc > 0 and amps > max(vcc / MOST_PULL_OHMS, LEAST_AMPS) else None


def _cornered(tables: Tables, pull: object, fixed: float | None) -> tuple[float | None, float]:
    if not callable(pull):
        raise TypeError("pull")
    if fixed is not None:
        return fixed, 0.0
    typical = pull(tables, 0)
    corners = [found for found in (pull(tables, corner) for corner in (1, 2)) if found is not None]
    if typical is None or len(corners) < 2:
        return typical, 0.0
    return typical, max(abs(each - typical) for each in corners) / typical


def _clamps(tables: Tables, name: str, vcc: float | None) -> bool:
    """Whether the table conducts as a diode does a volt beyond its rail."""
    rows = tables.rows.get(name, ())
    if vcc is None or not rows:
        return False
    beyond = look_up(rows, -1.0, 0)
    inside = look_up(rows, 0.0, 0) or 0.0
    if beyond is None:
        beyond = next((amps[0] for volts, amps in rows if volts < -0.5 and amps[0] is not None), 0.0) or 0.0
    return abs(beyond - inside) > _DIODE_AMPS


def slope_ohms(rows: Sequence[Row]) -> float | None:
    """Ohms of a drive: the slope of its table around 0 V."""
    known = [(volts, amps[0]) for volts, amps in rows if amps[0] is not None]
    for (v0, i0), (v1, i1) in pairwise(known):
        if v0 <= 0.0 < v1 and i0 is not None and i1 is not None and i1 != i0:
            ohms = abs((v1 - v0) / (i1 - i0))
            return ohms if 0.01 <= ohms <= 1e6 else None
    return None
