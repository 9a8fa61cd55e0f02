"""The bodge: which resistor, added to a line, holds it at a valid level in the worst case and lets its driver move it.

Held low by a resistor G_b to ground, with every pull k of conductance G_k going to V_k and a leak into the line:

    hold:   sum_k G_k (V_k - V_IL) + leak  <=  G_b V_IL              worst case of each term    -> most ohms
    move:   I_driver = G_b V_OH + sum_k G_k (V_OH - V_k)  <=  rated                             -> least ohms
            and the line still passes V_IH behind the driver's own resistance

and the mirror image for a line held high by a resistor to a rail. Within the window the preferred value (IEC 60063)
nearest the geometric middle is taken: equal room, in percent, for whatever the estimate got wrong.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from wakeboard.harness.describe.board import preferred
from wakeboard.harness.explain.lines.line_model import GROUND, Driver, Rail, Thresholds
from wakeboard.instruments.quantity import show
from wakeboard.instruments.virtual.circuit.bench.figures import VOLTMETER_OHMS
from wakeboard.results.explanation import Bodge


@dataclass(frozen=True, slots=True)
class PullRange:
    """A pull on the line, fitted (with its part's name) or unknown, with the least and most ohms that it may have."""

    name: str
    ohms: float
    low_ohms: float
    high_ohms: float
    to: str
    fitted: bool = True

    @classmethod
    def of_part(cls, name: str, ohms: float, tolerance: float, to: str) -> PullRange:
        return cls(name, ohms, ohms * (1 - tolerance), ohms * (1 + tolerance), to)


def _rework(line: str, to: str, ohms: float) -> str:
    """The bodge in the language of faults, to be noted as rework on a unit."""
    return f"{line}+{to}:bridge={_marked(ohms)}"


def _step(line: str, hold: str, after: tuple[float, float, float]) -> str:
    """A step to add to the sequence that checks the line after the bodge (TOML)."""
    low, _, high = after
    expect = f"{show(min(low, 0.0) if hold == 'low' else low, 'V', 3)} .. {show(high, 'V', 3)}"
    return f'[[step]]\ndo = "line"\nof = "{line}"\nexpect = "{expect}"\n'


def _marked(ohms: float) -> str:
    """Ohms as a part is marked: 2200 -> "2.2k"."""
    for scale, letter in ((1e6, "M"), (1e3, "k")):
        if ohms >= scale:
            return f"{ohms / scale:g}{letter}"
    return f"{ohms:g}"


@dataclass(frozen=True, slots=True)
class _Problem:
    """One bodge, in conductances. `sign`: +1 for a line held low, -1 for one held high (same formulas)."""

    pulls: Sequence[PullRange]
    spans: Mapping[str, tuple[float, float]]
    leak: float
    to: str
    sign: float

    def worst(self, at: float, sign: float) -> float:
        """Largest sign · (current that pulls and leak bring into the line at `at` volts)."""
        total = self.leak
        for pull in self.pulls:
            drives = [sign * (v - at) for v in self.spans[pull.to]]
            total += max(d / r for d in drives for r in (pull.low_ohms, pull.high_ohms))
        return total

    def nominal(self, bodge: float, extra: float = 1 / VOLTMETER_OHMS) -> float:
        """Volts of the line with the bodge and a 10 MΩ meter, nothing driving."""
        middle = {name: (low + high) / 2 for name, (low, high) in self.spans.items()}
        g = 1 / bodge + extra + sum(1 / p.ohms for p in self.pulls)
        return (middle[self.to] / bodge + sum(middle[p.to] / p.ohms for p in self.pulls)) / g

    def extreme(self, bodge: float, tolerance: float, sign: float) -> float:
        """Worst volts (sign +1 highest, -1 lowest) with the bodge fitted, by bisection on the worst current."""
        everything = _Problem(
            [*self.pulls, PullRange.of_part("bodge", bodge, tolerance, self.to)],
            self.spans,
            self.leak,
            self.to,
            self.sign,
        )
        low = min(a for a, _ in self.spans.values()) - 1
        high = max(b for _, b in self.spans.values()) + 1
        for _ in range(60):
            middle = (low + high) / 2
            rises = sign * everything.worst(middle, sign) > 0
            low, high = (middle, high) if rises else (low, middle)
        return low


def bodge(
    line: str,
    hold: Literal["low", "high"],
    thresholds: Thresholds,
    pulls: Sequence[PullRange],
    rails: Mapping[str, Rail],
    driver: Driver | None = None,
    *,
    to: str | None = None,
    leak_amps: float = 0.0,
    tolerance: float = 0.05,
    series: str = "E24",
) -> Bodge:
    """The resistor to add so that the line is `hold` when nothing drives it.

    to: where it goes (default: ground for low, and for high the rail nearest the driver's high volts).
    leak_amps: worst leakage either way; tolerance: of the resistor to be soldered; thresholds: V_IL and V_IH.
    """
    sign = 1.0 if hold == "low" else -1.0
    to = to or (GROUND if hold == "low" else _rail_for(thresholds, rails, driver))
    spans = {GROUND: (0.0, 0.0), **{name: rail.span for name, rail in rails.items()}}
    problem = _Problem(pulls, spans, abs(leak_amps), to, sign)
    least_g, notes = _hold(problem, thresholds.low if hold == "low" else thresholds.high, line, hold)
    most_g, more = _move(problem, thresholds, driver)
    high = math.inf if least_g <= 0 else 1 / least_g / (1 + tolerance)
    low = 0.0 if math.isinf(most_g) else (math.inf if most_g <= 0 else 1 / most_g / (1 - tolerance))
    if not 0 < low <= high or math.isinf(high):
        return _none(line, hold, to, low, high, [*notes, *more])
    own = f"with the resistor's own {tolerance:.0%} inside: {show(low, 'Ω', 3)} to {show(high, 'Ω', 3)}"
    return _fit(problem, line, hold, (low, high), driver, tolerance, series, [*notes, *more, own])


def _rail_for(thresholds: Thresholds, rails: Mapping[str, Rail], driver: Driver | None) -> str:
    wanted = driver.high_volts if driver else thresholds.high
    fits = {name: rail for name, rail in rails.items() if rail.span[0] > thresholds.high}
    if not fits:
        raise ValueError(f"no rail above {show(thresholds.high, 'V')} to hold a line high with")
    return min(fits, key=lambda name: abs(fits[name].volts - wanted))


def _hold(problem: _Problem, threshold: float, line: str, hold: str) -> tuple[float, list[str]]:
    """Least conductance that holds the line, in siemens (0 or less: it holds without)."""
    against = problem.worst(threshold, problem.sign)
    headroom = min(-problem.sign * (v - threshold) for v in problem.spans[problem.to])
    if headroom <= 0:
        return math.inf, [f"{problem.to} itself is no valid {hold}"]
    g = against / headroom
    limit = f"at most {show(1 / g, 'Ω', 3)}" if g > 0 else "no bodge at all"
    return g, [
        f"hold {line} {hold}: at {show(threshold, 'V')} pulls and leakage bring up to "
        f"{show(max(against, 0.0), 'A', 3)}; {show(headroom, 'V', 3)} across the bodge must carry it: {limit}"
    ]


def _move(problem: _Problem, thresholds: Thresholds, driver: Driver | None) -> tuple[float, list[str]]:
    """Most conductance against which the driver still moves the line, in siemens."""
    if driver is None:
        # Without a known driver nothing limits the current; keep it to what a weak output carries (common practice).
        driver = Driver("an assumed 2 mA output", rated_amps=2e-3)
    s = problem.sign
    drives = driver.high_volts if s > 0 else driver.low_volts
    across = max(s * (drives - v) for v in problem.spans[problem.to])
    if across <= 0:
        return math.inf, []
    # The driver carries what the pulls take at its level, plus the bodge.
    by_current = (driver.rated_amps - problem.worst(drives, -s)) / across
    reach = thresholds.high if s > 0 else thresholds.low
    spare = s * (drives - reach) / driver.ohms - problem.worst(reach, -s)
    by_level = spare / max(s * (reach - v) for v in problem.spans[problem.to])
    g = min(by_current, by_level)
    limit = f"at least {show(1 / g, 'Ω', 3)}" if g > 0 else "the pulls alone are too much for it"
    return g, [f"move it: {driver.name} is rated {show(driver.rated_amps, 'A', 3)} at {show(drives, 'V')}: {limit}"]


def _none(line: str, hold: Literal["low", "high"], to: str, low: float, high: float, notes: list[str]) -> Bodge:
    if math.isinf(high):
        says = f"{line} is held {hold} in the worst case by what is there: no bodge needed"
    else:
        says = (
            f"no resistor both holds {line} {hold} and lets its driver move it: take the pull away or drive it harder"
        )
    return Bodge(
        line=line,
        hold=hold,
        to=to,
        low_ohms=low,
        high_ohms=high,
        fit_ohms=None,
        across=None,
        replace_ohms=None,
        watts=0.0,
        driver_amps=0.0,
        after_volts=(math.nan,) * 3,
        says=says,
        arithmetic=tuple(notes),
    )


def _fit(
    problem: _Problem, line: str, hold: Literal["low", "high"], window: tuple[float, float], driver: Driver | None,
    tolerance: float, series: str, notes: list[str],
) -> Bodge:  # fmt: skip
    low, high = window
    fit = preferred.middle(low, high, series) or math.sqrt(low * high)
    across = next((p for p in problem.pulls if p.fitted and p.to == problem.to), None)
    replace = preferred.nearest(1 / (1 / fit + 1 / across.ohms), series) if across else None
    drives = (driver or Driver("")).high_volts if hold == "low" else (driver or Driver("")).low_volts
    volts = max(abs(drives - v) for v in problem.spans[problem.to])
    amps = volts / (fit * (1 - tolerance)) + max(0.0, problem.worst(drives, -problem.sign))
    after = (
        problem.extreme(fit, tolerance, -1.0),
        problem.nominal(fit),
        problem.extreme(fit, tolerance, 1.0),
    )
    where = f"across {across.name}" if across else f"from {line} to {problem.to}"
    says = (
        f"solder {show(fit, 'Ω')} {where} (anything from {show(low, 'Ω', 3)} to {show(high, 'Ω', 3)} works in the "
        f"worst case): {line} will then read {show(after[1], 'V', 3)} ({show(after[0], 'V', 3)} to "
        f"{show(after[2], 'V', 3)}); its driver carries up to {show(amps, 'A', 2)}, "
        f"the resistor {show(volts**2 / fit, 'W', 2)}"
    )
    return Bodge(
        line=line,
        hold=hold,
        to=problem.to,
        low_ohms=low,
        high_ohms=high,
        fit_ohms=fit,
        across=across.name if across else None,
        replace_ohms=replace,
        watts=volts**2 / fit,
        driver_amps=amps,
        after_volts=after,
        says=says,
        arithmetic=tuple(notes),
        rework=_rework(line, problem.to, fit),
        step=_step(line, hold, after),
    )
