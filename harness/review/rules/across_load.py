"""A diode that should catch what a coil or a motor gives back when it is switched off, drawn the other way round."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from wakeboard.harness.review.concern import Concern
from wakeboard.harness.review.study import Study
from wakeboard.instruments.quantity import show
from wakeboard.instruments.virtual.circuit.part import Part

LOADS = ("load", "motor", "speaker", "inductor")
CONDUCTS = 1e-3  # A from which it is no leakage


def find(study: Study) -> Iterator[Concern]:
    loads = [part for part in study.board.parts.values() if part.kind in LOADS]
    for diode in study.board.parts.values():
        if diode.kind in ("diode", "schottky"):
            for load in loads:
                if set(load.pins.values()) == set(diode.pins.values()):
                    yield from _conducting(study, diode, load)


def _conducting(study: Study, diode: Part, load: Part) -> Iterator[Concern]:
    amps = study.points.current(diode.name, "A")
    k = int(np.argmax(amps))
    if amps[k] > CONDUCTS:
        yield Concern(
            "reverse-path", True, tuple(diode.pins.values()), path=(diode.name, load.name), state=study.cases[k].state,
            value=float(amps[k]), unit="A", weight=float(amps[k]),
            says=f"{diode.name} lies across {load.name} and conducts {show(float(amps[k]), 'A')} while it is switched "
            f"on: {load.name} is shorted", do=f"turn {diode.name} round: it conducts only when {load.name} is let go",
        )  # fmt: skip
