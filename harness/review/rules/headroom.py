"""A regulator whose input is too low for its output."""

from __future__ import annotations

from collections.abc import Iterator

from wakeboard.harness.review.concern import Concern
from wakeboard.harness.review.study import Study
from wakeboard.instruments.quantity import show

SLACK = 0.005  # relative: what a load may pull a regulator down while it still regulates


def find(study: Study) -> Iterator[Concern]:
    for part in study.board.parts.values():
        if part.kind != "ldo" or "OUT" not in part.pins:
            continue
        nominal = float(part.values["volts"])
        low = nominal * (1 - SLACK)
        inputs, outputs = study.volts(part.pins["IN"]), study.volts(part.pins["OUT"])
        rails = study.rails_on(part.pins["OUT"])
        for k, case in study.undriven():
            on = any(study.rail_should_be_on(rail.name, case) for rail in rails)
            if on and outputs[k] < low and inputs[k] - nominal < float(part.values.get("dropout", 0.3)):
                yield Concern(
                    "headroom", outputs[k] < 0.95 * nominal, (part.pins["OUT"], part.pins["IN"]), path=(part.name,),
                    state=case.state, value=inputs[k] - nominal, unit="V", weight=low - outputs[k],
                    says=f"{part.name} has {show(inputs[k], 'V')} at its input for {show(nominal, 'V')}: it drops out, "
                    f"{part.pins['OUT']} is {show(outputs[k], 'V')}",
                    do="raise the least supply voltage, lower the drops before it, or choose a lower dropout or output",
                )  # fmt: skip
