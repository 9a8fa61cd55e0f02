"""A rail that should be off rises through pins and pulls."""

from __future__ import annotations

from collections.abc import Iterator

from wakeboard.harness.review.cells import chargers_off, without_chargers
from wakeboard.harness.review.concern import Concern
from wakeboard.harness.review.study import OFF_LIMIT, Study
from wakeboard.instruments.quantity import show
from wakeboard.instruments.virtual.circuit.fault import Fault
from wakeboard.instruments.virtual.circuit.model import Variant

LEAK_OHMS = 100e3
"""Ω from the rail to ground that a mere leak cannot lift; common practice, no source."""


def find(study: Study) -> Iterator[Concern]:
    points = without_chargers(study)
    for name, rail in study.board.rails.items():
        volts = [float(v) for v in points.net(rail.net)]
        lifted = {
            k: volts[k] for k, case in study.each() if volts[k] > OFF_LIMIT and not study.rail_should_be_on(name, case)
        }
        for k in _held(study, rail.net, list(study.worst_by_supplies(lifted).values())):
            path = study.path_from_rail(k, rail.net)
            yield Concern(
                "phantom-power", True, (rail.net,), path=path, state=study.cases[k].state, value=volts[k], unit="V",
                weight=volts[k],
                says=f"{name} should be off and stands at {show(volts[k], 'V')}"
                + (f", fed through {' → '.join(path)}" if path else ""),
                do=f"move the pull-ups of lines into its parts to {rail.net}, or disconnect those lines while it is off",
            )  # fmt: skip


def _held(study: Study, net: str, cases: list[int]) -> list[int]:
    """The cases in which the rail stays up with LEAK_OHMS across it: less is the leak of transistors that are off."""
    if not cases:
        return []
    load = Fault(f"{net}+{study.board.ground}", "bridge", f"{LEAK_OHMS:g}")
    variants = [Variant((load,), {**study.cases[k].values(), **chargers_off(study)}) for k in cases]
    held = study.model.solve(variants).require().net(net)
    return [k for k, volts in zip(cases, held, strict=True) if volts > OFF_LIMIT]
