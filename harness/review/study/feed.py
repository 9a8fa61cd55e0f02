"""Through which parts a net is fed: the widest path of the solved currents."""

from __future__ import annotations

import heapq
from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Final

from wakeboard.instruments.virtual.circuit.bench.parts import is_supply

if TYPE_CHECKING:
    from wakeboard.instruments.virtual.circuit.part import Circuit

LEAST_AMPS: Final = 1e-13  # A; below it is what the solver leaves, no current


def feed_path(
    circuit: Circuit, amps: Mapping[tuple[str, str], float], sources: Sequence[str], net: str
) -> tuple[str, ...]:
    """The parts from one of the `sources` (nets) to `net`, along which the smallest current is the largest.

    amps: current into each (part, pin), A. Current runs from the net of a pin that takes it to the net of a pin of the
    same part that gives it. () when no current reaches the net.
    """
    leaving = _edges(circuit, amps)
    best: dict[str, float] = {}
    heap: list[tuple[float, int, str, tuple[str, ...]]] = [(-float("inf"), 0, source, ()) for source in sources]
    heapq.heapify(heap)
    while heap:
        width, length, at, path = heapq.heappop(heap)
        if at == net:
            return path
        if at in best:
            continue
        best[at] = -width
        for part, there, current in leaving[at]:
            if there not in best and there != circuit.ground and part not in path:
                heapq.heappush(heap, (max(width, -current), length + 1, there, (*path, part)))
    return ()


def _edges(circuit: Circuit, amps: Mapping[tuple[str, str], float]) -> Mapping[str, list[tuple[str, str, float]]]:
    leaving: dict[str, list[tuple[str, str, float]]] = defaultdict(list)
    for part in circuit.parts:
        if is_supply(part.name):
            continue
        taking = [(pin, amps[part.name, pin]) for pin in part.pins if amps[part.name, pin] > LEAST_AMPS]
        giving = [(pin, -amps[part.name, pin]) for pin in part.pins if amps[part.name, pin] < -LEAST_AMPS]
        for pin, inward in taking:
            for other, outward in giving:
                if part.pins[pin] != part.pins[other]:
                    leaving[part.pins[pin]].append((part.name, part.pins[other], min(inward, outward)))
    return leaving
