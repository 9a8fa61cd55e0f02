"""From a run's readings to the numbers that a hypothesis must predict, and to answers that it must allow.

Volts and amperes are taken as they are; ohms as log10, since a short and an open lie decades apart and what is beyond a
meter's range is "at least so much"; an answer over the console as whether it came. Readings that a circuit at rest says
nothing about (AC, frequency, rates, a rail that discharges) are left to others.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from wakeboard.harness.describe.sequence.steps import needs_of
from wakeboard.harness.describe.state import BenchState, StateError
from wakeboard.instruments.quantity import QuantityError, parse
from wakeboard.instruments.virtual.circuit.bench.figures import (
    CONTACT_OHMS,
    JUNCTION_DEVIATION,
    JUNCTION_FROM,
    OPEN_VOLTS,
    test_amps,
)
from wakeboard.results.records import Reading, RunRecord, Step
from wakeboard.results.told import OhmsTold, PowerTold

OVER_RANGE = 1.2
"""What a bench meter shows at most on a fixed ohms range, as a share of the range (common practice: 20 % over)."""
MOST_OHMS = 10e6
"""What no unpowered rail is told to be above: leakage and the bench are in parallel."""
LEAST_OHMS = 0.05
"""Nothing less is told from a short."""

VOLTS, OHMS, CURRENT, TEXT = "dc volts", "ohms", "current", "text"
REVERSED = "ohms reversed"

# What the model itself may be wrong by, beyond tolerances: one standard deviation (estimates, no source).
_MODEL_SHARE = {VOLTS: 0.002, CURRENT: 0.02}
_MODEL_FLOOR = {VOLTS: 3e-3, CURRENT: 100e-6}


@dataclass(frozen=True, slots=True)
class Observation:
    """One number to predict: y with standard deviation sigma (V, A, or decades of ohms: of both in parallel where a
    known resistor stood across).

    `of` is a net, or for a current the supply. For ohms: `top` is the most that the meter shows, `test_amps` and
    `open_volts` what it puts on the net, `turned` whether the leads were reversed, `shunt` a known resistor that stood
    across the net meanwhile and was taken out of the reading.
    """

    of: str
    quantity: str
    state: BenchState
    y: float
    sigma: float
    step: int
    reading: Reading
    turned: bool = False
    top: float = math.inf
    test_amps: float = 0.0
    open_volts: float = 0.0
    shunt: float | None = None

    @property
    def label(self) -> str:
        """The reading in a few words, and its key in JSON lists."""
        return f"{self.reading.of} {self.reading.quantity} [{self.state.key}]"

    @property
    def group(self) -> tuple[str, str]:
        """Readings that one cause moves together."""
        return (self.of, "current" if self.quantity == CURRENT else "net")

    def as_seen(self, value: float) -> float:
        """A predicted value (V, A, Ω) as this observation counts it."""
        if self.quantity != OHMS or math.isnan(value):
            return value
        if self.shunt is None:
            return self.counted(value + CONTACT_OHMS)
        return self.counted(1 / (1 / max(value, 1e-9) + 1 / self.shunt) + CONTACT_OHMS)

    def counted(self, ohms: float) -> float:
        """Decades of what the meter shows, from the least that is told from a short to the most that it shows."""
        return math.log10(min(max(ohms, LEAST_OHMS), self.top))

    def ohms_of(self, y: float) -> float:
        """The resistance (Ω) that an ohms observation counts as y; inf from `top` on."""
        siemens = 1 / max(10**y - CONTACT_OHMS, 1e-3) - (1 / self.shunt if self.shunt else 0.0)
        return 1 / siemens if siemens > 1.001 / self.top else math.inf


@dataclass(frozen=True, slots=True)
class Clue:
    """An answer over the console: it came as expected, or not. It needs nets (net, low, high volts) and a live part."""

    of: str
    state: BenchState
    came: bool
    needs: tuple[tuple[str, float | None, float | None], ...]
    part: str
    step: int
    reading: Reading

    @property
    def label(self) -> str:
        return f"{self.of} answer [{self.state.key}]"


# Without a resistor across the net, an ohms reading through junctions and capacitors depends on what was measured
# before (a rail that a test current has charged feeds others): decades by which it may differ from the circuit at rest,
# near a short and far from one.
_OHMS_NEAR, _OHMS_FAR, _SHORT_OHMS = 0.03, 0.35, 300.0
# With one across, every net begins empty and settles, and what the meter sees is both in parallel: its logarithm tells
# a short from a pull, and an open from one, evenly. The meter sees volts, of which the model may be wrong by a share
# and a floor (estimates, no source); where a junction conducts, its drop is not known better than figures.py says.
_ACROSS_SHARE, _ACROSS_FLOOR = 3e-3, 0.2e-3


def _sigma(quantity: str, reading: Reading, value: float) -> float:
    u = reading.u or 0.0
    return math.hypot(u, _MODEL_FLOOR[quantity] + _MODEL_SHARE[quantity] * abs(value))


def _ohms_sigma(reading: Reading, value: float, amps: float, shunt: float | None) -> float:
    """Standard deviation in decades. value: Ω, infinite for a reading that only says "more than"."""
    u = reading.u if reading.u is not None and math.isfinite(reading.u) else 0.0
    if shunt is None:
        # 0.1 Ω: leads and contacts
        return math.hypot(min((u + 0.1) / max(value, 0.1) / math.log(10), 0.5), _ohms_history(value))
    both = 1 / (1 / value + 1 / shunt)
    volts = amps * both
    wrong = _ACROSS_FLOOR + _ACROSS_SHARE * volts + (JUNCTION_DEVIATION if volts > JUNCTION_FROM else 0.0)
    least = _told_at_least(reading)
    siemens = 0.5 / least if least else u / value**2  # "more than": two standard deviations above nothing
    return min(math.hypot(siemens * both, wrong / volts) / math.log(10), 0.5)


def sigma_at(o: Observation, y: float) -> float:
    """Standard deviation of an observation where it is y (as it counts): what a reading not taken yet would have."""
    if o.quantity == OHMS:
        return _ohms_sigma(o.reading, o.ohms_of(y), o.test_amps, o.shunt)
    return _sigma(o.quantity, o.reading, y)


def _ohms_history(value: float) -> float:
    return _OHMS_NEAR if value < _SHORT_OHMS else _OHMS_FAR


def told(o: Observation) -> tuple[object, ...]:
    """What a reading tells of: another with the same takes its place. An ohms test with another current is another."""
    return (o.of, o.quantity, o.turned, o.state.key, o.test_amps)


def observation(reading: Reading, step: Step, net_of: Callable[[str], str | None]) -> Observation | None:
    """The observation that a reading is; None where no circuit at rest predicts it."""
    if reading.outcome in ("skipped", "error"):
        return None
    try:
        state = BenchState.parse(reading.state)
    except StateError:
        return None
    if reading.quantity in (OHMS, REVERSED):
        return _ohms(reading, step, state, net_of(reading.of))
    if reading.value is None or not state.supplies:
        return None
    if reading.quantity == CURRENT and reading.of in state.supplies:
        sigma = _sigma(CURRENT, reading, reading.value)
        return Observation(reading.of, CURRENT, state, reading.value, sigma, step.number, reading)
    net = net_of(reading.of)
    if reading.quantity != VOLTS or net is None:
        return None
    return Observation(net, VOLTS, state, reading.value, _sigma(VOLTS, reading, reading.value), step.number, reading)


def _ohms(reading: Reading, step: Step, state: BenchState, net: str | None) -> Observation | None:
    if net is None or state.supplies:
        return None
    test = OhmsTold.of(step)
    shunt = test.shunt_ohms
    top = _told_at_least(reading) or (MOST_OHMS if shunt else OVER_RANGE * (reading.range or MOST_OHMS))
    value = (math.inf if shunt else top) if reading.value is None else max(reading.value, LEAST_OHMS)
    amps = float(test.test_amps or test_amps(reading.range))
    volts = float(test.open_volts or OPEN_VOLTS)
    across = float(shunt) if shunt else None
    made = Observation(
        net, OHMS, state, 0.0, _ohms_sigma(reading, value, amps, across), step.number, reading,
        turned=reading.quantity == REVERSED, top=top, test_amps=amps, open_volts=volts, shunt=across,
    )  # fmt: skip
    return _with_y(made, made.counted(value if across is None else 1 / (1 / value + 1 / across)))


def _told_at_least(reading: Reading) -> float | None:
    """The ohms of "above 15 kΩ", where a reading has no value of its own."""
    if reading.value is not None or not reading.says.startswith("above "):
        return None
    try:
        return parse(reading.says.removeprefix("above ").removeprefix("the range of "), "Ω")
    except QuantityError:
        return None


def _with_y(made: Observation, y: float) -> Observation:
    from dataclasses import replace

    return replace(made, y=y)


def observations(run: RunRecord, net_of: Callable[[str], str | None]) -> list[Observation]:
    """All readings of a run that a circuit can be held against, in order; a repeated one counts once, the last."""
    found: dict[tuple[object, ...], Observation] = {}
    for step, reading in run.readings():
        each = observation(reading, step, net_of)
        if each is not None:
            found[told(each)] = each
    cut = _cut(run)
    if cut is not None:
        found.setdefault(told(cut), cut)
    return list(found.values())


def _cut(run: RunRecord) -> Observation | None:
    """What the guard saw where a supply would not leave its current limit: at rest it gives just that limit."""
    trip = run.trip
    step = next((s for s in run.steps if trip is not None and s.number == trip.step), None)
    if trip is None or trip.rule != "constant-current" or trip.amps is None or step is None:
        return None
    power = PowerTold.of(step)
    volts, limit = power.volts, power.limit
    if not needs_of(step.kind).energises or not isinstance(volts, float) or not isinstance(limit, float):
        return None
    state = BenchState({**_supplies_before(run, step), trip.supply: (volts, limit)})
    reading = Reading(trip.supply, CURRENT, trip.amps, "A", outcome="fail", state=state.key, says="the guard cut it")
    return Observation(
        trip.supply, CURRENT, state, trip.amps, _sigma(CURRENT, reading, trip.amps), step.number, reading
    )


def _supplies_before(run: RunRecord, step: Step) -> dict[str, tuple[float, float]]:
    """What was on when a step began, by the last reading before it."""
    earlier = [r for s in run.steps if s.number < step.number for r in s.readings]
    try:
        return dict(BenchState.parse(earlier[-1].state).supplies) if earlier else {}
    except StateError:
        return {}


def clues(run: RunRecord, target: Any, net_of: Callable[[str], str | None]) -> list[Clue]:
    """What the board answered, or did not. target: the board's [target], None where it declares none."""
    if target is None:
        return []
    asked = _asked(run)
    found = []
    for step in run.steps:
        if not needs_of(step.kind).answers or step.outcome in ("skipped", "error") or not step.readings:
            continue
        first = step.readings[0]
        try:
            state = BenchState.parse(first.state)
        except StateError:
            continue
        came = all(r.outcome == "pass" or r.quantity != TEXT for r in step.readings)
        needs = (*_to_run(target, net_of), *_to_answer(target, asked.get(step.number), net_of))
        found.append(Clue(step.name, state, came, needs, target.part, step.number, first))
    return found


def _asked(run: RunRecord) -> dict[int, str]:
    """What each step sent, by the run's own copy of the sequence."""
    try:
        steps: Sequence[Mapping[str, object]] = tomllib.loads(run.start.sequence_text).get("step", [])
    except tomllib.TOMLDecodeError:
        return {}
    return {number: str(step.get("send", "")) for number, step in enumerate(steps, start=1)}


_RESET_HIGH = 1.5
"""Volts below which a reset line may hold a processor (estimate: half of a 3 V rail)."""


def _to_run(target: Any, net_of: Callable[[str], str | None]) -> list[tuple[str, float | None, float | None]]:
    needs: list[tuple[str, float | None, float | None]] = []
    if (rail := net_of(target.rail)) is not None:
        needs.append((rail, float(target.above), None))
    if target.reset and (reset := net_of(target.reset)) is not None:
        needs.append((reset, _RESET_HIGH, None))
    return needs


def _to_answer(
    target: Any, asked: str | None, net_of: Callable[[str], str | None]
) -> list[tuple[str, float | None, float | None]]:
    answer = next((a for a in target.answers if a.ask == asked), None) if asked else None
    if answer is None:
        return []
    return [(net, need.low, need.high) for name, need in answer.needs.items() if (net := net_of(name)) is not None]
