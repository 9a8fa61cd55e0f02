"""A rail without a way to be on: its regulator's enable is open or held off, or nothing feeds it."""

from __future__ import annotations

from collections.abc import Iterator

from wakeboard.harness.review.concern import Concern
from wakeboard.harness.review.rails import NEVER_ON, RailFault
from wakeboard.harness.review.study import Study
from wakeboard.harness.review.supplied import SWITCHES
from wakeboard.instruments.quantity import show


def find(study: Study) -> Iterator[Concern]:
    for fault in study.rails.faults:
        if fault.cause == NEVER_ON:
            yield _never(study, fault)


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
    is_open = study.floating(net, fault.case)
    found = f"floats: nothing holds {net}" if is_open else f"sits at {show(volts, 'V')}"
    what = "switch" if part.kind in SWITCHES else "regulator"
    setting = " and ".join(f"{pin} {at}" for pin, at in rail.on_when.items())
    return Concern(
        "never-on", True, (rail.net, net), path=(part.name,), state=case.state, value=volts, unit="V", weight=1.0,
        says=f"{fault.rail} should be on{' with ' + setting if setting else ''} and never is: {part.name}'s enable "
        f"{found}, and the {what} is on {'below' if level == 'low' else 'above'} {show(needs, 'V')}",
        do=f"hold {net} {level}, or drive it from a pin and name that in the rail's on_when",
    )  # fmt: skip
