"""What no solver could answer, found by graph search before solving and said with the parts' names."""

from __future__ import annotations

from collections.abc import Iterable

from wakeboard.instruments.virtual.circuit.draft import GROUND, Draft, Element
from wakeboard.instruments.virtual.circuit.errors import CircuitError
from wakeboard.instruments.virtual.circuit.part import Circuit, Part
from wakeboard.instruments.virtual.circuit.parts import kind_of
from wakeboard.instruments.virtual.circuit.solver.devices import CONVERTER, LINEAR, SOURCE, VALVE


class _Groups:
    """Disjoint sets of nodes."""

    def __init__(self) -> None:
        self.parent: dict[str, str] = {}

    def root(self, node: str) -> str:
        while (up := self.parent.setdefault(node, node)) != node:
            self.parent[node] = self.parent[up]
            node = up
        return node

    def join(self, a: str, b: str) -> bool:
        """False when they were joined already: the new edge closes a loop."""
        ra, rb = self.root(a), self.root(b)
        self.parent[ra] = rb
        return ra != rb


def _conducts(element: Element) -> Iterable[tuple[str, str]]:
    """The port pairs between which direct current may pass at some voltage."""
    if element.device is LINEAR:
        g, _, _, _ = element.values
        return [element.ports[0]] if g else []
    if element.device is VALVE:
        return [element.ports[0]]
    if element.device is CONVERTER:
        return element.ports[:2]
    if element.device.name in ("mosfet",):
        return [element.ports[1]]
    if element.device.name == "bjt":
        return element.ports[:2]
    return [element.ports[0]]


def check(circuit: Circuit) -> None:
    """Raise CircuitError for loops of ideal sources, floating nets, capacitor cut-sets, current into an open.

    A net that only connectors, or a single pin without elements, touch is not connected to anything: it is let be, and
    sits at zero through GMIN.
    """
    direct, any_path, ideal = _Groups(), _Groups(), _Groups()
    touched: dict[str, list[str]] = {}
    pushed: dict[str, list[str]] = {}
    capacitive: set[str] = set()
    for part in circuit.parts:
        kind = kind_of(part)
        draft = Draft(part, {}, {k: q.default for k, q in kind.values.items() if q.default is not None})
        kind.expand(draft)

        def node(terminal: str, part: Part = part) -> str:
            return circuit.ground if terminal == GROUND else part.pins.get(terminal, f"{part.name}:{terminal}")

        for element in draft.elements:
            for plus, minus in element.ports:
                for terminal in (plus, minus):
                    touched.setdefault(node(terminal), []).append(part.name)
            for plus, minus in _conducts(element):
                direct.join(node(plus), node(minus))
            a, b = (node(t) for t in element.ports[0])
            any_path.join(a, b)
            if element.device is LINEAR and element.values[2]:
                capacitive.update((a, b))
            if element.label == "current source":
                pushed.setdefault(a, []).append(part.name)
                pushed.setdefault(b, []).append(part.name)
            if element.device is SOURCE and element.values[1] == 0 and not ideal.join(a, b):
                raise CircuitError(
                    f"{part.name} closes a loop of ideal voltage sources between {a} and {b}: give one a resistance",
                    _on_loop(circuit, part.name, a, b),
                )
    _floating(circuit, direct, touched, pushed, capacitive)


def _on_loop(circuit: Circuit, last: str, a: str, b: str) -> list[str]:
    others = [p.name for p in circuit.parts if p.kind == "v_source" and {a, b} & set(p.pins.values())]
    return list(dict.fromkeys([last, *others]))


def _floating(
    circuit: Circuit,
    direct: _Groups,
    touched: dict[str, list[str]],
    pushed: dict[str, list[str]],
    capacitive: set[str],
) -> None:
    ground = direct.root(circuit.ground)
    islands: dict[str, list[str]] = {}
    for net in touched:
        if direct.root(net) != ground:
            islands.setdefault(direct.root(net), []).append(net)
    if not islands:
        return
    lines, named = [], []
    for nets in islands.values():
        parts = list(dict.fromkeys(name for net in nets for name in touched[net]))
        named += parts
        sources = sorted({name for net in nets for name in pushed.get(net, ())})
        where = f"net{'s' if len(nets) > 1 else ''} {', '.join(nets)} (parts {', '.join(parts)})"
        if sources:
            lines.append(f"{where}: current source {', '.join(sources)} drives into an open")
        elif capacitive & set(nets):
            lines.append(f"{where}: only capacitors connect it, no direct current can set its voltage")
        else:
            lines.append(f"{where}: no path to {circuit.ground}")
    raise CircuitError("; ".join(lines), dict.fromkeys(named))
