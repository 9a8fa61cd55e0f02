"""Nets that nothing at all holds, found by what conducts between nodes rather than by the solved matrix.

The matrix cannot tell everywhere: beside the 10 kS of a link of 0 Ω the 1 pS to ground that an open net has is less
than a double resolves (1e4 · 2^-53 = 1.1e-12).
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from wakeboard.instruments.virtual.circuit.compiled.elements import GMIN
from wakeboard.instruments.virtual.circuit.solver.devices import SOURCE, Array, Mask
from wakeboard.instruments.virtual.circuit.solver.newton import System, evaluate
from wakeboard.instruments.virtual.circuit.solver.structure import Block, Ints

CONDUCTS = 0.05 * GMIN  # S; a junction has GMIN across it, as in SPICE


def unheld(system: System, x: Array, weak: Mask) -> Mask:
    """Of the weakly held nodes (nodes,) those from which nothing conducts to a node that is held, by whatever way.

    system, x (1, size): of one member, at its solution.
    """
    partials = evaluate(system, x, partials=True).partials[0]
    found: Mask = weak.copy()
    links = [nodes for nodes in _links(system, partials) if weak[nodes].any()]
    while True:  # whatever touches a held node is held: as many rounds as the longest way has links
        lost = [nodes for nodes in links if found[nodes].any() and not found[nodes].all()]
        if not lost:
            return found
        for nodes in lost:
            found[nodes] = False


def _links(system: System, partials: Array) -> Iterator[Ints]:
    """The nodes that each slope that conducts joins; each source and each further conductance its two ends."""
    wiring, _ = system.groups[0]
    for block in system.layout.blocks:
        if block.device is SOURCE:
            yield from _ends(wiring.plus, wiring.minus, block.ports + np.arange(block.count))
        else:
            yield from _slopes(block, wiring.plus, wiring.minus, partials)
    for first, second, siemens in zip(wiring.first, wiring.second, system.siemens[0], strict=False):
        if siemens >= CONDUCTS:
            yield np.array([first, second], dtype=np.intp)


def _slopes(block: Block, plus: Array, minus: Array, partials: Array) -> Iterator[Ints]:
    elements = np.arange(block.count)
    for place, (output, port) in enumerate(block.device.partials):
        slopes = partials[block.partials + place * block.count + elements]
        conducts = elements[np.abs(slopes) >= CONDUCTS]
        of = block.ports + block.device.outputs[output] * block.count + conducts
        by = block.ports + port * block.count + conducts
        for one, other in zip(_ends(plus, minus, of), _ends(plus, minus, by), strict=True):
            yield np.concatenate([one, other])


def _ends(plus: Array, minus: Array, ports: Ints) -> list[Ints]:
    return [np.array([plus[port], minus[port]], dtype=np.intp) for port in ports]
