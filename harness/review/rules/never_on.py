"""A rail without a way to be on: its regulator's enable is open or held off, or nothing feeds it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from wakeboard.harness.review.concern import Concern
from wakeboard.harness.review.study.rails import NEVER_ON, RailFault
from wakeboard.harness.review.study.study import Study
from wakeboard.harness.review.study.supplied import SWITCHES
from wakeboard.instruments.quantity import show
from wakeboard.instruments.virtual.circuit.part import Part


def find(study: Study) -> Iterator[Concern]:
    told: set[str] = set()
    for fault in study.rails.faults:
        if fault.cause == NEVER_ON:
            told.add(study.board.rails[fault.rail].net)
            yield _never(study, fault)
    yield from _rings(study, told)


def _rings(study: Study, told: set[str]) -> Iterator[Concern]:
    """Regulators whose enables wait for one another: a solver may find them all on, at power-on they are all off."""
    waits = {part.pins["OUT"]: _waits_for(study, part) for part in study.board.parts.values() if "OUT" in part.pins}
    for net in waits:
        around = _around(waits, net)
        if around and not told & set(around) and net == min(around):
            names = [name for each in around for name in (rail.name for rail in study.rails_on(each))]
            yield Concern(
                "never-on", True, tuple(around), path=tuple(_fed_by(study, each) for each in around), weight=1.0,
                says=f"{' waits for '.join([*names, *names[:1]])}: at power-on none of them is up, and none comes",
                do=f"let the first of them go by what is there before: the input of {_fed_by(study, around[0])}",
            )  # fmt: skip


def _waits_for(study: Study, part: Part) -> str | None:
    """The one rail without which a part's enable cannot be on; None where a supply or a pin may bring it too."""
    net = part.pins.get("EN")
    if net is None or part.values.get("active_low") or part.values.get("enable_pull") == "up":
        return None
    rails = {rail.net for rail in study.board.rails.values()}
    if net in rails:
        return net
    held = [o.pins["VDD"] for o in study.board.parts.values() if o.kind == "supervisor" and o.pins["OUT"] == net]
    if held:
        return held[0] if held[0] in rails else None
    ends: set[str] = set()
    for other in study.board.parts.values():
        if other is part or net not in other.pins.values() or other.kind == "capacitor":
            continue
        if other.kind != "resistor":
            return None
        ends |= set(other.pins.values()) - {net, study.board.ground}
    return next(iter(ends)) if len(ends) == 1 and ends <= rails else None


def _around(waits: Mapping[str, str | None], start: str) -> list[str]:
    """The nets from one on, each waiting for the next, where the last waits for the first; empty where they do not."""
    seen, at = [start], waits.get(start)
    while at is not None and at not in seen:
        seen.append(at)
        at = waits.get(at)
    return seen if at == start else []


def _fed_by(study: Study, net: str) -> str:
    return next(part.name for part in study.board.parts.values() if part.pins.get("OUT") == net and "EN" in part.pins)


def _never(study: Study, fault: RailFault) -> Concern:
    rail, part, case = study.board.rails[fault.rail], fault.part, study.cases[fault.case]
    if part is None:
        says = f"{fault.rail} should be on and stands at {show(fault.volts, 'V')}: no part brings it anything"
        do = f"look for what should feed {rail.net}: a part turned round, a transistor that is never on, a missing link"
        return Concern(
            "never-on", True, (rail.net,), state=case.state, value=fault.volts, unit="V", weight=1.0, says=says, do=do
        )
    volts = float(study.points.pin_volts(part.name, "EN")[fault.case])
    net = part.pins["EN"]
    needs, level = float(part.values.get("enable_above", 1.0)), "low" if part.values.get("active_low") else "high"
    is_open = study.floating(net, fault.case) or len(study.circuit.on_net(net)) == 1
    found = f"floats: nothing holds {net}" if is_open else f"sits at {show(volts, 'V')}"
    what = "switch" if part.kind in SWITCHES else "regulator"
    setting = " and ".join(f"{pin} {at}" for pin, at in rail.on_when.items())
    return Concern(
        "never-on", True, (rail.net, net), path=(part.name,), state=case.state, value=volts, unit="V", weight=1.0,
        says=f"{fault.rail} should be on{' with ' + setting if setting else ''} and never is: {part.name}'s enable "
        f"{found}, and the {what} is on {'below' if level == 'low' else 'above'} {show(needs, 'V')}",
        do=f"hold {net} {level}, or drive it from a pin and name that in the rail's on_when",
    )  # fmt: skip
