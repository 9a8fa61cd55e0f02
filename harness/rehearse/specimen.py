"""The rehearsed unit's circuit with its parts' values written in, so that no trial has to draw them again.

A unit's parts are drawn within their tolerances by its serial number (instruments/virtual/bench.py). Hundreds of trials
are of the same unit: its values are drawn once here. A bench made of the result with `drawn=False` is the same unit as
one made of the board's own circuit with `drawn=True`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from wakeboard.instruments.virtual.bench import Prepared
    from wakeboard.instruments.virtual.circuit import Part


def settled_on(prepared: Prepared, unit: str) -> Prepared:
    """The same board, every part as it is in `unit`."""
    from wakeboard.instruments.virtual.bench import unit_seed
    from wakeboard.instruments.virtual.circuit import Circuit

    seed = unit_seed(unit)
    circuit = Circuit([_as_drawn(part, seed) for part in prepared.circuit.parts], ground=prepared.circuit.ground)
    return replace(prepared, circuit=circuit, model=circuit.compile())


def _as_drawn(part: Part, seed: int) -> Part:
    from wakeboard.instruments.virtual.circuit.tolerance import specimen

    if not part.tolerance and not part.bounds:
        return part
    values: dict[str, object] = dict(part.values)
    for path, value in specimen(part, seed).items():
        _put(values, path, value)
    return replace(part, values=values, tolerance={}, bounds={})


def _put(values: dict[str, Any], path: str, value: float) -> None:
    """At "ohms", or at "GPIO7.pull_up" in the table (io, supply) that has it."""
    head, dot, tail = path.partition(".")
    if not dot or path in values:
        values[path] = value
        return
    for table in ("io", "supply"):
        entries: Mapping[str, Any] = values.get(table, {})
        if tail in entries.get(head, {}):
            values[table] = {**entries, head: {**entries[head], tail: value}}
            return
    values[path] = value
