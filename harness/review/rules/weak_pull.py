"""A fitted pull that loses against a pull that a silent pin may hide."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from wakeboard.harness.describe.board.board import Line
from wakeboard.harness.describe.board.levels import LevelError, line_thresholds, rail_of
from wakeboard.harness.describe.board.preferred import values_between
from wakeboard.harness.review.concern import Concern
from wakeboard.harness.review.pulls import HiddenPull, is_silent, may_hide, pull_table
from wakeboard.harness.review.rules.undefined_level import judged
from wakeboard.harness.review.study.straps import every_strap, thresholds
from wakeboard.harness.review.study.study import Study
from wakeboard.instruments.quantity import Interval, show
from wakeboard.instruments.virtual.circuit.faults.fault import Fault
from wakeboard.instruments.virtual.circuit.model import Variant
from wakeboard.instruments.virtual.circuit.part import Part
from wakeboard.instruments.virtual.circuit.parts import kind_of

STEPS = 25  # ohms tried between the ends of a hidden pull's range
POWERED = 1.0  # V from which a part's pulls pull


@dataclass(frozen=True)
class Held:
    """A net that fitted pulls must hold: for whom, at which level, and the volts that count as that level."""

    name: str
    net: str
    level: str
    limits: Interval
    line: Line | None = None


def find(study: Study) -> Iterator[Concern]:
    for held in _every(study):
        fights = "pull_up" if held.level == "low" else "pull_down"
        for pin in silent_pins(study, held.net):
            pull = _hidden(study, held, pin)
            if pull is None:
                continue
            if pull.up if fights == "pull_up" else pull.down:
                yield from _fight(study, held, pin, fights, pull)


def _hidden(study: Study, held: Held, pin: str) -> HiddenPull | None:
    name, _, own = pin.partition(".")
    part = study.board.parts[name]
    if part.kind != "chip":
        return pull_table()["power_enable" if held.line is not None else "enable"]
    if not is_processor(study, part):
        return may_hide(own, held.net)
    straps = {each for straps in every_strap(study) if straps.part is part for each in straps.pins}
    listens = part.values["io"][own].get("type") == "input" or own in straps
    return may_hide(own, held.net, processor=True) if listens else None


def is_processor(study: Study, part: Part) -> bool:
    """Whether a chip runs a program: it is the target, says how it starts, or drives lines or rails where no target
    is named; beside a target, what drives a line is as well a radio that interrupts."""
    board = study.board
    if part.values.get("boots") or any(straps.part is part for straps in every_strap(study)):
        return True
    if board.target is not None and board.target.part:
        return _is_target(study, part)
    moved = [line.driven_by or "" for line in board.lines.values()]
    moved += [pin for rail in board.rails.values() for pin in rail.on_when]
    return any(pin.partition(".")[0] == part.name for pin in moved)


def _is_target(study: Study, part: Part) -> bool:
    return study.board.target is not None and study.board.target.part == part.name


def _every(study: Study) -> Iterator[Held]:
    """The lines with a level at boot, then the straps that are no line."""
    lines = set()
    for name, line in study.board.lines.items():
        level = line.when.get("boot")
        if level is not None:
            lines.add(line.net)
            try:
                yield Held(name, line.net, level, line_thresholds(study.board, line).limits(level), line)
            except LevelError:
                continue
    for straps in every_strap(study):
        part = straps.part
        for pin, wanted in straps.boots[straps.starts].items():
            if part.pins[pin] not in lines:
                rail = study.nominal(study.rail_net(part, part.values.get("io", {}).get(pin, {}))) or 3.3
                low, high = thresholds(part, pin, rail)
                limits = Interval(None, low) if wanted == "low" else Interval(high, None)
                yield Held(f"{part.name}'s strap {pin}", part.pins[pin], wanted, limits)


def silent_pins(study: Study, net: str) -> list[str]:
    """PART.PIN of what is on a net and whose pulls the board file does not say: chips' pins, enables of power parts."""
    chips = [f"{part.name}.{pin}" for part, pin, entry in study.chips() if part.pins[pin] == net and is_silent(entry)]
    enables = [
        f"{part.name}.EN"
        for part in study.board.parts.values()
        if part.kind != "chip" and part.pins.get("EN") == net and "enable_pull" not in part.values
    ]
    return [*chips, *(name for name in enables if kind_of(study.board.parts[name[:-3]]).pulls_to)]


def _fight(study: Study, held: Held, pin: str, fights: str, pull: HiddenPull) -> Iterator[Concern]:
    k = _settled_case(study, held, pin)
    if k is None:
        return
    ohms = np.geomspace(pull.low, pull.high, STEPS)
    case = study.cases[k]
    variants = [Variant((Fault(pin, fights, f"{r:.6g}"),), case.values()) for r in ohms]
    volts = np.array(study.solved(variants, held.net))
    ohms, volts = ohms[np.isfinite(volts)], volts[np.isfinite(volts)]
    limits = held.limits
    holds = volts <= limits.high if limits.high is not None else volts >= (limits.low or 0.0)
    if holds.all():
        return
    enough = float(ohms[np.argmax(holds)]) if holds.any() else None
    worst = float(volts[0])
    level = held.level
    asks = pull.guessed or bool(holds[np.searchsorted(ohms, (pull.low * pull.high) ** 0.5) :].all())
    beyond = worst - limits.high if limits.high is not None else (limits.low or 0.0) - worst
    yield Concern(
        "weak-pull", not asks, (held.net,), path=(pin.partition(".")[0],), state=case.state, value=worst, unit="V",
        weight=1.0, beyond=beyond,
        says=f"{held.name} should be {level} and the pin {pin} may hide a pull of {show(pull.low, 'Ω')} .. "
        f"{show(pull.high, 'Ω')} the other way ({pull.source}): the line would sit at {show(worst, 'V')}"
        + (f"; the fitted pull holds against {show(enough, 'Ω')} and up" if enough
           else "; the fitted pull holds against no value in that range"),
        do=_advice(study, held, pull),
        settles=f"{pin}'s data sheet: {_key(study, pin)}" if asks else "",
    )  # fmt: skip


def _key(study: Study, pin: str) -> str:
    """What to write into the board file once it is known."""
    chip = study.board.parts[pin.partition(".")[0]].kind == "chip"
    return 'pull_up, pull_down, or pulls = "none"' if chip else 'enable_pull = "none", "up" or "down"'


def _settled_case(study: Study, held: Held, pin: str) -> int | None:
    """A case in which the line is judged, undriven, holds its level as drawn, and the part that may pull is powered.

    A case in which no rail is switched is taken before one that has to be.
    """
    part = study.board.parts[pin.partition(".")[0]]
    found = [k for k, case in study.undriven() if case.corner == "nominal" and _settled(study, held, part, pin, k)]
    return min(found, key=lambda k: len(study.cases[k].drives), default=None)


def _settled(study: Study, held: Held, part: Part, pin: str, k: int) -> bool:
    case, volts = study.cases[k], float(study.points.net(held.net)[k])
    if held.line is not None and not judged(study, held.line, case, switched=True):
        return False
    if any(study.board.net_of(driven) == held.net for driven in case.drives):
        return False
    entry = part.values.get("io", {}).get(pin.partition(".")[2], {})
    rail = study.rail_net(part, entry) if part.kind == "chip" else part.pins[kind_of(part).pulls_to or "IN"]
    powered = float(study.points.net(rail)[k]) > POWERED
    return powered and volts in held.limits and not study.floating(held.net, k)


def _advice(study: Study, held: Held, pull: HiddenPull) -> str:
    """The pull that wins against the strongest hidden one, from the divider of the two."""
    rail = (rail_of(study.board, held.line) if held.line else study.nominal_at(held.net)) or 3.3
    high, low = held.limits.high, held.limits.low
    if held.level == "low" and high is not None:
        most = pull.low * high / (rail - high)
    else:
        most = pull.low * (rail - (low or 0.0)) / (low or rail)
    way = "down" if held.level == "low" else "up"
    fit = show(values_between(most / 10, most)[-1], "Ω")
    return f"fit a pull-{way} of {fit} or less on {held.net}, or find out what the pin pulls and write that down"
