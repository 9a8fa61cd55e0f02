"""A rail that should be off rises through pins and pulls."""

from __future__ import annotations

from collections.abc import Iterator

from wakeboard.harness.review.concern import Concern
from wakeboard.harness.review.study import OFF_LIMIT, Study
from wakeboard.instruments.quantity import show


def find(study: Study) -> Iterator[Concern]:
    for name, rail in study.board.rails.items():
        volts = study.volts(rail.net)
        lifted = {
            k: volts[k] for k, case in study.each() if volts[k] > OFF_LIMIT and not study.rail_should_be_on(name, case)
        }
        for k in study.worst_by_supplies(lifted).values():
            path = study.path_from_rail(k, rail.net)
            yield Concern(
                "phantom-power", True, (rail.net,), path=path, state=study.cases[k].state, value=volts[k], unit="V",
                weight=volts[k],
                says=f"{name} should be off and stands at {show(volts[k], 'V')}"
                + (f", fed through {' → '.join(path)}" if path else ""),
                do=f"move the pull-ups of lines into its parts to {rail.net}, or part the lines while it is off",
            )  # fmt: skip
