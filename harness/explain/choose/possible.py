"""What could be measured next, before it is known what it would tell.

Every point that a probe reaches, in each state that the run had, under the meter alone or with a test resistor; a pin
driven to another level; resistance without power; a lifted part as the last resort. The resistor and the ohms range are
those of the run that is explained.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

from wakeboard.harness.describe.state import BenchState
from wakeboard.harness.explain.evidence.observe import MOST_OHMS, OHMS, REVERSED, VOLTS, Observation, told
from wakeboard.harness.explain.rank.suspects import priors
from wakeboard.harness.explain.unit.cases import Case, states_seen
from wakeboard.instruments.quantity import show
from wakeboard.instruments.virtual.circuit.bench.figures import OPEN_VOLTS, VOLTMETER_OHMS, test_amps
from wakeboard.results.records import Reading

TEST_OHMS = 10e3
"""The test resistor of a run that had none."""
LOW_CURRENT_RANGE = 100e3
"""Ω: some 10 µA, 0.1 V across 10 kΩ, with which junctions do not conduct."""
MOST_LIFTED = 4
"""Pins of a net that are worth lifting: more is a search, not a measurement."""
LIGHT_LOAD = 1e6
"""Ω from which a load is the meter itself, and no resistor."""


@dataclass(frozen=True)
class Idea:
    """A measurement before it is predicted; its observation has no value yet. lift: a part taken off first."""

    observation: Observation
    point: str
    effort: float
    does: str
    lift: str = ""


def ideas(case: Case, suspected: Iterable[str]) -> Iterator[Idea]:
    """All that could be measured and was not. suspected: texts of faults, whose parts may be lifted."""
    taken = {told(o) for o in case.observations}
    effort: Mapping[str, float] = priors()["effort"]
    for idea in (*_volts(case, effort), *_ohms(case, effort), *_lifting(case, suspected, effort)):
        o = idea.observation
        if idea.lift or told(o) not in taken:
            yield idea


def _points(case: Case) -> list[tuple[str, str]]:
    """(point, net), each net once, by its first point; supplies at their connectors."""
    found: dict[str, str] = {}
    for name, point in case.model.board.points.items():
        found.setdefault(point.net, name)
    for name, supply in case.model.board.supplies.items():
        found.setdefault(supply.net, name)
    known = set(case.model.circuit.nets)
    return [(point, net) for net, point in found.items() if net in known - {case.model.circuit.ground}]


def _volts(case: Case, effort: Mapping[str, float]) -> Iterator[Idea]:
    lines = {line.net for line in case.model.board.lines.values()}
    resistor = _test_resistor(case)
    for state, price, how in _states(case, effort):
        for point, net in _points(case):
            yield Idea(_reading(net, VOLTS, _loaded(state, VOLTMETER_OHMS)), point, price, f"measure {net}{how}")
            if net in lines:
                ohms = 1 / (1 / resistor + 1 / VOLTMETER_OHMS)
                does = f"measure {net} with {show(resistor, 'Ω')} from it to ground{how}"
                yield Idea(_reading(net, VOLTS, _loaded(state, ohms)), point, price + effort["test_resistor"], does)


def _states(case: Case, effort: Mapping[str, float]) -> Iterator[tuple[BenchState, float, str]]:
    """Bench states with the price of a reading in them: those the run had, and one pin more driven."""
    cut = case.run.trip.supply if case.run.trip else ""  # what the guard has cut is not switched on again
    seen = [state for state in states_seen(case.observations) if cut not in state.supplies]
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


def _test_resistor(case: Case) -> float:
    """Ω of the resistor that the run has loaded points with."""
    loads = [o.state.load_ohms for o in case.observations if o.state.load_ohms and o.state.load_ohms < LIGHT_LOAD]
    return min((1 / (1 / load - 1 / VOLTMETER_OHMS) for load in loads), default=TEST_OHMS)


def _ohms(case: Case, effort: Mapping[str, float]) -> Iterator[Idea]:
    """Resistance to ground as the run has measured it: with the bench's resistor across, where it had one. Then a tenth
    of the current is offered too, with which no junction conducts, so that a pull behind one shows."""
    across = max((o for o in case.observations if o.quantity == OHMS and o.shunt), key=_amps, default=None)
    price = effort["unpowered_ohms"]
    for point, net in _points(case):
        blank = replace(_reading(net, OHMS, BenchState()), test_amps=1e-4, open_volts=OPEN_VOLTS, top=12e3)
        if across is not None:
            blank = replace(
                blank, shunt=across.shunt, top=MOST_OHMS, test_amps=across.test_amps, open_volts=across.open_volts
            )
        does = f"without power, the resistance from {net} to ground"
        if across is not None and across.shunt:
            does += f" with {show(across.shunt, 'Ω')} across it"
        yield Idea(_at_range(blank, 10e3), point, price, does)
        yield Idea(_at_range(replace(blank, turned=True), 10e3), point, price, f"{does} with the leads reversed")
        if across is not None:
            low = replace(blank, test_amps=test_amps(LOW_CURRENT_RANGE))
            how = f" on the {show(LOW_CURRENT_RANGE, 'Ω')} range"
            yield Idea(_at_range(low, LOW_CURRENT_RANGE), point, price, does + how)


def _amps(o: Observation) -> float:
    return o.test_amps


def _at_range(o: Observation, ohms: float) -> Observation:
    return replace(o, reading=replace(o.reading, quantity=REVERSED if o.turned else OHMS, range=ohms))


def _lifting(case: Case, suspected: Iterable[str], effort: Mapping[str, float]) -> Iterator[Idea]:
    """Taking a suspected part off and reading its nets again."""
    states = [state for state, _, _ in _states(case, effort)][:1]
    circuit = case.model.circuit
    lifted = dict.fromkeys(_lifted(text) for text in suspected)
    for name in [p for p in lifted if p.partition(".")[0] in circuit][:MOST_LIFTED]:
        part, _, pin = name.partition(".")
        nets = {circuit.part(part).net(pin)} if pin else set(circuit.part(part).pins.values())
        price = effort["lift_pin" if pin else "lift_part"]
        for point, net in _points(case):
            if net in nets and net != circuit.ground:
                for state in states:
                    made = _reading(net, VOLTS, _loaded(state, VOLTMETER_OHMS))
                    yield Idea(made, point, price, f"lift {name}, then measure {net}", name)


def _lifted(text: str) -> str:
    """What is lifted to see whether a fault is there: the pin that something is hidden behind, else the part."""
    target, _, word = text.partition(":")
    return target if word.startswith(("stuck", "pull_up", "pull_down")) else target.partition(".")[0]


def _loaded(state: BenchState, ohms: float) -> BenchState:
    return BenchState(state.supplies, state.pins, ohms)


def _reading(net: str, quantity: str, state: BenchState) -> Observation:
    unit = "V" if quantity == VOLTS else "Ω"
    return Observation(net, quantity, state, math.nan, 1.0, 0, Reading(net, quantity, None, unit, state=state.key))
