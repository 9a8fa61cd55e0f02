"""Write a circuit, in a given state, as a SPICE netlist that ngspice accepts.

Resistors, sources, diodes and transistors become SPICE's own elements with the same equations; behavioural parts become
one sub-circuit each, made of `B` sources whose expressions are those of `devices`. Nets keep their names where SPICE
allows them; a comment says which was renamed.

What differs from SPICE: its diode bends its reverse current a little between 0 and -3·n·Vt, and ngspice puts its gmin
across every junction, where the solver here puts it from every node to ground; so gmin is all but switched off in the
options. The solver's answer stands in the netlist as `.nodeset`: where SPICE begins to search, not what it must find.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from typing import Final

from scipy.special import wrightomega

from .devices import BJT, CONVERTER, JUNCTION, LINEAR, MOSFET, NEVER, POWER, SOURCE, THERMAL_VOLTS, VALVE
from .draft import GROUND, Element
from .effects import Place
from .model import Model, Variant
from .part import Circuit, Part

OPTIONS: Final = ".options reltol=1e-7 abstol=1e-15 vntol=1e-9 gmin=1e-18 itl1=1000 itl2=1000"
PLAIN_KINDS: Final = frozenset(
    """resistor bleed capacitor inductor v_source i_source battery diode schottky led zener bjt mosfet fuse ptc
    switch""".split()  # noqa: SIM905
)
Node = Callable[[str], str]


class _Names:
    """SPICE names of nets: letters, digits and underscores, told apart where two would become one."""

    def __init__(self, ground: str) -> None:
        self.known: dict[str, str] = {ground: "0"}

    def __call__(self, net: str) -> str:
        if net not in self.known:
            plain = re.sub(r"[^A-Za-z0-9_]", "_", net).strip("_") or "net"
            name = plain if not plain[0].isdigit() else f"n{plain}"
            taken = {used.lower() for used in self.known.values()}
            count = 1
            while name.lower() in taken or name.lower() in ("gnd", "time", "temper"):
                count += 1
                name = f"{plain}_{count}" if not plain[0].isdigit() else f"n{plain}_{count}"
            self.known[net] = name
        return self.known[net]

    def renamed(self) -> Iterator[tuple[str, str]]:
        return ((net, name) for net, name in self.known.items() if net != name)


def write_netlist(circuit: Circuit, variant: Variant | None = None, title: str = "circuit") -> str:
    """The netlist of a variant, with an operating-point analysis. Raises CircuitError as Circuit.compile does."""
    model = circuit.compile()
    plan = model.plan(variant or Variant())
    structure = model.structure(plan.moves)
    names = _Names(circuit.ground)
    at = {model.layout.terminals[terminal]: model.layout.node_names[node] for terminal, node in enumerate(structure.at)}
    body: list[str] = []
    blocks: list[str] = []
    for index, part in enumerate(circuit.parts):
        elements = model._draft(index, plan.overrides.get(index, {})).elements

        def net(terminal: str, part: Part = part) -> str:
            return "0" if terminal == GROUND else names(at[part.name, terminal])

        if part.kind in PLAIN_KINDS:
            body += _elements(elements, net, part.name)
        elif elements:
            block, instance = _sub_circuit(part, elements, net)
            blocks += block
            body.append(instance)
    body += _bridges(model, plan.extras, names, at)
    body += _start(model, variant or Variant(), names)
    head = [f"* {title}", *(f"* net {net} is written {name}" for net, name in names.renamed())]
    return "\n".join([*head, *blocks, *body, OPTIONS, ".op", ".end", ""])


def _start(model: Model, variant: Variant, names: _Names) -> Iterator[str]:
    """Where SPICE begins to search: the solver's own answer, which it must then confirm; nothing without one."""
    points = model.solve([variant])
    if points.status[0] == "ok":
        for net in model.circuit.nets:
            if names(net) != "0":
                yield f".nodeset V({names(net)})={_n(float(points.net(net)[0]))}"


def node_names(circuit: Circuit) -> dict[str, str]:
    """How write_netlist names each net of a circuit's parts, for reading answers back."""
    names = _Names(circuit.ground)
    write_order = [net for part in circuit.parts for net in part.pins.values()]
    return {net: names(net) for net in write_order}


def _sub_circuit(part: Part, elements: list[Element], net: Node) -> tuple[list[str], str]:
    pins = [pin for pin in part.pins if any(pin in port for element in elements for port in element.ports)]
    local = {pin: f"p{k}" for k, pin in enumerate(pins)}

    def inside(terminal: str) -> str:
        return "0" if terminal == GROUND else local.get(terminal, f"i_{re.sub(r'[^A-Za-z0-9]', '_', terminal)}")

    name = re.sub(r"[^A-Za-z0-9_]", "_", f"{part.name}_{part.kind}")
    lines = [f"* {part.name} ({part.kind}): {' '.join(pins)}", f".subckt {name} {' '.join(local.values())}"]
    lines += [*_elements(elements, inside, "e"), f".ends {name}"]
    return lines, f"X{_safe(part.name)} {' '.join(net(pin) for pin in pins)} {name}"


def _elements(elements: list[Element], net: Node, prefix: str) -> list[str]:
    lines: list[str] = []
    for k, element in enumerate(elements):
        values = dict(zip(element.device.parameters, element.values, strict=True))
        lines += WRITERS[element.device.name](
            values, [(net(p), net(n)) for p, n in element.ports], f"{_safe(prefix)}_{k}"
        )
    return lines


def _safe(name: str) -> str:
    return re.sub(r"[^A-Za-z0-9_]", "_", name)


def _bridges(
    model: Model, extras: tuple[tuple[Place, Place, float], ...], names: _Names, at: dict[tuple[str, str], str]
) -> Iterator[str]:
    for k, (first, second, siemens) in enumerate(extras):
        a, b = (at[place] if isinstance(place, tuple) else place for place in (first, second))
        yield f"Rfault_{k} {names(a)} {names(b)} {_n(1 / siemens)}"


# --- one writer an element type ---------------------------------------------------------------------------------------
Values = dict[str, float]
Ports = list[tuple[str, str]]


def _n(value: float) -> str:
    return f"{value:.17g}"


def _linear(v: Values, ports: Ports, name: str) -> Iterator[str]:
    (p, n) = ports[0]
    if v["henries"]:
        yield f"L{name} {p} {name}_x {_n(v['henries'])}"
        yield f"R{name} {name}_x {n} {_n(1 / v['g'])}"
        return
    if v["g"]:
        yield f"R{name} {p} {n} {_n(1 / v['g'])}"
    if v["j"]:
        yield f"I{name} {n} {p} {_n(v['j'])}"
    if v["farads"]:
        yield f"C{name} {p} {n} {_n(v['farads'])}"


def _source(v: Values, ports: Ports, name: str) -> Iterator[str]:
    (p, n) = ports[0]
    if not v["a"]:
        return
    if v["r"]:
        yield f"R{name} {p} {name}_x {_n(v['r'])}"
        p = f"{name}_x"
    yield f"V{name} {p} {n} {_n(v['e'])}"


def _junction(v: Values, ports: Ports, name: str) -> Iterator[str]:
    if not v["m"]:
        return
    vt, rs = 1 / v["inv_vt"], 1 / v["inv_rs"]
    # log_c = ln(Is·Rs/nVt) + Is·Rs/nVt, so that Is·Rs/nVt is the omega function of it
    saturation = float(wrightomega(v["log_c"])) * vt / rs
    p, n = ports[0] if v["sign"] > 0 else ports[0][::-1]
    start = p
    if v["offset"]:
        start = f"{name}_x"
        yield f"V{name} {p} {start} {_n(v['offset'])}"
        yield f"I{name} {p} {n} {_n(saturation - v['rest'])}"
    yield f"D{name} {start} {n} d{name}"
    yield f".model d{name} D (IS={_n(saturation)} N={_n(vt / THERMAL_VOLTS)} RS={_n(rs)})"


def _line(gain: float, offset: float, port: tuple[str, str]) -> str:
    terms = [f"({_n(gain)})*V({port[0]},{port[1]})"] if gain and port[0] != port[1] else []
    return "+".join([*terms, f"({_n(offset)})"])


def _least(first: str, second: str, second_bound: bool) -> str:
    return f"min({first},{second})" if second_bound else first


def _gate(v: Values, ports: Ports) -> str:
    """The smoothstep of the smaller of two gates; "1" where neither binds."""
    gates = [
        _line(v[f"k{k}"], v[f"t{k}"], port) for k, port in zip((1, 2), ports, strict=True) if v[f"t{k}"] < NEVER / 2
    ]
    if not gates:
        return "1"
    x = gates[0] if len(gates) == 1 else f"min({gates[0]},{gates[1]})"
    y = f"min(max({x},0),1)"
    return f"({y})*({y})*(3-2*({y}))"


def _valve(v: Values, ports: Ports, name: str) -> Iterator[str]:
    if not v["m"]:
        return
    (p, n), a, b = ports[:3]
    path = _least(_line(v["ga"], v["ea"], a), _line(v["gb"], v["eb"], b), v["eb"] < NEVER / 2)
    clipped = f"max({path},{_n(v['low'])})"
    if v["high"] < NEVER / 2:
        clipped = f"min({clipped},{_n(v['high'])})"
    yield f"B{name} {p} {n} I=({_n(v['m'])})*({_gate(v, ports[3:5])})*({clipped})"


def _converter(v: Values, ports: Ports, name: str) -> Iterator[str]:
    if not v["m"]:
        return
    (vo, g), (vi, vg), enable = ports
    out, source = f"V({vo},{g})", f"V({vi},{vg})"
    one, two = (
        f"({_n(v['g'])})*(({_n(v['volts'])})-{out})",
        f"({_n(v['g'])})*(({_n(v['duty'])})*{source}-({_n(v['drop'])})-{out})",
    )
    amps = f"({_n(v['m'])})*({_gate(v, [enable, (vi, vg)])})*min(max(min({one},{two}),0),{_n(v['limit'])})"
    yield f"B{name}o {g} {vo} I={amps}"
    yield (f"B{name}i {vi} {vg} I=({amps})*max({out},0)/(({_n(v['efficiency'])})*max({source},{_n(v['least'])}))")


def _mosfet(v: Values, ports: Ports, name: str) -> Iterator[str]:
    if not v["m"]:
        return
    (gate, source), (drain, _) = ports
    kind, vto = ("NMOS", v["threshold"]) if v["sign"] > 0 else ("PMOS", -v["threshold"])
    yield f"M{name} {drain} {gate} {source} {source} m{name} W=1 L=1"
    yield f".model m{name} {kind} (LEVEL=1 VTO={_n(vto)} KP={_n(v['beta'])} LAMBDA={_n(v['lambda'])} IS=1e-30)"


def _bjt(v: Values, ports: Ports, name: str) -> Iterator[str]:
    if not v["m"]:
        return
    (base, emitter), (_, collector), _ = ports
    kind = "NPN" if v["sign"] > 0 else "PNP"
    early = f" VAF={_n(1 / v['inv_va'])}" if v["inv_va"] else ""
    yield f"Q{name} {collector} {base} {emitter} q{name}"
    yield f".model q{name} {kind} (IS={_n(v['is'])} BF={_n(1 / v['inv_bf'])} BR={_n(1 / v['inv_br'])}{early})"


def _power(v: Values, ports: Ports, name: str) -> Iterator[str]:
    if not v["m"] or not v["watts"]:
        return
    p, n = ports[0]
    u, least, watts = f"max(V({p},{n}),0)", _n(v["least"]), _n(v["m"] * v["watts"])
    yield f"B{name} {p} {n} I={watts}*min({u}/({least}*{least}), 1/max({u},{least}))"


WRITERS: Final[dict[str, Callable[[Values, Ports, str], Iterator[str]]]] = {
    LINEAR.name: _linear,
    SOURCE.name: _source,
    JUNCTION.name: _junction,
    VALVE.name: _valve,
    CONVERTER.name: _converter,
    MOSFET.name: _mosfet,
    BJT.name: _bjt,
    POWER.name: _power,
}
