"""What stands at a regulator: its kind, what it is set to, whether it is switched on, how near it is to its limits."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from wakeboard.harness.review.study.study import Study
    from wakeboard.instruments.virtual.circuit.part import Part

FIXED: Final = ("ldo", "buck", "boost")
ADJUSTABLE: Final = ("adjustable_ldo", "adjustable_buck", "adjustable_boost")
REGULATORS: Final = (*FIXED, *ADJUSTABLE)
SWITCHES: Final = ("load_switch",)
CHARGERS: Final = ("charger", "programmed_charger")
DROPOUTS: Final = {"ldo": 0.2, "adjustable_ldo": 0.2, "buck": 0.1, "adjustable_buck": 0.1}
"""V where the drawing names none, by kind: what the circuit takes too."""

IN_LINE: Final = 10e3
"""Ω; a resistor up to this lies in a control line, a larger one holds it; common practice, no source."""

OPEN: Final = 0.5  # share of an enable's way from off to on above which it counts as on


def feeders(study: Study, net: str) -> list[Part]:
    """The regulators and load switches whose output is a net."""
    kinds = (*REGULATORS, *SWITCHES)
    return [part for part in study.board.parts.values() if part.kind in kinds and part.pins.get("OUT") == net]


def set_volts(study: Study, part: Part) -> float | None:
    """V that a regulator is set to; None where no divider sets it (its output runs to its input)."""
    if part.kind in FIXED:
        return float(part.values["volts"])
    share = divided(study, part)
    return float(part.values["reference"]) / share if share else None


def divided(study: Study, part: Part) -> float:
    """The share of its output that the resistors at FB bring there; 0 where none does."""
    feedback, out, ground = part.pins["FB"], part.pins["OUT"], study.board.ground
    if feedback == out:
        return 1.0
    nodes, edges = _resistors_from(study, feedback, {out, ground})
    index = {net: k for k, net in enumerate(nodes)}
    matrix = np.eye(len(nodes)) * 1e-12
    known = np.zeros(len(nodes))
    for a, b, siemens in edges:
        for one, other in ((a, b), (b, a)):
            if one in index:
                matrix[index[one], index[one]] += siemens
                if other in index:
                    matrix[index[one], index[other]] -= siemens
                elif other == out:
                    known[index[one]] += siemens
    share = float(np.linalg.solve(matrix, known)[index[feedback]])
    return share if share > 1e-3 else 0.0


def _resistors_from(study: Study, start: str, ends: set[str]) -> tuple[list[str], list[tuple[str, str, float]]]:
    """The nets that resistors join to `start` without passing an end or a rail, and those resistors."""
    fixed = ends | {rail.net for rail in study.board.rails.values()}
    at: dict[str, list[tuple[str, str, float]]] = defaultdict(list)
    for part in study.board.parts.values():
        if part.kind == "resistor":
            a, b = part.pins.values()
            edge = (a, b, 1 / max(float(part.values["value"]), 1e-3))
            at[a].append(edge)
            at[b].append(edge)
    nodes, edges = [start], []
    for net in nodes:
        for edge in at[net]:
            if edge in edges:
                continue
            edges.append(edge)
            other = edge[1] if edge[0] == net else edge[0]
            if other not in fixed and other not in nodes:
                nodes.append(other)
    return nodes, edges


def in_line(study: Study, net: str) -> set[str]:
    """The nets that a resistor joins to one that lies in the line, by its few ohms, instead of pulling."""
    return {
        other
        for part in study.board.parts.values()
        if part.kind == "resistor" and net in part.pins.values() and float(part.values["value"]) <= IN_LINE
        for other in part.pins.values()
        if other not in (net, study.board.ground)
    }


def enabled(study: Study, part: Part, case: int) -> bool:
    """Whether its enable is on in a case: always, for a part without one."""
    if "EN" not in part.pins:
        return True
    volts = float(study.points.pin_volts(part.name, "EN")[case]) - float(study.points.pin_volts(part.name, "GND")[case])
    above = volts >= float(part.values.get("enable_above", 1.0))
    return above != bool(part.values.get("active_low"))


def limited(study: Study, part: Part, case: int) -> bool:
    """Whether it gives all the current that it can."""
    limit = float(part.values.get("limit", 0.5 if part.kind in REGULATORS else 1e3))
    return float(-study.points.current(part.name, "OUT")[case]) > 0.98 * limit


def dropout(part: Part) -> float:
    """V that a step-down regulator needs above its output."""
    return float(part.values.get("dropout", DROPOUTS.get(part.kind, 0.0)))


def chargers(study: Study) -> Iterator[Part]:
    return (part for part in study.board.parts.values() if part.kind in CHARGERS)
