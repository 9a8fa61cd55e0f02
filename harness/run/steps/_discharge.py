"""The discharge of each rail, measured after power-off and before a person is told to touch anything.

A supply may say that its output is off and feed the board all the same: a welded relay, a display that is wrong. Where
more current flows than its readback is off by, the guard sees it. Below that, the meter does: the supply's own net
stands at the voltage that it was set to, and the bench's resistor does not pull it down, as it would a capacitor. Then
the bench fails, not the board; `context.power.lying` has it, and the outputs are not confirmed off. On a bench without
a resistor, a net that has not moved from what its supply was set to is fed by something: whether by that supply nobody
can tell, so it is unknown (`context.power.doubtful`), and unknown is not off.
"""

from __future__ import annotations

import contextlib
import math
from dataclasses import replace
from typing import TYPE_CHECKING

from wakeboard.harness.run.decide import Limits
from wakeboard.results.told import DischargeTold

if TYPE_CHECKING:
    from collections.abc import Sequence

    from wakeboard.harness.run.context import Context
    from wakeboard.instruments.ports import Measurement

DONE = "discharge"  # what a run calls the measuring at its end, which no sequence asks for
CHARGED = "Do not touch it before it is discharged."  # of a unit that fails it
SAFE_VOLTS = 0.5  # below it no junction conducts and an ohms test is not far off (common practice, no source)
WITHIN = 60.0  # s
SET_SHARE, SET_VOLTS = 0.03, 0.15  # of a set voltage: programming, leads and meter together
MOVES = 0.01  # of a voltage that a resistor does not move: what it moves less is fed by a source
STANDS = 10.0  # s after which a net that has not moved does not discharge
WATCH = 2.0  # s with the resistor across: 100 µF at 10 kΩ lose most of their charge
PURPOSE = "Discharge: is it down?"
NOT_MEASURED = "not measured: capacitors may be charged; measure each rail by hand before touching"
WHY_STILL = "it holds charge, or is fed from elsewhere, or its supply is on whatever it says of itself: pull its leads"


def measure(context: Context, most: float | None = None, within: float = WITHIN) -> bool:
    """Read every supply's net and rail until it is below `most` volts, one after the other; True when all are."""
    ceiling = SAFE_VOLTS if most is None else most
    limits = Limits(None, ceiling, "" if most is None else "step")
    started, begins = context.time.now, len(context.log.readings)
    left: dict[str, str] = {}
    unseen = dict.fromkeys(context.drawn.power_nets)
    for net in context.meter.points(context.drawn.power_nets, purpose=PURPOSE):
        unseen.pop(net, None)
        remaining = max(0.0, within - (context.time.now - started))
        first, began = context.meter.volts() if context.bench.bleed_ohms is None else None, context.time.now
        seen = context.meter.drained(lambda m: m.value <= ceiling - 2 * m.u, remaining)
        lie = _lie(context, net, seen) if seen.value > ceiling else ""
        if not lie and first is not None and seen.value > ceiling and context.time.now - began >= STANDS:
            lie = "" if _moved(first, seen) else _doubt(context, net, seen)
        reading = context.log.record(net, "dc volts", seen, limits, outcome="error" if lie else None, says=lie)
        left.pop(net, None)
        if reading.outcome != "pass":
            left[net] = lie or f"{net} still at {seen.value:.2f} V"
    if context.power.lying or context.power.doubtful:
        _says_nothing_of_the_board(context, begins)
    context.log.tell(DischargeTold(context.time.now - started))
    if left:
        context.log.say(f"{'; '.join(left.values())}: do not touch; {WHY_STILL}")
    if unseen:
        _not_measured(context, list(unseen), begins)
    elif not left:
        context.log.say("every rail discharged")
    return not left


def _not_measured(context: Context, nets: Sequence[str], begins: int) -> None:
    """What nobody has measured is not called discharged."""
    if all(reading.value is None for reading in context.log.readings[begins:]):
        context.log.outcome = context.log.outcome or "skipped"
    context.log.say(f"{', '.join(nets)} {NOT_MEASURED}")


def not_measured(context: Context, supplies: Sequence[str]) -> str:
    """In words, where a person has stopped and no point was asked for: what the supplies, if any, say of themselves."""
    told = []
    for supply in supplies:
        with contextlib.suppress(Exception):  # a supply that does not answer has nothing to say
            volts = context.guard.sample(supply).volts
            if math.isfinite(volts):
                told.append(f"{supply}'s own output reads {volts:.2f} V")
    return NOT_MEASURED + (f" ({'; '.join(told)}, which says nothing of the rails)" if told else "")


def _says_nothing_of_the_board(context: Context, begins: int) -> None:
    """What a lying supply feeds is no failing board."""
    for place, reading in enumerate(context.log.readings[begins:], start=begins):
        if reading.outcome == "fail":
            context.log.readings[place] = replace(
                reading, outcome="error", says="a supply is on that says off, or may be"
            )


def _lie(context: Context, net: str, seen: Measurement) -> str:
    """How it is known that a supply of this net is on although it says off; "" where it is not known."""
    bleed = context.bench.bleed_ohms
    names = [
        name for name, each in context.board.supplies.items() if each.net == net and name in context.power.last_volts
    ]
    fits = [name for name in names if _is_set_to(context.power.last_volts[name], seen.value)]
    if not fits or bleed is None or fits[0] in context.power.on:
        return ""
    with context.meter.loaded(bleed) as put:
        if put is None:
            return ""
        before = context.meter.volts().value
        context.time.sleep(WATCH)
        after = context.meter.volts().value
    if not _is_set_to(context.power.last_volts[fits[0]], after) or before - after > MOVES * before:
        return ""
    name = fits[0]
    context.power.lying[name] = (
        f"{net} stands at {after:.2f} V, what {name} was set to, and {bleed:g} Ω do not pull it down: "
        f"{context.guard.instrument(name)} says that its output is off, and it is on. Do not believe its display: pull "
        "its leads"
    )
    return context.power.lying[name]


def _moved(first: Measurement, last: Measurement) -> bool:
    return first.value - last.value > max(MOVES * first.value, 2 * (first.u + last.u))


def _doubt(context: Context, net: str, seen: Measurement) -> str:
    """Why it is not known whether a supply of this net is off; "" where none of them was set to this."""
    names = [
        name for name, each in context.board.supplies.items() if each.net == net and name in context.power.last_volts
    ]
    fits = [name for name in names if _is_set_to(context.power.last_volts[name], seen.value)]
    if not fits or fits[0] in context.power.on:
        return ""
    context.power.doubtful[fits[0]] = (
        f"{net} has not moved from {seen.value:.2f} V, what {fits[0]} was set to, and this bench has no resistor to "
        f"put across: {WHY_STILL}"
    )
    return context.power.doubtful[fits[0]]


def _is_set_to(volts: float, seen: float) -> bool:
    return abs(seen - volts) <= SET_VOLTS + SET_SHARE * volts
