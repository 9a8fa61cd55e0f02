"""Write a circuit, in a given state, as a SPICE netlist that ngspice accepts.

Resistors, sources, diodes and transistors become SPICE's own elements with the same equations; behavioural parts become
one sub-circuit each, made of `B` sources whose expressions are those of `devices`. Nets keep their names where SPICE
allows them; a comment says which was renamed.

What differs from SPICE: its diode bends its reverse current a little between 0 and -3·n·Vt. Both have the same gmin
across every junction; a node that not even that holds leaks to ground here, and gets a resistor of 1/GMIN (Rgmin…). The
solver's answer stands in the netlist as `.nodeset`: where SPICE begins to search, not what it must find.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from typing import Final

from scipy.special import wrightomega

from wakeboard.instruments.virtual.circuit.compiled.elements import GMIN
from wakeboard.instruments.virtual.circuit.draft import GROUND, Element
from wakeboard.instruments.virtual.circuit.faults.effects import Place
from wakeboard.instruments.virtual.circuit.model import Model, Variant
from wakeboard.instruments.virtual.circuit.part import Circuit, Part
from wakeboard.instruments.virtual.circuit.solver.devices import (
    BJT,
    CONVERTER,
    JUNCTION,
    LINEAR,
    MOSFET,
    NEVER,
    POWER,
    SOURCE,
    THERMAL_VOLTS,
    VALVE,
)

OPTIONS: Final = ".options reltol=1e-6 abstol=1e-12 vntol=1e-7 gmin=1e-12"
_OFF: Final = "1e-250"
"""A of a channel's own bulk junctions, which are written apart: 1e-30 carries 260 A at 1.93 V."""
PLAIN_KINDS: Final = frozenset(
    """resistor bleed capacitor inductor v_source i_source battery diode schottky led zener bjt mosfet fuse ptc
    switch""".split()  # noqa: SIM905
)
RESERVED: Final = ("gnd", "time", "temper", "hertz")
Node = Callable[[str], str]
Name = Callable[[str], str]
"""The name of one more element of a part, given its SPICE letter."""


def _plain(name: str) -> str:
    """Letters, digits and underscores; none at the ends, so that a trailing one marks nodes of our own."""
    return re.sub(r"[^A-Za-z0-9_]", "_", name).strip("_") or "x"


class _Names:
    """SPICE names of nets, told apart where two would become one."""

    def __init__(self, ground: str) -> None:
        self.known: dict[str, str] = {ground: "0"}
        self._taken = {"0", *RESERVED}

    def __call__(self, net: str) -> str:
        if net not in self.known:
            plain = _plain(net)
            self.known[net] = _untaken(f"n{plain}" if plain[0].isdigit() else plain, self._taken)
        return self.known[net]

    def renamed(self) -> Iterator[tuple[str, str]]:
        return ((net, name) for net, name in self.known.items() if net != name)


class _Labels:
    """Names of elements: the part's own where its first letter is SPICE's, else with that letter before it."""

    def __init__(self) -> None:
        self._taken: set[str] = set()

    def __call__(self, letter: str, part: str) -> str:
        plain = _plain(part)
        return _untaken(plain if plain[0].upper() == letter else letter + plain, self._taken)

    def of(self, part: str) -> Name:
        return lambda letter: self(letter, part)


def _untaken(wanted: str, taken: set[str]) -> str:
    """The name, or the name with a number, that no other has; SPICE folds case."""
    name, count = wanted, 1
    while name.lower() in taken:
        count += 1
        name = f"{wanted}_{count}"
    taken.add(name.lower())
    return name


def write_netlist(circuit: Circuit, variant: Variant | None = None, title: str = "circuit") -> str:
    """The netlist of a variant, with an operating-point analysis. Raises CircuitError as Circuit.compile does."""
    return write_variant(circuit.compile(), variant or Variant(), title)


def write_variant(
    model: Model, variant: Variant, title: str = "circuit", volts: Mapping[str, float] | None = None
) -> str:
    """As write_netlist, of a circuit compiled before; `volts`: what stands as `.nodeset` in place of the answer."""
    plan = model.plan(variant)
    structure = model.structure(plan.moves)
    layout = model.layout
    names = _Names(model.circuit.ground)
    for each in model.circuit.nets:
        names(each)
    labels, block_names = _Labels(), _Labels()
    at = {layout.terminals[terminal]: layout.node_names[node] for terminal, node in enumerate(structure.at)}
    body: list[str] = []
    blocks: list[str] = []
    for index, part in enumerate(model.circuit.parts):
        elements = model._draft(index, plan.overrides.get(index, {})).elements

        def net(terminal: str, part: Part = part) -> str:
            return "0" if terminal == GROUND else names(at[part.name, terminal])

        if part.kind in PLAIN_KINDS:
            body += _elements(elements, net, labels.of(part.name))
        elif elements:
            block, instance = _sub_circuit(part, elements, net, labels, block_names)
            blocks += block
            body.append(instance)
    body += _bridges(plan.extras, names, at, labels)
    body += _start_and_leaks(model, variant, names, labels, volts)
    head = [f"* {_one_line(title)}", *(f"* net {_one_line(net)} is written {name}" for net, name in names.renamed())]
    return "\n".join([*head, *blocks, *body, OPTIONS, ".op", ".end", ""])


def _one_line(text: str) -> str:
    return " ".join(text.split())


def _start_and_leaks(
    model: Model, variant: Variant, names: _Names, labels: _Labels, volts: Mapping[str, float] | None
) -> Iterator[str]:
    """What GMIN alone holds; and where SPICE begins to search: the solver's own answer, which it must then confirm."""
    points = model.solve([variant])
    solved = points.status[0] == "ok"
    touched = {model.layout.node_names[node] for node in model.structure(points.plans[0].moves).at}
    held = {*(points.leaking() if solved else ()), *(set(names.known) - touched)}
    for net in names.known:
        if net in held and names(net) != "0":
            yield f"{labels('R', 'Rgmin')} {names(net)} 0 {_n(1 / GMIN)}"
    for net, name in names.known.items():
        at = float(points.net(net)[0]) if volts is None and solved else (volts or {}).get(net)
        if name != "0" and at is not None:
            yield f".nodeset V({name})={_n(at)}"


def node_names(circuit: Circuit) -> dict[str, str]:
    """How write_netlist names each net of a circuit, for reading answers back."""
    names = _Names(circuit.ground)
    return {net: names(net) for net in circuit.nets}


def _sub_circuit(
    part: Part, elements: list[Element], net: Node, labels: _Labels, block_names: _Labels
) -> tuple[list[str], str]:
    pins = [pin for pin in part.pins if any(pin in port for element in elements for port in element.ports)]
    local = {pin: f"p{k}" for k, pin in enumerate(pins)}

    def inside(terminal: str) -> str:
        return "0" if terminal == GROUND else local.get(terminal, f"i_{_plain(terminal)}")

    name = block_names(part.name[:1].upper(), f"{part.name}_{part.kind}")
    lines = [f"* {_one_line(part.name)} ({part.kind}): {' '.join(pins)}", f".subckt {name} {' '.join(local.values())}"]
    lines += [*_elements(elements, inside, _Labels().of("e")), f".ends {name}"]
    return lines, f"{labels('X', part.name)} {' '.join(net(pin) for pin in pins)} {name}"


def _elements(elements: list[Element], net: Node, name: Name) -> list[str]:
    lines: list[str] = []
    for element in elements:
        values = dict(zip(element.device.parameters, element.values, strict=True))
        lines += WRITERS[element.device.name](values, [(net(p), net(n)) for p, n in element.ports], name)
    return lines


def _bridges(
    extras: tuple[tuple[Place, Place, float], ...],
    names: _Names,
    at: dict[tuple[str, str], str],
    labels: _Labels,
) -> Iterator[str]:
    for first, second, siemens in extras:
        a, b = (at[place] if isinstance(place, tuple) else place for place in (first, second))
        yield f"{labels('R', 'Rfault')} {names(a)} {names(b)} {_n(1 / siemens)}"


# --- one writer an element type ---------------------------------------------------------------------------------------
Values = dict[str, float]
Ports = list[tuple[str, str]]


def _n(value: float) -> str:
    return f"{value:.17g}"


def _linear(v: Values, ports: Ports, name: Name) -> Iterator[str]:
    (p, n) = ports[0]
    if v["henries"]:
        if v["g"]:
            coil = name("L")
            yield f"{coil} {p} {coil}_ {_n(v['henries'])}"
            yield f"{name('R')} {coil}_ {n} {_n(1 / v['g'])}"
        return
    if v["g"]:
        yield f"{name('R')} {p} {n} {_n(1 / v['g'])}"
    if v["j"]:
        yield f"{name('I')} {n} {p} {_n(v['j'])}"
    if v["farads"]:
        yield f"{name('C')} {p} {n} {_n(v['farads'])}"


def _source(v: Values, ports: Ports, name: Name) -> Iterator[str]:
    (p, n) = ports[0]
    if not v["a"]:
        return
    source = name("V")
    if v["r"]:
        yield f"{name('R')} {p} {source}_ {_n(v['r'])}"
        p = f"{source}_"
    yield f"{source} {p} {n} {_n(v['e'])}"


def _junction(v: Values, ports: Ports, name: Name) -> Iterator[str]:
    if not v["m"]:
        return
    vt, rs = 1 / v["inv_vt"], 1 / v["inv_rs"]
    # log_c = ln(Is·Rs/nVt) + Is·Rs/nVt, so that Is·Rs/nVt is the omega function of it
    saturation = float(wrightomega(v["log_c"])) * vt / rs
    p, n = ports[0] if v["sign"] > 0 else ports[0][::-1]
    start, diode = p, name("D")
    if v["offset"]:
        start = f"{diode}_"
        yield f"{name('V')} {p} {start} {_n(v['offset'])}"
        # what the saturation current and gmin would pass with nothing across the whole
        yield f"{name('I')} {p} {n} {_n(saturation - v['rest'] + GMIN * v['offset'])}"
    yield f"{diode} {start} {n} m{diode}"
    yield f".model m{diode} D (IS={_n(saturation)} N={_n(vt / THERMAL_VOLTS)} RS={_n(rs)})"


def _line(gain: float, offset: float, port: tuple[str, str]) -> str:
    terms = [f"({_n(gain)})*V({port[0]},{port[1]})"] if gain and port[0] != port[1] else []
    return "+".join([*terms, f"({_n(offset)})"])


def _least(first: str, second: str, second_bound: bool) -> str:
    return f"min({first},{second})" if second_bound else first


def _gate(v: Values, ports: Ports) -> str:
    """The smaller of two gates, between 0 and 1; "1" where neither binds."""
    gates = [
        _line(v[f"k{k}"], v[f"t{k}"], port) for k, port in zip((1, 2), ports, strict=True) if v[f"t{k}"] < NEVER / 2
    ]
    if not gates:
        return "1"
    x = gates[0] if len(gates) == 1 else f"min({gates[0]},{gates[1]})"
    return f"min(max({x},0),1)"


def _valve(v: Values, ports: Ports, name: Name) -> Iterator[str]:
    if not v["m"]:
        return
    (p, n), a, b = ports[:3]
    path = _least(_line(v["ga"], v["ea"], a), _line(v["gb"], v["eb"], b), v["eb"] < NEVER / 2)
    clipped = f"max({path},{_n(v['low'])})"
    if v["high"] < NEVER / 2:
        clipped = f"min({clipped},{_n(v['high'])})"
    yield f"{name('B')} {p} {n} I=({_n(v['m'])})*({_gate(v, ports[3:5])})*({clipped})"


def _converter(v: Values, ports: Ports, name: Name) -> Iterator[str]:
    if not v["m"]:
        return
    (vo, g), (vi, vg), enable, (vs, sg) = ports
    out, source = f"V({vo},{g})", f"V({vi},{vg})"
    one, two = (
        f"({_n(v['g'])})*(({_n(v['volts'])})-({_n(v['sense'])})*V({vs},{sg}))",
        f"({_n(v['g'])})*(({_n(v['duty'])})*{source}-({_n(v['drop'])})-{out})",
    )
    amps = f"({_n(v['m'])})*({_gate(v, [enable, (vi, vg)])})*min(max(min({one},{two}),0),{_n(v['limit'])})"
    yield f"{name('B')} {g} {vo} I={amps}"
    yield (f"{name('B')} {vi} {vg} I=({amps})*max({out},0)/(({_n(v['efficiency'])})*max({source},{_n(v['least'])}))")


def _mosfet(v: Values, ports: Ports, name: Name) -> Iterator[str]:
    if not v["m"]:
        return
    (gate, source), (drain, _) = ports
    kind, vto = ("NMOS", v["threshold"]) if v["sign"] > 0 else ("PMOS", -v["threshold"])
    channel = name("M")
    yield f"{channel} {drain} {gate} {source} {source} m{channel} W=1 L=1"
    yield f".model m{channel} {kind} (LEVEL=1 VTO={_n(vto)} KP={_n(v['beta'])} LAMBDA={_n(v['lambda'])} IS={_OFF})"


def _bjt(v: Values, ports: Ports, name: Name) -> Iterator[str]:
    if not v["m"]:
        return
    (base, emitter), (_, collector), _ = ports
    kind = "NPN" if v["sign"] > 0 else "PNP"
    early = f" VAF={_n(1 / v['inv_va'])}" if v["inv_va"] else ""
    transistor = name("Q")
    yield f"{transistor} {collector} {base} {emitter} m{transistor}"
    yield f".model m{transistor} {kind} (IS={_n(v['is'])} BF={_n(1 / v['inv_bf'])} BR={_n(1 / v['inv_br'])}{early})"


def _power(v: Values, ports: Ports, name: Name) -> Iterator[str]:
    if not v["m"] or not v["watts"]:
        return
    p, n = ports[0]
    u, least, watts = f"max(V({p},{n}),0)", _n(v["least"]), _n(v["m"] * v["watts"])
    yield f"{name('B')} {p} {n} I={watts}*min({u}/({least}*{least}), 1/max({u},{least}))"


WRITERS: Final[dict[str, Callable[[Values, Ports, Name], Iterator[str]]]] = {
    LINEAR.name: _linear,
    SOURCE.name: _source,
    JUNCTION.name: _junction,
    VALVE.name: _valve,
    CONVERTER.name: _converter,
    MOSFET.name: _mosfet,
    BJT.name: _bjt,
    POWER.name: _power,
}
