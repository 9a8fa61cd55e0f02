"""What a line that sits where it should not is: a level, a divider, a toggling signal, floating, two drivers fighting.

A probe shows a mean; a divider and a clock can show the same one. The AC RMS tells them apart without cutting a trace:
a rectangular wave between L and H with mean m has duty d = (m - L)/(H - L) and AC RMS (H - L) sqrt(d (1 - d)).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from wakeboard.harness.explain.evidence.uncertainty import Estimate
from wakeboard.harness.explain.lines import thevenin
from wakeboard.harness.explain.lines.line_model import GROUND, LineReading, Rail, Resistor, Thresholds
from wakeboard.harness.explain.lines.thevenin import Pull, Source
from wakeboard.instruments.quantity import show
from wakeboard.results.explanation import FoundLine, PossiblePull, finite

Kind = Literal["divider", "toggling", "level", "floating", "fighting"]

FLOATING_OHMS = 1e6
"""A source above this is no pull: an input's leakage of 1 µA moves it by more than a volt (common practice)."""
ZERO_VOLTS = 0.02
"""Below this a reading is 0 V, and says nothing of how strongly the line is held there."""
LEAKAGE_AMPS = 3e-6
"""What a load may carry on a floating line: the leakage of a few inputs (±1 µA each in logic data sheets)."""
DRIVER_OHMS = 300.0
"""A source below this is a driver or several, not a resistor (common practice: outputs are 20 to 150 Ω)."""
TOGGLE_SHARE = 0.5
"""Share of the rectangular wave's AC RMS above which a line toggles; slow edges and a narrow band lower it."""
MISFIT_LIMIT = 13.8
"""chi-square per spare reading beyond which no rail fits (one in 5000 for one degree of freedom)."""


@dataclass(frozen=True, slots=True)
class LineAnalysis:
    """What a line is, with the arithmetic behind it. `pull` is the likeliest of `candidates` where one stands out."""

    line: str
    kind: Kind
    level: str
    says: str
    source: Source | None = None
    pull: Pull | None = None
    candidates: tuple[Pull, ...] = ()
    duty: float | None = None
    hertz: float | None = None
    toggling_ac: float | None = None
    arithmetic: tuple[str, ...] = ()
    state: str = ""
    fitted: tuple[Resistor, ...] = field(default=())

    def told(self) -> FoundLine:
        """Without the bodge. Numbers in base units, None where not known."""
        ohms = self.pull.ohms if self.pull else None
        low, high = (finite(ohms.low), finite(ohms.high)) if ohms else (None, None)
        return FoundLine(
            line=self.line,
            kind=self.kind,
            level=self.level,
            says=self.says,
            state=self.state,
            source_volts=self.source.volts.value if self.source else None,
            source_ohms=finite(self.source.ohms.value) if self.source else None,
            pull_ohms=finite(ohms.value) if ohms else None,
            pull_ohms_u=finite(ohms.u) if ohms else None,
            pull_ohms_low=low,
            pull_ohms_high=high,
            pull_to=(self.pull.to or None) if self.pull else None,
            candidates=tuple(_possible(c) for c in self.candidates),
            duty=self.duty,
            hertz=self.hertz,
            toggling_ac=self.toggling_ac,
            arithmetic=self.arithmetic,
        )


def _possible(pull: Pull) -> PossiblePull:
    ohms = finite(pull.ohms.value) if pull.ohms else None
    return PossiblePull(pull.to, ohms, pull.amps.value if pull.amps else None, pull.probability)


def rectangular_ac(mean: float, low: float, high: float) -> tuple[float, float]:
    """(duty, AC RMS in volts) of a rectangular wave between `low` and `high` volts that has this mean."""
    duty = min(max((mean - low) / (high - low), 0.0), 1.0)
    return duty, (high - low) * math.sqrt(duty * (1 - duty))


def analyse(
    line: str,
    readings: Sequence[LineReading],
    thresholds: Thresholds,
    *,
    fitted: Sequence[Resistor] = (),
    rails: Mapping[str, Rail] | None = None,
    swing: tuple[float, float] | None = None,
    driven: bool = False,
    should_be: str = "",
    leak_amps: float = 0.0,
    draws: int = 4000,
    seed: int = 1,
) -> LineAnalysis:
    """Analyse one line in one state of the board from readings under one or more loads.

    swing: volts (low, high) that a toggling signal would have; by default ground to the highest rail that it reaches.
    driven: whether a driver is meant to hold the line (then a low source resistance in between means a fight).
    should_be: the level ("low", "high") that it should have in this state, for the words.
    Raises ValueError without readings, KeyError where a resistor goes to a rail that is not given.
    """
    if not readings:
        raise ValueError(f"no reading of line {line}: nothing to analyse")
    rails = dict(rails or {})
    first = max(readings, key=lambda r: r.load_ohms)
    context = _Context(line, first, thresholds, tuple(fitted), rails, should_be)
    if toggling := _toggling(context, swing):
        return toggling
    drawn = thevenin.known(readings, fitted, rails, leak_amps, draws, seed)
    behind = thevenin.source(drawn) if thevenin.told_apart(readings) else None
    context.note_ac(swing)
    return _steady(context, readings, drawn, behind, driven)


@dataclass(slots=True)
class _Context:
    line: str
    first: LineReading
    thresholds: Thresholds
    fitted: tuple[Resistor, ...]
    rails: Mapping[str, Rail]
    should_be: str = ""
    arithmetic: list[str] = field(default_factory=list)

    @property
    def level(self) -> str:
        return self.thresholds.level(self.first.volts)

    def swing(self) -> tuple[float, float]:
        """Ground to the lowest rail that is not below the mean: the least swing that can have this mean."""
        above = [rail.volts for rail in self.rails.values() if rail.volts >= self.first.volts]
        return 0.0, min(above, default=max(self.first.volts * 1.25, self.thresholds.high))

    def note_ac(self, swing: tuple[float, float] | None) -> None:
        if self.first.ac_volts is None or self.level != "between":
            return
        low, high = swing or self.swing()
        duty, expected = rectangular_ac(self.first.volts, low, high)
        self.arithmetic.append(
            f"a signal between {show(low, 'V')} and {show(high, 'V')} with this mean would be high {duty:.0%} of the "
            f"time and show {show(expected, 'V', 3)} AC; it shows {show(self.first.ac_volts, 'V', 3)}: "
            "it does not toggle"
        )

    def result(self, kind: Kind, says: str, **more: Any) -> LineAnalysis:
        return LineAnalysis(
            self.line, kind, self.level, says, arithmetic=tuple(self.arithmetic), state=self.first.state,
            fitted=self.fitted, hertz=self.first.hertz if kind == "toggling" else None, **more,
        )  # fmt: skip


def _toggling(context: _Context, swing: tuple[float, float] | None) -> LineAnalysis | None:
    first = context.first
    if first.ac_volts is None:
        return None
    low, high = swing or context.swing()
    duty, expected = rectangular_ac(first.volts, low, high)
    if expected < 0.02 * (high - low) or first.ac_volts < TOGGLE_SHARE * expected:
        return None
    often = f" at {show(first.hertz, 'Hz', 3)}" if first.hertz else ""
    context.arithmetic.append(
        f"duty d = ({show(first.volts, 'V')} - {show(low, 'V')}) / {show(high - low, 'V')} = {duty:.3f}; "
        f"AC = {show(high - low, 'V')} · √(d(1-d)) = {show(expected, 'V', 3)}, measured {show(first.ac_volts, 'V', 3)}"
    )
    says = f"{context.line} toggles{often}, high {duty:.0%} of the time: its mean is no level, and no pull is at fault"
    return context.result("toggling", says, duty=duty, toggling_ac=expected)


def _steady(
    context: _Context, readings: Sequence[LineReading], drawn: thevenin.Known, behind: Source | None, driven: bool
) -> LineAnalysis:
    if behind is not None:
        _note_source(context, readings, behind)
        if behind.ohms.low > FLOATING_OHMS and abs(drawn.currents[:, 0]).max() < LEAKAGE_AMPS:
            says = (
                f"{context.line} floats: behind it are {_ohms(behind.ohms)}, so leakage and the meter decide its volts"
            )
            return context.result("floating", says, source=behind)
        if behind.ohms.high < DRIVER_OHMS:
            return _driver(context, behind, driven)
    elif not context.fitted and not driven and context.level == "low" and abs(context.first.volts) < 0.05:
        says = (
            f"{context.line} reads 0 V with nothing fitted that holds it: it floats, or is held low; "
            "load it to a rail to tell"
        )
        return context.result("floating", says)
    expected = _expected(context)
    if context.level == "low" and max(abs(r.volts) for r in readings) < ZERO_VOLTS and not driven:
        return _at_zero(context, expected)
    found = thevenin.candidates(drawn, [GROUND, *context.rails])
    if driven and context.level != "between":
        found = []
    if expected is not None and abs(expected - context.first.volts) < _agreement(context):
        found = []
    pull = _choose(context, drawn, found, behind)
    kind: Kind = "divider" if context.level == "between" or _divides(context, pull) else "level"
    return context.result(kind, _words(context, pull, found), source=behind, pull=pull, candidates=tuple(found))


def _at_zero(context: _Context, expected: float | None) -> LineAnalysis:
    """0 V under every load: nothing can be computed from it, only said."""
    up = [r.name for r in context.fitted if r.to != GROUND]
    if expected is not None and expected > 10 * ZERO_VOLTS and up:
        says = (
            f"{context.line} reads 0 V although {' and '.join(up)} should pull it up to {show(expected, 'V', 3)}: "
            f"{up[0]} is missing, or something holds the line low; its resistance to ground without power tells which"
        )
    else:
        says = f"{context.line} is held low"
    return context.result("level", says)


def _divides(context: _Context, pull: Pull | None) -> bool:
    """Whether a line at a valid level is a divider all the same: neither at ground nor where its pull goes."""
    if pull is None or pull.ohms is None:
        return False
    top = max([pull.volts.value, *(context.rails[r.to].volts for r in context.fitted if r.to in context.rails)])
    return 0.05 * top < context.first.volts < 0.95 * top


def _note_source(context: _Context, readings: Sequence[LineReading], behind: Source) -> None:
    each = " and ".join(f"{show(r.volts, 'V')} under {show(r.load_ohms, 'Ω', 3)}" for r in readings)
    volts = round(behind.volts.value, 9) or 0.0  # what is left of a difference of two readings is no nanovolt
    context.arithmetic.append(
        f"{each}: a source of {show(volts, 'V')} behind {_ohms(behind.ohms)} (Thevenin, loads taken out)"
    )


def _driver(context: _Context, behind: Source, driven: bool) -> LineAnalysis:
    if context.level == "between":
        who = "two drivers fight over it" if driven else "a driver fights a short or another driver"
        says = (
            f"{context.line} sits at {show(context.first.volts, 'V')} behind only {_ohms(behind.ohms)}: {who}, or one "
            "toggles faster than the meter's AC reading reaches; no resistor mends that"
        )
        return context.result("fighting", says, source=behind)
    says = f"{context.line} is held {context.level} by a driver ({_ohms(behind.ohms)})"
    return context.result("level", says, source=behind)


def _expected(context: _Context) -> float | None:
    """Volts that the fitted resistors and the loads alone would give."""
    known = [*context.fitted, *context.first.loads]
    if not context.fitted:
        return None
    volts = {GROUND: 0.0, **{name: rail.volts for name, rail in context.rails.items()}}
    total = sum(1 / r.ohms for r in known)
    return sum(volts[r.to] / r.ohms for r in known) / total


def _agreement(context: _Context) -> float:
    """How near a reading must be to what is fitted to need no further pull: tolerances, meter, 1 % of the top rail."""
    top = max((rail.volts for rail in context.rails.values()), default=context.thresholds.high)
    return 2 * context.first.u + 0.01 * top + 0.5 * max((r.tolerance for r in context.fitted), default=0) * top


def _choose(context: _Context, drawn: thevenin.Known, found: list[Pull], behind: Source | None) -> Pull | None:
    """The pull to speak of: the likeliest rail, or the free one where two loads say that no rail fits."""
    if not found:
        return None
    best = found[0]
    _note_pull(context, best)
    if behind is None:
        return best if best.probability > 0.5 else None
    if best.spare and best.misfit > MISFIT_LIMIT * best.spare:
        context.arithmetic.append(
            f"no rail fits both loads (best: {best.to or 'a steady current'}, χ² {best.misfit:.1f})"
        )
        return thevenin.free_pull(drawn)
    return best


def _note_pull(context: _Context, pull: Pull) -> None:
    fitted = ", ".join(f"{r.name} {show(r.ohms, 'Ω')} to {r.to}" for r in context.fitted) or "nothing"
    v, to = context.first.volts, pull.volts.value
    if pull.ohms is None or not pull.to:
        return
    context.arithmetic.append(
        f"fitted: {fitted}. At {show(v, 'V')} the unknown brings {show((to - v) / pull.ohms.value, 'A', 3)} "
        f"from {show(to, 'V')}: ({show(to, 'V')} - {show(v, 'V')}) / that = {_ohms(pull.ohms)}"
    )


def _ohms(value: Estimate) -> str:
    """Ohms with their interval in the words of a report."""
    if not math.isfinite(value.value) or value.value <= 0:
        return f"more than {show(value.low, 'Ω', 2)}"
    if not math.isfinite(value.high):
        return f"{show(value.value, 'Ω', 3)} (at least {show(max(value.low, 0.0), 'Ω', 2)})"
    return f"{show(value.value, 'Ω', 3)} ({show(max(value.low, 0.0), 'Ω', 3)} to {show(value.high, 'Ω', 3)})"


def describe_pull(line: str, pull: Pull) -> str:
    """One clause: what pulls the line where."""
    if pull.amps is not None:
        way = "into" if pull.amps.value > 0 else "out of"
        return f"something drives a steady {show(abs(pull.amps.value), 'A', 3)} {way} {line}, whatever its volts"
    assert pull.ohms is not None
    if not pull.to:
        return (
            f"about {_ohms(pull.ohms)} pulls {line} towards {show(pull.volts.value, 'V', 3)}, which is no rail: "
            "a divider inside a part"
        )
    way = "down" if pull.to == GROUND else "up"
    return f"about {_ohms(pull.ohms)} pulls {line} {way} to {pull.to}"


def _words(context: _Context, pull: Pull | None, found: Sequence[Pull]) -> str:
    at = f"{context.line} sits at {show(context.first.volts, 'V')}"
    where = "between the levels" if context.level == "between" else f"a valid {context.level}"
    if context.should_be not in ("", context.level):
        where += f", where it should be {context.should_be}"
    if pull is not None and (len(found) <= 1 or pull.probability > 0.9 or pull not in found):
        return f"{at}, {where}: {describe_pull(context.line, pull)}"
    if found:
        each = "; or ".join(describe_pull(context.line, p) for p in found)
        return f"{at}, {where}: {each}. A second load tells which"
    if context.level == "between":
        return f"{at}, {where}, as the fitted parts alone would have it"
    return f"{at}, {where}"
