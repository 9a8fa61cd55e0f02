"""Which measurements could be made next, what each hypothesis predicts for them, and which tells most for its effort.

On the list: every point that a probe reaches, in each state that the run had, under the meter alone or with a test
resistor; a pin driven to another level; resistance without power; a lifted part as the last resort. Not on it: what
was read already, and any state in which a live candidate would burn a part.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from harness.describe.state import BenchState
from harness.explain import rank
from harness.explain.cases import Case, states_seen, tolerances
from harness.explain.next import Choice, Measurement, rank_measurements, shortest_distinct
from harness.explain.observe import OHMS, REVERSED, VOLTS, Observation
from harness.explain.predict import VOLTMETER_OHMS, Change, Predictor
from harness.explain.safety import unsafe
from harness.explain.suspects import priors
from harness.explain.uncertainty import Array
from harness.explain.weigh import Weighing
from results.records import Reading

TEST_OHMS = 10e3
LIVE = 1e-3
"""Probability from which a candidate counts as live."""
MOST = 14
"""Live candidates that are told apart at most."""
WORTH = 0.01
"""Bits below which a measurement is not worth its while: little doubts still lead to a short not seen yet."""
METER_SHARE, METER_FLOOR = 2e-4, 2e-3


@dataclass(frozen=True)
class Live:
    """The hypotheses that are still in play, grouped: their changes and probabilities (adding to 1)."""

    changes: list[Change]
    probabilities: Array
    suspects: list[tuple[str, ...]]


def live(weighing: Weighing, groups: Sequence[Sequence[int]]) -> Live:
    """None and the likeliest member of each suspect that predicts otherwise; "something else" predicts nothing."""
    changes: list[Change] = []
    p: list[float] = []
    texts: list[tuple[str, ...]] = []
    if weighing.p_none > LIVE:
        changes, p, texts = [Change()], [weighing.p_none], [()]
    members = sorted((k for g in groups for k in g), key=lambda k: -weighing.probabilities[k])
    seen: dict[tuple[object, ...], int] = {}
    for k in members:
        c = weighing.candidates[k]
        if weighing.probabilities[k] < LIVE:
            break
        if c.solved_as in seen:
            p[seen[c.solved_as]] += float(weighing.probabilities[k])
        elif len(p) < MOST:
            seen[c.solved_as] = len(p)
            changes.append(c.change)
            p.append(float(weighing.probabilities[k]))
            texts.append(c.texts)
    total = np.array(p)
    return Live(changes, total / total.sum() if len(p) else total, texts)


@dataclass(frozen=True)
class _Idea:
    """A measurement before it is predicted. `lift`: a part taken off first."""

    observation: Observation
    point: str
    effort: float
    does: str
    lift: str = ""


def propose(
    case: Case,
    weighing: Weighing,
    groups: Sequence[Sequence[int]],
    count: int = 3,
    usable: Callable[[Measurement], bool] | None = None,
) -> list[Choice]:
    """The measurements worth most for their effort, best first; none where one hypothesis is left.

    usable: leaves out what cannot be measured on the bench at hand.
    """
    in_play = live(weighing, groups)
    if len(in_play.changes) < 2:
        return []
    ideas = list(_ideas(case, in_play))
    seen = [i.observation for i in ideas]
    predictor = Predictor(case.model.circuit, case.model.supplies, seen, case.fixed, stand=case.model.stand)
    states = states_seen([i.observation for i in ideas])
    forbidden = unsafe(predictor, states, in_play.changes)
    allowed = [k for k, i in enumerate(ideas) if _bare(i.observation.state).key not in forbidden]
    if not allowed:
        return []
    measurements = _predicted(case, predictor, ideas, allowed, in_play)
    if usable is not None:
        measurements = [each for each in measurements if usable(each)]
    return shortest_distinct(rank_measurements(in_play.probabilities, measurements, WORTH), count)


def _bare(state: BenchState) -> BenchState:
    return BenchState(state.supplies, state.pins)


# --- ideas ----------------------------------------------------------------------------------------------------------
def _ideas(case: Case, in_play: Live) -> Iterator[_Idea]:
    taken = {(o.of, o.quantity, o.turned, o.state.key) for o in case.observations}
    effort: Mapping[str, float] = priors()["effort"]
    for idea in (*_volts(case, effort), *_ohms(case, effort), *_lifting(case, in_play, effort)):
        o = idea.observation
        if idea.lift or (o.of, o.quantity, o.turned, o.state.key) not in taken:
            yield idea


def _points(case: Case) -> list[tuple[str, str]]:
    """(point, net), each net once, by its first point; supplies at their connectors."""
    found: dict[str, str] = {}
    for name, point in case.model.board.points.items():
        found.setdefault(point.net, name)
    for name, supply in case.model.board.supplies.items():
        found.setdefault(supply.net, name)
    known = set(case.model.circuit.nets)
    return [(point, net) for net, point in found.items() if net in known]


def _volts(case: Case, effort: Mapping[str, float]) -> Iterator[_Idea]:
    lines = {line.net for line in case.model.board.lines.values()}
    for state, price, how in _states(case, effort):
        for point, net in _points(case):
            yield _Idea(_reading(net, VOLTS, _loaded(state, VOLTMETER_OHMS)), point, price, f"measure {net}{how}")
            if net in lines:
                ohms = 1 / (1 / TEST_OHMS + 1 / VOLTMETER_OHMS)
                does = f"measure {net} with 10 kΩ from it to ground{how}"
                yield _Idea(_reading(net, VOLTS, _loaded(state, ohms)), point, price + effort["test_resistor"], does)


def _states(case: Case, effort: Mapping[str, float]) -> Iterator[tuple[BenchState, float, str]]:
    """Bench states with the price of a reading in them: those the run had, and one pin more driven."""
    seen = states_seen(case.observations)
    first: dict[tuple[str, ...], BenchState] = {}
    for state in seen:
        first.setdefault(tuple(state.supplies), BenchState(state.supplies))
    keys = set()
    for k, state in enumerate(first.values()):
        keys.add(state.key)
        supplies = " and ".join(f"{n} at {v:g} V" for n, (v, _) in state.supplies.items())
        yield state, effort["touch"] if k == 0 else effort["change_supply"], f" with {supplies}"
        if k > 0 or case.model.board.target is None or case.model.board.target.pin_command is None:
            continue
        pins = {line.driven_by for line in case.model.board.lines.values() if line.driven_by}
        for pin in sorted(p for p in pins if p.partition(".")[0] == case.model.board.target.part):
            for level in ("high", "low"):
                if level == "high" and _drives_low_only(case, pin):
                    continue
                yield (
                    BenchState(state.supplies, {pin: level}), effort["change_pin"],
                    f" with {supplies} and {pin} driven {level}",
                )  # fmt: skip


def _drives_low_only(case: Case, pin: str) -> bool:
    name, _, own = pin.partition(".")
    part = case.model.board.parts.get(name)
    return part is not None and part.values.get("io", {}).get(own, {}).get("type") in ("open_drain", "input", "analog")


def _ohms(case: Case, effort: Mapping[str, float]) -> Iterator[_Idea]:
    for point, net in _points(case):
        for turned in (False, True):
            quantity = REVERSED if turned else OHMS
            made = replace(_reading(net, OHMS, BenchState()), turned=turned, test_amps=1e-4, open_volts=9.0, top=12e3)
            made = replace(made, reading=replace(made.reading, quantity=quantity, range=10e3))
            how = " with the leads exchanged" if turned else ""
            yield _Idea(
                made, point, effort["unpowered_ohms"], f"without power, the resistance from {net} to ground{how}"
            )


def _lifting(case: Case, in_play: Live, effort: Mapping[str, float]) -> Iterator[_Idea]:
    """Taking a suspected part off and reading its nets again."""
    states = [state for state, _, _ in _states(case, effort)][:1]
    parts = dict.fromkeys(text.partition(":")[0].partition(".")[0] for texts in in_play.suspects for text in texts)
    for name in [p for p in parts if p in case.model.circuit][:4]:
        nets = set(case.model.circuit.part(name).pins.values())
        for point, net in _points(case):
            if net in nets and net != case.model.circuit.ground:
                for state in states:
                    made = _reading(net, VOLTS, _loaded(state, VOLTMETER_OHMS))
                    yield _Idea(made, point, effort["lift_part"], f"lift {name}, then measure {net}", name)


def _loaded(state: BenchState, ohms: float) -> BenchState:
    return BenchState(state.supplies, state.pins, ohms)


def _reading(net: str, quantity: str, state: BenchState) -> Observation:
    unit = "V" if quantity == VOLTS else "Ω"
    return Observation(net, quantity, state, math.nan, 1.0, 0, Reading(net, quantity, None, unit, state=state.key))


# --- predictions ----------------------------------------------------------------------------------------------------
def _predicted(
    case: Case, predictor: Predictor, ideas: Sequence[_Idea], allowed: Sequence[int], in_play: Live
) -> list[Measurement]:
    plain = [k for k in allowed if not ideas[k].lift]
    means = np.full((len(in_play.changes), len(ideas)), np.nan)
    means[:, plain] = predictor.predict(in_play.changes, only=plain)
    for name in {ideas[k].lift for k in allowed if ideas[k].lift}:
        columns = [k for k in allowed if ideas[k].lift == name]
        means[:, columns] = predictor.predict([_without(c, name) for c in in_play.changes], only=columns)
    spread = np.zeros(len(ideas))
    spread[plain] = _tolerance(case, predictor, plain)
    out = []
    for k in allowed:
        if np.all(np.isfinite(means[:, k])):
            out.append(_measurement(ideas[k], means[:, k], float(spread[k])))
    return out


def _tolerance(case: Case, predictor: Predictor, columns: Sequence[int]) -> Array:
    known = tolerances(case.model.circuit, case.fixed, case.model.supplies)
    shifts = predictor.shifts([Change()], known)[0][:, list(columns)]
    spread: Array = np.sqrt((shifts**2).sum(axis=0))
    return spread


def _without(change: Change, part: str) -> Change:
    """The board with a part lifted: what was wrong inside it goes with it."""
    from instruments.virtual.circuit import parse_fault

    kept = tuple(f for f in change.faults if f.part != part)
    values = {path: v for path, v in change.values.items() if path.partition(".")[0] != part}
    return Change((*kept, parse_fault(f"{part}:missing")), values)


def _measurement(idea: _Idea, mean: Array, spread: float) -> Measurement:
    o = idea.observation
    meter = 0.03 if o.quantity == OHMS else METER_FLOOR
    sigma = np.sqrt(meter**2 + spread**2 + (METER_SHARE * mean) ** 2)
    state = o.state.key + (f"; {idea.lift} lifted" if idea.lift else "")
    return Measurement(idea.point, o.reading.quantity, state, idea.effort, mean, sigma, idea.does, {"net": o.of})


def entropy_of(weighing: Weighing, groups: Sequence[Sequence[int]]) -> float:
    """Bits of doubt between the groups, none and something else."""
    p = [weighing.p_none, weighing.p_other, *(float(weighing.probabilities[list(g)].sum()) for g in groups)]
    return rank.entropy(np.array(p))
