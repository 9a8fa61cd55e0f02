"""Supply against meter at two low voltages, before a supply gives its full one for the first time in a run.

    start = prove(context, "USB", setting)        0.8: from there the ramp may go on; 0.0: nothing was tried

The short check cannot see a wrong bench: a meter whose lead is off, or in its current jack, reads "no short". So the
supply is first switched on at a few tenths of a volt, at which nothing on a board conducts, without the meter on its
net (where relays can take it off), then with it. Two voltages, because a meter that answers an earlier question, or
shows a held value, agrees with one of them. What disagrees is the bench's fault: the outcome is "error".

`diagnose` is a pure function of what was seen.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from wakeboard.harness.run.errors import SkipPoint, Tripped
from wakeboard.harness.run.fitness.atrest import HAND_TRIES
from wakeboard.harness.run.services.envelope import envelope_of
from wakeboard.instruments.errors import BenchError
from wakeboard.instruments.quantity import show

if TYPE_CHECKING:
    from wakeboard.harness.run.context import Context
    from wakeboard.harness.run.guard.core import Sample
    from wakeboard.harness.run.guard.owner import Setting

SHARES = (0.2, 0.4)  # of the voltage to come, but …
MOST = (0.4, 0.8)  # … at most these, in V: below a junction's voltage, and below what counts as discharged
ROOM = 0.08  # V between the two instruments: readback of a simple supply (20 mV and a step), drop in the leads
LEAST = 2.5 * ROOM  # V: below this two voltages cannot be told apart
MARGIN = 1.0  # V above the setting before the guard cuts: a net may still hold a few tenths of a volt
SETTLE = 0.05  # s


NOTHING_SEEN = (
    "its lead is off, in another jack, or on the terminals at the back; or the leads of the supply are on another net "
    "than the bench file says"
)


class WrongWiring(BenchError):
    """Supply and meter do not agree: the bench is wired, or an instrument set, otherwise than its file says."""


@dataclass(frozen=True, slots=True)
class Seen:
    """One voltage on one net, V: what the supply says of itself and what the meter shows there."""

    supply: float
    meter: float

    @property
    def agree(self) -> bool:
        return abs(self.supply - self.meter) <= ROOM


def diagnose(low: Seen, high: Seen) -> str:
    """What is wrong, in words; "" where supply and meter agree at both voltages."""
    if low.agree and high.agree:
        return ""
    if all(abs(each.meter) <= ROOM / 2 for each in (low, high)):
        return f"the meter sees nothing: {NOTHING_SEEN}"
    if all(abs(each.meter + each.supply) <= ROOM for each in (low, high)):
        return "the leads are reversed: of the meter, or of the supply"
    if abs(high.meter - low.meter) <= ROOM / 2:
        return (
            "the meter shows the same at both: it holds its display, answers an earlier question, or is on a net that "
            "something else feeds"
        )
    return "a lead with a bad contact, a wrong range, or an instrument that is out of its accuracy"


def elsewhere(expected: float, found: Mapping[str, float]) -> str | None:
    """The net among others that shows the voltage which is missing, or comes nearest to it; None where none does."""
    fits = {abs(volts - expected): net for net, volts in found.items() if abs(volts - expected) <= ROOM < abs(volts)}
    return fits[min(fits)] if fits else None


def prove(context: Context, supply: str, setting: Setting) -> float:
    """Compare at two low voltages. Gives the volts from which the real ramp may start; 0.0 where nothing was tried.

    Raises WrongWiring; Tripped where the board itself takes too much. The output is off when it returns.
    """
    net = context.board.supplies[supply].net
    levels = [min(share * setting.volts, most) for share, most in zip(SHARES, MOST, strict=True)]
    if not context.bench.self_check or context.power.on or not context.meter.reaches(net) or levels[1] < LEAST:
        return 0.0
    if not context.bench.probing.by_hand:
        context.bench.probing.release()
    then = f"Then the probe is asked for at {net}, to compare supply and meter"
    context.log.say(context.power.clear_hands(supply, levels, setting.limit, then))
    try:
        low, high = (_shown(context, supply, net, replace(setting, volts=volts)) for volts in levels)
    except SkipPoint:
        context.guard.off(supply)
        context.log.say(f"supply and meter were not compared at {net}: skipped")
        return levels[0]
    _keep(context, supply, net, low, high)
    return levels[1]


def _shown(context: Context, supply: str, net: str, setting: Setting) -> Seen:
    """As `_at`, with the supply among those that are on meanwhile: whoever looks must not read that all is off."""
    context.power.on[supply] = (setting.volts, setting.limit)
    try:
        return _at(context, supply, net, setting)
    finally:
        context.power.on.pop(supply, None)  # what breaks it off switches off at once, and so little needs no discharge


def _at(context: Context, supply: str, net: str, setting: Setting) -> Seen:
    """One voltage: on, without the meter where it can be taken off, then with it; off again."""
    _switch_on(context, supply, setting)
    alone = context.guard.sample(supply)
    try:
        context.meter.reach(net)
        context.time.sleep(SETTLE)
        volts, both = _compared(context, supply)
    except Tripped as error:
        raise _shorted(supply, net, alone.volts) from error
    if both.mode == "cc" and alone.mode != "cc":
        raise _shorted(supply, net, alone.volts)
    seen = Seen(both.volts, volts)
    if not seen.agree and context.bench.probing.by_hand:
        seen = _asked_again(context, supply, net, seen)
    if not seen.agree and abs(volts) <= ROOM / 2:
        _look_elsewhere(context, supply, net, seen)
    if not context.guard.off(supply).confirmed:
        raise BenchError(f"{supply} could not be switched off again at {setting.volts:g} V: nothing more is energised",
                         instrument=context.guard.instrument(supply))  # fmt: skip
    return seen


def _compared(context: Context, supply: str) -> tuple[float, Sample]:
    volts = context.meter.held_volts(lambda: _loaded_volts(context), ROOM / 2)
    return volts, context.guard.sample(supply)


def _asked_again(context: Context, supply: str, net: str, seen: Seen) -> Seen:
    """By hand the likeliest cause is a probe on another point: it is asked for again, at this voltage and no other.
    Raises WrongWiring where that does not help."""
    for _ in range(HAND_TRIES - 1):
        context.bench.probing.again(
            f"the meter reads {_volts(seen.meter)} where {supply} gives {_volts(seen.supply)}: is the red lead on this "
            "point, black on ground?"
        )
        context.time.sleep(SETTLE)
        volts, both = _compared(context, supply)
        seen = Seen(both.volts, volts)
        if seen.agree:
            return seen
    context.guard.off(supply)
    raise WrongWiring(
        f"at {net} {supply} gives {_volts(seen.supply)} and the meter reads {_volts(seen.meter)}, at {HAND_TRIES} "
        f"tries: {_by_hand(seen)}; nothing is known of the board",
        instrument=context.bench.meter_name,
    )


def _by_hand(seen: Seen) -> str:
    """What is wrong where one voltage does not agree, the likeliest first."""
    if abs(seen.meter + seen.supply) <= ROOM:
        return "the leads are reversed: of the meter, or of the supply"
    other = "the probe is on another point"
    if abs(seen.meter) <= ROOM / 2:
        return f"{other}, or {NOTHING_SEEN}"
    return f"{other}, or the meter holds its display, or a lead has a bad contact"


def _milli(volts: float) -> str:
    return f"{round(volts, 3) + 0.0:.3f} V"  # no -0.000


def _volts(volts: float) -> str:
    return show(round(volts, 6) + 0.0, "V", 3)


def _loaded_volts(context: Context) -> float:
    """With the bench's resistor across where relays can put it: a net that is only reached through a diode's leakage
    would else follow the voltage of another one."""
    bleed = context.bench.shunt_ohms
    if bleed is None:
        return context.meter.volts().value
    with context.meter.loaded(bleed):
        context.time.sleep(SETTLE)
        return context.meter.volts().value


def _switch_on(context: Context, supply: str, setting: Setting) -> None:
    held = envelope_of(context, supply, setting.volts, setting.limit, None, None)
    context.time.pulse()
    context.guard.energise(supply, setting, replace(held, margin_volts=MARGIN), None)
    context.time.sleep(held.inrush_s + held.lag_s + SETTLE)


def _shorted(supply: str, net: str, volts: float) -> WrongWiring:
    return WrongWiring(
        f"{supply} stood at {volts:.3f} V until the meter was put on {net}, and limits its current with it: a lead of "
        "the meter is in its current jack, or the way to the meter is shorted; nothing is known of the board",
        instrument="meter",
    )


def _look_elsewhere(context: Context, supply: str, net: str, seen: Seen) -> None:
    """Where the voltage is instead, if relays can look for it. Raises WrongWiring where it is found."""
    if context.bench.probing.by_hand:
        return
    found = {}
    for other in context.drawn.power_nets:
        if other != net:
            context.meter.reach(other)
            found[other] = _loaded_volts(context)
    there = elsewhere(seen.supply, found)
    if there is not None:
        owners = [name for name, each in context.board.supplies.items() if each.net == there]
        belongs = f"{there}, the net of {owners[0]}" if owners else there
        raise WrongWiring(
            f"{supply} is at {seen.supply:.3f} V and shows on {belongs}, not on {net}: its leads are wired otherwise "
            "than the bench file says, or the scanner's channels are on each other's nets",
            instrument=context.guard.instrument(supply),
        )


def _keep(context: Context, supply: str, net: str, low: Seen, high: Seen) -> None:
    context.log.notes.bench_check = {
        "supply_volts": [low.supply, high.supply], "meter_volts": [low.meter, high.meter], "net": net,
    }  # fmt: skip
    wrong = diagnose(low, high)
    if not wrong:
        context.bench.leads.shown(supply)
    if wrong:
        raise WrongWiring(
            f"at {net} the supply {supply} says {_milli(low.supply)} and {_milli(high.supply)}, the meter "
            f"{_milli(low.meter)} and {_milli(high.meter)}: {wrong}; nothing is known of the board",
            instrument=context.bench.meter_name,
        )
