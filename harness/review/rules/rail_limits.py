"""A rail outside its own limits with nothing wrong but the design; a button that takes a rail down."""

from __future__ import annotations

from collections.abc import Iterator

from wakeboard.harness.review.concern import Concern
from wakeboard.harness.review.rules.level_mismatch import ABOVE_RAIL, PIN_AMPS
from wakeboard.harness.review.study.rails import LIFTED, OUTSIDE, OVERLOAD, RailFault
from wakeboard.harness.review.study.study import Study
from wakeboard.instruments.quantity import show
from wakeboard.instruments.virtual.circuit.model import Variant
from wakeboard.instruments.virtual.circuit.part import Part
from wakeboard.instruments.virtual.circuit.solver.points import Points

UNSEEN = 0.1  # V by which a net has to move for a press to be seen


def find(study: Study) -> Iterator[Concern]:
    for fault in study.rails.faults:
        if fault.cause in (OUTSIDE, OVERLOAD, LIFTED):
            yield _outside(study, fault)
    yield from _buttons(study)


def _outside(study: Study, fault: RailFault) -> Concern:
    rail = study.board.rails[fault.rail]
    limits = rail.limits
    allowed = limits.show("V") if limits else "anything but 0 V"
    part = fault.part
    lifted = fault.cause == LIFTED
    path = (part.name,) if part and not lifted else study.path_from_rail(fault.case, rail.net)
    if fault.cause == OVERLOAD and part:
        why, do = f"{part.name} gives all the current that it can", f"a larger part than {part.name}, or less load"
    elif lifted:
        why = f"more than its regulator gives, it is lifted through {' → '.join(path)}"
        do = f"cut that path: what drives or pulls there is on a higher rail than {rail.net}"
    elif part and fault.aim is not None:
        why, do = f"{part.name} is made for {show(fault.aim, 'V')}", f"fit the {part.name} of {rail.net}'s voltage"
    else:
        through = " → ".join(path)
        why = f"it is fed through {through}" if path else "nothing that is on feeds it"
        do = f"look at what lies between its source and {rail.net}, which way round it is drawn, and what it drops"
    return Concern(
        "rail-limits", True, (rail.net,), path=path, state=study.cases[fault.case].state, value=fault.volts, unit="V",
        weight=_distance(fault, study),
        says=f"{fault.rail} stands at {show(fault.volts, 'V')} and may be {allowed}: {why}", do=do,
    )  # fmt: skip


def _distance(fault: RailFault, study: Study) -> float:
    limits = study.board.rails[fault.rail].limits
    if limits is None:
        return 0.0
    below = (limits.low or 0.0) - fault.volts
    return max(below, fault.volts - (limits.high if limits.high is not None else fault.volts))


def _buttons(study: Study) -> Iterator[Concern]:
    """Pressing a button may not take down a rail that is up."""
    buttons = [part for part in study.board.parts.values() if part.kind == "button"]
    rails = {rail.net: name for name, rail in study.board.rails.items()}
    known = [k for k, case in study.undriven() if case.corner == "nominal" and not case.drives]
    if not buttons or not known:
        return
    k = known[-1]
    values = study.cases[k].values()
    points = study.model.solve([Variant(values={**values, f"{b.name}.pressed": True}) for b in buttons])
    for row, button in enumerate(buttons):
        if points.status[row] != "ok":
            continue
        yield from _idle(study, button, points, row, k)
        yield from _lifting(study, button, points, row, k)
        for net, name in rails.items():
            before, after = study.volts(net)[k], float(points.net(net)[row])
            if net not in study.rails.bad[k] and before > 1.0 and after < 0.9 * before:
                yield Concern(
                    "rail-limits", True, (net,), path=(button.name,), state=study.cases[k].state, value=after, unit="V",
                    says=f"pressing {button.name} takes {name} from {show(before, 'V')} to {show(after, 'V')}",
                    do=f"put a resistor in series with {button.name}, or move it to the line that it was meant for",
                )  # fmt: skip


def _lifting(study: Study, button: Part, points: Points, row: int, k: int) -> Iterator[Concern]:
    """A button that joins an input to a higher rail than its own."""
    for part, pin, entry in study.chips():
        net, rail = part.pins[pin], study.rail_net(part, entry)
        volts, own = float(points.net(net)[row]), float(points.net(rail)[row])
        amps = float(points.current(part.name, pin)[row])
        if net in button.pins.values() and volts > own + ABOVE_RAIL and amps > PIN_AMPS and entry.get("clamp", True):
            yield Concern(
                "level-mismatch", True, (net, rail), path=(button.name, part.name), state=study.cases[k].state,
                value=volts, unit="V", weight=amps,
                says=f"pressing {button.name} lifts {net} to {show(volts, 'V')}, above the {show(own, 'V')} of "
                f"{part.name}.{pin}'s rail: {show(amps, 'A')} flow through the pin's clamp",
                do=f"lead the other side of {button.name} to ground, or to {rail}",
            )  # fmt: skip


def _idle(study: Study, button: Part, points: Points, row: int, k: int) -> Iterator[Concern]:
    """A button that joins a rail and a net that is pulled up to it: pressing it is not seen."""
    ends = list(button.pins.values())
    before = [study.volts(net)[k] for net in ends]
    after = [float(points.net(net)[row]) for net in ends]
    if not any(study.rails_on(net) for net in ends):  # to ground: what holds the line low is told by its level
        return
    still = all(abs(a - b) < UNSEEN for a, b in zip(after, before, strict=True))
    if still and not any(study.floating(net, k) for net in ends):
        line = next((net for net in ends if not study.rails_on(net) and net != study.board.ground), ends[0])
        yield Concern(
            "undefined-level", False, (line,), path=(button.name,), state=study.cases[k].state,
            says=f"pressing {button.name} changes nothing: {' and '.join(ends)} stand at {show(before[0], 'V')} anyway",
            do=f"lead the other side of {button.name} to where {line} is not pulled",
        )  # fmt: skip
