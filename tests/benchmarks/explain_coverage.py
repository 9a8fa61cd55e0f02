"""How often the stated 95 % interval of a hidden pull holds the truth (2 kΩ to 200 kΩ), over many simulated benches.

    python tests/benchmarks/explain_coverage.py [draws]

Each draw is a new unit on a new bench: the hidden pull log-uniform, every fitted and test resistor and the meter's
input within its tolerance, the meter's gain and offset within its accuracy table (shared by its readings), noise per
reading, the rail within 2 % and read by the same meter. Which rail the pull goes to is not told to the analysis.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass

import numpy as np

from wakeboard.harness.explain.lines import thevenin
from wakeboard.harness.explain.lines.line_model import (
    GROUND,
    METER_10M,
    METER_HIGH,
    LineReading,
    MeterError,
    Rail,
    Resistor,
)

# 34401A/34461A one-year limits, 10 V range: 0.0035 % of reading + 0.0005 % of range (maker, public copies).
METER = MeterError("meter", 35e-6, 50e-6)
NOISE = 5e-6
TESTED = {
    "one load": ((METER_10M,),),
    "10 MΩ and 10 kΩ to ground": ((METER_10M,), (METER_10M, Resistor("test", 10e3, 0.01))),
    "10 MΩ and 10 kΩ to the rail": ((METER_10M,), (METER_10M, Resistor("test", 10e3, 0.01, "+3V3"))),
    "10 MΩ and high impedance": ((METER_10M,), (METER_HIGH,)),
}


@dataclass
class Case:
    truth: float
    pull: thevenin.Pull


def simulate(loads: tuple[tuple[Resistor, ...], ...], rng: np.random.Generator, draws: int = 2000) -> Case | None:
    """One unit, one bench: the true ohms and the pull found; None where the analysis named no rail."""
    truth = float(10 ** rng.uniform(np.log10(2e3), np.log10(200e3)))
    up = bool(rng.integers(2))
    rail = 3.3 * (1 + rng.uniform(-0.02, 0.02))
    fitted = Resistor("R31", 47e3, 0.01, GROUND if up else "+3V3")
    drawn: dict[str, float] = {}

    def actual(r: Resistor) -> float:
        return drawn.setdefault(r.name, r.ohms * (1 + r.tolerance * rng.uniform(-1, 1)))

    gain, offset = METER.gain * rng.uniform(-1, 1), METER.offset * rng.uniform(-1, 1)

    def shown(volts: float) -> float:
        return volts * (1 + gain) + offset + rng.normal(0, NOISE)

    readings = []
    for tried in loads:
        branches = [(1 / truth, rail if up else 0.0)]
        branches += [(1 / actual(r), rail if r.to == "+3V3" else 0.0) for r in (fitted, *tried)]
        volts = sum(g * v for g, v in branches) / sum(g for g, _ in branches)
        readings.append(LineReading(shown(volts), tried, METER, NOISE))
    rails = {"+3V3": Rail("+3V3", shown(rail), meter=METER, scatter=NOISE)}
    known = thevenin.known(readings, [fitted], rails, count=draws, seed=int(rng.integers(2**31)))
    found = [p for p in thevenin.candidates(known, [GROUND, "+3V3"]) if p.ohms is not None]
    return Case(truth, found[0]) if found else None


def coverage(loads: tuple[tuple[Resistor, ...], ...], units: int, seed: int = 7) -> tuple[float, float]:
    """(share of intervals that hold the truth, median half-width relative to the truth)."""
    rng = np.random.default_rng(seed)
    cases = [case for _ in range(units) if (case := simulate(loads, rng))]
    held = [bool(c.pull.ohms and c.pull.ohms.holds(c.truth)) for c in cases]
    widths = [(c.pull.ohms.high - c.pull.ohms.low) / 2 / c.truth for c in cases if c.pull.ohms]
    return float(np.sum(held)) / units, float(np.median(widths))


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 4000
    for name, loads in TESTED.items():
        share, width = coverage(loads, count)
        print(f"{name:32} {count} units: interval holds the truth in {share:.1%}, median half-width {width:.2%}")
