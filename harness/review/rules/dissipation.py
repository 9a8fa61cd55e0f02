"""A part that gets too hot with the loads as drawn."""

from __future__ import annotations

from collections.abc import Iterator

from wakeboard.harness.review.concern import Concern
from wakeboard.harness.review.study.study import Study
from wakeboard.instruments.quantity import show

DERATE = 0.8
"""Share of the rated power that a part should stay below at the supplies' nominal voltages; up to the rating at their
highest. Common practice, no source."""


def find(study: Study) -> Iterator[Concern]:
    for part in study.board.parts.values():
        rated = part.ratings.get("power")
        if not rated:
            continue
        watts = study.points.power(part.name)
        for k, case in study.each():
            if watts[k] > (DERATE if case.corner == "nominal" else 1.0) * rated:
                yield Concern(
                    "dissipation", bool(watts[k] > rated), tuple(dict.fromkeys(part.pins.values())), path=(part.name,),
                    state=case.state, value=float(watts[k]), unit="W", weight=float(watts[k] / rated),
                    says=f"{part.name} turns {show(float(watts[k]), 'W')} into heat; rated for {show(rated, 'W')}",
                    do="lower the voltage across it or the current through it, or choose a larger part",
                )  # fmt: skip
