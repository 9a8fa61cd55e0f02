"""Unpowered resistance to ground, both polarities, fixed range, after a check that nothing is charged.

The reading with the meter's plus lead on the net is held against the limits: that is the way the supply will push. The
one with reversed leads is kept beside it: a resistor reads the same both ways, a junction does not.

An ohms input drives its test current into whatever is there, and 7 to 13 V stand on it while it is open: enough to
break a 1.8 V part on a net that draws nothing. So the range is never below 10 kΩ (about 100 µA), and where the bench
has a bleed resistor it stays across the net during the test: the net then sees no more than the test current through
that resistor (1 V at 100 µA and 10 kΩ). It is taken out of the reading by its conductance. Without one the meter leaves
the net at the first overload, and the step says what stood on it.

With `limits_from = "circuit"` a net whose limits the step does not give is held against the circuit's tolerance
analysis, which includes the clamp diodes of unpowered chips: at 100 µA and 10 kΩ they conduct and a lifted pin shows;
on the 100 kΩ range (10 µA, 0.1 V) they do not, and a pull shows by itself.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import TYPE_CHECKING, Literal

from wakeboard.harness.describe.sequence.step_model import Of, StepModel
from wakeboard.harness.describe.sequence.steps import Needs
from wakeboard.harness.describe.toml.fields import Ohms, OhmsLimits, Seconds
from wakeboard.harness.run.decide import COVERAGE, Limits, combined, decide, decide_beyond
from wakeboard.instruments.errors import BenchError
from wakeboard.instruments.ports import Measurement
from wakeboard.instruments.quantity import show
from wakeboard.instruments.virtual.circuit.bench.figures import PATH_OHMS
from wakeboard.instruments.virtual.circuit.bench.state import OhmsTest
from wakeboard.results.doubted import ALIKE
from wakeboard.results.told import OhmsTold

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from wakeboard.harness.describe.sequence.paper import Paper
    from wakeboard.harness.run.context import Context
    from wakeboard.results.records import Reading

KIND = "resistance"
NEEDS = Needs(power="off", clears=True)
TELLS = (OhmsTold,)
STOPS = True
FAILED = "Do not power it. Look for a solder bridge or a reversed part on the net named."

RESIDUAL_VOLTS = 0.05  # above this an ohms reading is wrong, and a charged rail is worth a wait
WAITS = (0.02, 0.05, 0.1, 0.2, 0.4, 0.8, 1.6)  # s between readings while capacitors charge through the test current
CAREFUL_WAITS = (0.5, 1.0, 2.0, 4.0)  # where more than a short is looked for: a slow tail must not pass for a part
WEAK_OHMS = 10e3  # a limit from here on looks for more: a transistor that half conducts charges what is behind evenly
AGREE = 0.0005  # two readings that agree this well have settled
SHORT_OHMS = 100.0  # what counts as no short where neither step nor board says more (common practice, no source)
# Ω; below 10 kΩ the test current grows until chips conduct; above 10 MΩ not every meter goes
RANGES = (10e3, 100e3, 1e6, 10e6)
ALIKE_SHARE = 0.03  # by which two ways may differ and read alike: a junction differs by far more
HIDES = 20.0  # times the resistor across: above it a limit drowns in the resistor's own tolerance


class Model(StepModel):
    """of: supplies, rails, lines, points or nets; expect: for the plus lead on the net; reversed: for reversed leads;
    limits_from: "circuit" where the step does not say; range: the fixed range, else the first one that the lower limit
    fits; shunt: whether the bleed resistor stays across during the test, by itself where no range is given;
    discharge_within: how long a charged net may take."""

    do: Literal["resistance"]
    of: Of = ("every supply",)
    expect: OhmsLimits | None = None
    reversed: OhmsLimits | None = None
    limits_from: Literal["circuit"] | None = None
    range: Ohms | None = None
    both_polarities: bool = True
    shunt: bool | None = None
    discharge_within: Seconds = 30.0


def on_paper(paper: Paper, table: Mapping[str, object]) -> None:
    """A supply is checked by its name, by its net, or by a point on the net."""
    names = paper.names(table.get("of", "every supply"))
    board = paper.board
    if table.get("limits_from") == "circuit" and not board.parts:
        paper.problem("limits_from", '"circuit" on a board without [parts]', "limits of the step's own: expect")
    if "all" in names or "every supply" in names:
        paper.checked |= set(board.supplies)
    nets = {board.points[name].net if name in board.points else name for name in names}
    paper.checked |= {name for name, supply in board.supplies.items() if name in names or supply.net in nets}


def run(context: Context, model: Model) -> None:
    context.power.need_off(KIND)
    limits = _limits(model)
    scale = model.range or _range_for(limits)
    wanted = model.range is None if model.shunt is None else model.shunt
    shunt = context.bench.shunt_ohms if wanted else None
    if shunt is not None and (limits.low or 0.0) > HIDES * shunt:
        shunt = None  # the resistor would hide what is looked for
    if shunt is not None and model.range is None:
        scale = next(each for each in RANGES if each >= shunt)
    _say_what_acts(context, scale, shunt)
    nets = context.drawn.nets(model.of)
    _foresee(context, model, nets, scale, shunt)
    for net in context.meter.points(nets, "ohms", "Ω"):
        if _discharged(context, net, model.discharge_within):
            outcome = _one(context, model, net, scale, limits, shunt)
            if outcome in ("pass", "marginal"):
                context.power.note_checked(net)
    _say_alike(context)


def _foresee(context: Context, model: Model, nets: Sequence[str], scale: float, shunt: float | None) -> None:
    """Have the circuit's limits of all nets computed together: one by one they take many times as long."""
    amps, open_volts = context.bench.ohms_test(scale)
    if model.limits_from != "circuit" or amps is None:
        return
    ways = [False] if model.expect is None else []
    if model.both_polarities and model.reversed is None:
        ways.append(True)
    reached = [net for net in nets if context.meter.reaches(net)]
    tests = [OhmsTest(net, amps, open_volts, turned, shunt) for net in reached for turned in ways]
    context.predictor.prepare_ohms(tests, context.time.computing)


def _limits(model: Model) -> Limits:
    if model.expect is None:
        return Limits(SHORT_OHMS, None, "")
    return Limits(model.expect.low, model.expect.high, "step")


def _range_for(limits: Limits) -> float:
    wanted = limits.high or 2 * (limits.low or SHORT_OHMS)
    return next((scale for scale in RANGES if scale >= wanted), RANGES[-1])


def _say_what_acts(context: Context, scale: float, shunt: float | None) -> None:
    amps, open_volts = context.bench.ohms_test(scale)
    volts = open_volts if shunt is None or amps is None else amps * shunt
    context.log.tell(OhmsTold(scale, amps, open_volts, volts, shunt))
    context.log.say(_acts(amps, volts, shunt))


@lru_cache(maxsize=64)
def _acts(amps: float | None, volts: float, shunt: float | None) -> str:
    current = show(amps, "A") if amps is not None else "a current that its dialect does not know"
    across = ", an open net included" if shunt is None or amps is None else f" across {show(shunt, 'Ω')}"
    return f"the meter tests with {current}: up to {show(volts, 'V')}{across}"


def _discharged(context: Context, net: str, within: float) -> bool:
    """Whether the net holds no charge; where it keeps one, a failed reading says so and no ohms test is made."""
    seen = context.meter.drained(lambda m: abs(m.value) <= RESIDUAL_VOLTS, within)
    if abs(seen.value) <= RESIDUAL_VOLTS:
        return True
    limits = Limits(-RESIDUAL_VOLTS, RESIDUAL_VOLTS, "")
    context.log.record(net, "dc volts", seen, limits, outcome="fail", says="still charged: no ohms test was made")
    return False


def _one(context: Context, model: Model, net: str, scale: float, limits: Limits, shunt: float | None) -> str:
    """Both polarities of one net; the resistor stays across until the meter has left its ohms function."""
    if shunt is not None:
        context.bench.probing.load(shunt)
    try:
        held = limits if model.expect is not None else _by_circuit(context, model, net, scale, shunt, False) or limits
        outcome = _record(context, net, "ohms", _settled(context, scale, _careful(model)), held, shunt)
        if model.both_polarities:
            _reversed(context, model, net, scale, shunt)
        if shunt is None:  # the test has charged the net to a volt and more: leave nothing behind
            context.meter.drained(lambda m: abs(m.value) <= RESIDUAL_VOLTS, model.discharge_within)
    finally:
        if shunt is not None:
            context.bench.probing.load(None)
    return outcome


def _reversed(context: Context, model: Model, net: str, scale: float, shunt: float | None) -> None:
    if not context.meter.reverse(True):
        context.log.notes.one_polarity = True
        return
    if model.reversed is not None:
        limits = Limits(model.reversed.low, model.reversed.high, "step")
    else:
        limits = _by_circuit(context, model, net, scale, shunt, True) or Limits()
    _record(context, net, "ohms reversed", _settled(context, scale, _careful(model)), limits, shunt)
    context.meter.reverse(False)


def _say_alike(context: Context) -> None:
    """By hand nobody sees whether the leads were turned: nets that read alike both ways are named once."""
    if not context.bench.probing.by_hand:
        return
    forward, turned = (
        {each.of: each for each in context.log.readings if each.quantity == quantity}
        for quantity in ("ohms", "ohms reversed")
    )
    alike = [net for net in forward if net in turned and _reads_alike(forward[net], turned[net])]
    if alike:
        context.log.notes.alike = alike
        context.log.say(f"{', '.join(alike)} {ALIKE}")


def _reads_alike(forward: Reading, turned: Reading) -> bool:
    if "skipped" in (forward.outcome, turned.outcome):
        return False
    if forward.value is None or turned.value is None:
        return forward.value is turned.value
    room = COVERAGE * math.hypot(forward.u or 0.0, turned.u or 0.0)
    return abs(forward.value - turned.value) <= max(ALIKE_SHARE * abs(forward.value), room)


def _by_circuit(
    context: Context, model: Model, net: str, scale: float, shunt: float | None, turned: bool
) -> Limits | None:
    """What the unpowered circuit shows in this very test; None where it was not asked for or is not known."""
    amps, open_volts = context.bench.ohms_test(scale)
    if model.limits_from != "circuit" or amps is None:
        return None
    return context.predictor.ohms(OhmsTest(net, amps, open_volts, turned, shunt), context.time.computing)


def _careful(model: Model) -> bool:
    return model.limits_from == "circuit" or (_limits(model).low or 0.0) >= WEAK_OHMS


def _settled(context: Context, scale: float, careful: bool) -> Measurement:
    """A reading that repeats, since capacitors charge through the test current first; the first overload ends it."""
    last = context.meter.ohms(scale)
    if context.bench.at_once:
        return last
    for wait in CAREFUL_WAITS if careful else WAITS:
        if last.overload:
            return last
        context.time.sleep(wait)
        now = context.meter.ohms(scale)
        if not now.overload and abs(now.value - last.value) <= AGREE * abs(now.value) + 2 * now.u:
            return now
        last = now
    return last


def _record(context: Context, net: str, quantity: str, seen: Measurement, limits: Limits, shunt: float | None) -> str:
    if shunt is not None:
        return _without_shunt(context, net, quantity, seen, limits, shunt)
    if not seen.overload:
        return context.log.record(net, quantity, seen, limits).outcome
    scale = seen.range or RANGES[0]
    says = f"above the range of {show(scale, 'Ω')}"
    return context.log.record(net, quantity, seen, limits, outcome=decide_beyond(scale, limits), says=says).outcome


def _without_shunt(context: Context, net: str, quantity: str, seen: Measurement, limits: Limits, shunt: float) -> str:
    """Take the known resistor out, and decide on conductance: near infinity only that has a finite uncertainty."""
    if seen.overload:
        raise BenchError(f"the {show(shunt, 'Ω')} resistor across {net} is not seen by the meter: check its wiring")
    parallel = max(seen.value, 1e-3)
    siemens = 1.0 / parallel - 1.0 / shunt
    u = combined(math.hypot(seen.u, PATH_OHMS / math.sqrt(3)) / parallel**2, context.bench.shunt_u(shunt) / shunt**2)
    if parallel < shunt / 2:
        # Near a short it is the ohms that have a finite uncertainty: there the path's ohm would drown all siemens.
        at = math.hypot(seen.u, PATH_OHMS / math.sqrt(3)) / (1.0 - parallel / shunt) ** 2
        near = Measurement(1.0 / siemens, "Ω", at, seen.range, False, seen.time)
        return context.log.record(net, quantity, near, limits).outcome
    bounds = Limits(1.0 / limits.high if limits.high else None, 1.0 / limits.low if limits.low else None)
    outcome = decide(siemens, u, bounds)
    if siemens > COVERAGE * u:
        value, says = 1.0 / siemens, ""
        ohms = Measurement(value, "Ω", value**2 * u, seen.range, False, seen.time)
    else:
        says = f"above {show(1.0 / max(siemens + COVERAGE * u, 1e-12), 'Ω', digits=2)}"
        ohms = Measurement(math.inf, "Ω", math.inf, seen.range, True, seen.time)
    return context.log.record(net, quantity, ohms, limits, outcome=outcome, says=says).outcome
