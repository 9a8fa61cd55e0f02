"""Read a SPICE netlist (R C L V I D Q M X, .model, .subckt, .param) into parts.

Sub-circuits are flattened: the part R1 inside X1 becomes X1_R1, its inner net n becomes X1_n. Node 0 (and GND) is the
circuit's ground. Series resistances inside transistors become resistors of their own (Q1_rc …). What the netlist says
of an analysis, of noise, of temperature, of initial conditions or of charge in junctions is left out: parts here are
for operating points and slow transients. Of an ideal inductor 0.1 mΩ remain.

What changes an operating point and is left out (a transistor's high-current roll-off) stands in Netlist.left_out.
A diode with `bv` is read as a zener: its breakdown passes through (bv, ibv) as SPICE's does, with an emission
coefficient of 1 there, and 0.1 Ω in series forwards.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Final

from .errors import nearest
from .part import Part, Value
from .spice_expression import ExpressionError, UnknownParameterError, evaluate, number
from .spice_text import Block, Line, Model, NetlistError, read_blocks, split_assignments

MOST_PARTS: Final = 20_000
LEAST_INDUCTOR_OHMS: Final = 1e-4
NO_LEAK_OHMS: Final = 1e18  # a SPICE gate takes no current
MODEL_TYPES: Final = {"d": ("d",), "q": ("npn", "pnp"), "m": ("nmos", "pmos")}
# Model parameters that change an operating point and that the part kinds do not have, with the value that means "none".
UNMODELLED: Final[dict[str, dict[str, float]]] = {
    "d": {"ikf": 0.0, "ik": 0.0, "isr": 0.0, "jtun": 0.0, "nbv": 1.0},
    "q": {"nf": 1.0, "nr": 1.0, "ise": 0.0, "isc": 0.0, "ikf": 0.0, "ikr": 0.0, "var": 0.0},
    "m": {"theta": 0.0, "vmax": 0.0, "nfs": 0.0},
}


@dataclass(frozen=True)
class Netlist:
    """A netlist's parts, and what it says that changes an operating point but that parts cannot say."""

    parts: list[Part]
    left_out: list[str]


@dataclass
class _Reading:
    """What all instances share."""

    ground: str
    parts: list[Part] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)
    named: dict[str, int] = field(default_factory=dict)
    nets: dict[tuple[str, str], str] = field(default_factory=dict)
    taken: set[str] = field(default_factory=set)

    def net(self, prefix: str, node: str) -> str:
        """SPICE folds case: a net is spelled as it stands first. X1_n of one level is not n inside X1 of another."""
        key = (prefix.lower(), node.lower())
        if key not in self.nets:
            name, count = prefix + node, 1
            while name.lower() in self.taken:
                count += 1
                name = f"{prefix}{node}_{count}"
            self.taken.add(name.lower())
            self.nets[key] = name
        return self.nets[key]


@dataclass
class _Scope:
    """One instance of a block: its parameters, the nets its ports are joined to, the prefix of its names."""

    block: Block
    values: dict[str, float]
    nets: Mapping[str, str]
    prefix: str
    whole: _Reading
    inside: tuple[Block, ...] = ()

    def net(self, node: str, line: Line) -> str:
        folded = node.lower()
        if folded in ("0", "gnd"):
            return self.whole.ground
        if folded in self.nets:
            return self.nets[folded]
        name = self.whole.net(self.prefix, node)
        if name == self.whole.ground:
            raise line.fail(f"net {node} has the name of the circuit's ground but is not node 0")
        return name

    def value(self, text: str, line: Line) -> float:
        """A number, a parameter, or an expression."""
        bare = text.strip()
        found = number(bare)
        if found is None:
            found = self.values.get(bare.lower())
        if found is not None:
            return found
        inner = bare[1:-1] if bare[:1] in ("{", "'", '"') else bare
        try:
            return evaluate(inner, self.values)
        except UnknownParameterError as error:
            raise line.fail(f"{error}; a value is such as 4.7k, 10u, 1meg or {{expression}}") from error
        except ExpressionError as error:
            raise line.fail(f"no number in {text!r} ({error}); such as 4.7k, 10u, 1meg or {{expression}}") from error

    def add(self, line: Line, kind: str, pins: Mapping[str, str], values: Mapping[str, Value], tail: str = "") -> None:
        name = self.prefix + line.words[0] + tail
        if name.lower() in self.whole.named:
            raise line.fail(f"{name} stands twice in the netlist, first in line {self.whole.named[name.lower()]}")
        self.whole.named[name.lower()] = line.number
        if len(self.whole.parts) >= MOST_PARTS:
            raise line.fail(f"more than {MOST_PARTS} parts")
        self.whole.parts.append(Part(name, kind, pins, dict(values)))


def read(text: str, ground: str = "GND") -> Netlist:
    """A netlist's parts; nets keep their names, node 0 becomes `ground`.

    Raises NetlistError (a CircuitError) with the line, the element and what is allowed there.
    """
    whole = _Reading(ground)
    _fill(_Scope(read_blocks(text), {}, {}, "", whole))
    return Netlist(whole.parts, list(dict.fromkeys(whole.left_out)))


def read_netlist(text: str, ground: str = "GND") -> list[Part]:
    """The parts of a netlist, as `read`."""
    return read(text, ground).parts


def _fill(scope: _Scope) -> None:
    _set_parameters(scope, scope.block.params)
    for line in scope.block.elements:
        reader = READERS.get(line.head[0])
        if reader is None:
            raise line.fail(f"element letter {line.words[0][0]!r} is not read; R C L V I D Q M X are")
        reader(scope, line)


def _set_parameters(scope: _Scope, params: Iterable[tuple[Line, str, str]]) -> None:
    """Parameters may use one another in any order."""
    waiting = list(params)
    while waiting:
        left = []
        names = {name for _, name, _ in waiting}
        for line, name, text in waiting:
            try:
                scope.values[name] = _without(scope, names - {name}).value(text, line)
                names.discard(name)
            except NetlistError as error:
                left.append((line, name, text, error))
        if len(left) == len(waiting):
            raise left[0][3]
        waiting = [(line, name, text) for line, name, text, _ in left]


def _without(scope: _Scope, names: set[str]) -> _Scope:
    """The scope in which these parameters are not known yet: an outer one of the same name must not stand in."""
    known = {name: value for name, value in scope.values.items() if name not in names}
    return _Scope(scope.block, known, scope.nets, scope.prefix, scope.whole, scope.inside)


def _nodes(scope: _Scope, line: Line, count: int) -> tuple[list[str], list[str], dict[str, str]]:
    """The nets of the first `count` nodes, the words after them, and the assignments."""
    plain, named = split_assignments(line.words[1:])
    if len(plain) < count:
        raise line.fail(f"{line.words[0]} needs {count} nodes, found {len(plain)}")
    return [scope.net(node, line) for node in plain[:count]], plain[count:], named


def _copies(scope: _Scope, line: Line, named: Mapping[str, str]) -> float:
    """m: how many of the element stand side by side."""
    return _positive(scope, line, named["m"]) if "m" in named else 1.0


def _positive(scope: _Scope, line: Line, text: str) -> float:
    found = scope.value(text, line)
    if found <= 0:
        raise line.fail(f"{line.words[0]} must be above zero, found {text}")
    return found


def _two_terminal(
    kind: str, key: str, side_by_side: float, more: Mapping[str, Value]
) -> Callable[[_Scope, Line], None]:
    """side_by_side: the power with which the value changes when several stand in parallel."""

    def read_one(scope: _Scope, line: Line) -> None:
        nets, rest, named = _nodes(scope, line, 2)
        text = rest[0] if rest else named.get(line.head[0], named.get("value"))
        if text is None:
            raise line.fail(f"{line.words[0]} has no value")
        value = _positive(scope, line, text) * _copies(scope, line, named) ** side_by_side
        scope.add(line, kind, {"1": nets[0], "2": nets[1]}, {key: value, **more})

    return read_one


def _source(kind: str, key: str) -> Callable[[_Scope, Line], None]:
    def read_one(scope: _Scope, line: Line) -> None:
        nets, rest, named = _nodes(scope, line, 2)
        value = scope.value(_direct(line, rest, named), line)
        # SPICE counts a current source's current from its first node through the source to the second one.
        pins = {"P": nets[0], "N": nets[1]} if kind == "v_source" else {"P": nets[1], "N": nets[0]}
        if kind == "i_source":
            value *= _copies(scope, line, named)
        scope.add(line, kind, pins, {key: value})

    return read_one


def _direct(line: Line, rest: list[str], named: Mapping[str, str]) -> str:
    """The text of a source's direct part: what stands first or after DC; nothing is zero."""
    words = [word.lower() for word in rest]
    if "dc" in words:
        at = words.index("dc") + 1
        if at >= len(rest):
            raise line.fail(f"{line.words[0]}: no value after DC")
        return rest[at]
    if not words or words[0] == "ac":
        return named.get("dc", "0")
    if words[0] in ("pulse", "sin", "exp", "pwl", "sffm", "am", "trnoise", "trrandom", "external"):
        raise line.fail(f"{line.words[0]}: only DC sources are read, found {rest[0]}; put DC and a value before it")
    return rest[0]


# --- semiconductors ---------------------------------------------------------------------------------------------------
def _model(scope: _Scope, line: Line, word: str, letter: str) -> Model:
    model = scope.block.find_model(word.lower())
    if model is None:
        raise line.fail(f"{line.words[0]} names no known model: {word!r}{nearest(word, scope.block.model_names())}")
    if model.type not in MODEL_TYPES[letter]:
        raise line.fail(
            f"{line.words[0]} needs a model of type {' or '.join(MODEL_TYPES[letter])}, {model.name} is {model.type}"
        )
    return model


def _numbers(scope: _Scope, model: Model, letter: str) -> dict[str, float]:
    """The model's numbers in the instance's scope; what the part cannot say is noted."""
    wanted = {"is", "n", "rs", "bv", "ibv", "bf", "br", "vaf", "va", "rb", "rc", "re", "vto", "vt0", "kp", "lambda"}
    wanted |= {"level", "rd", "w", "l", *UNMODELLED[letter]}
    found = {name: scope.value(text, model.line) for name, text in model.values.items() if name in wanted}
    for name, none in UNMODELLED[letter].items():
        if found.get(name, none) != none:
            scope.whole.left_out.append(f"line {model.line.number}: {name}={found[name]:g} of model {model.name}")
    return found


def _above_zero(line: Line, model: Model, **values: float) -> None:
    for name, value in values.items():
        if value <= 0:
            raise model.line.fail(f"{name} of {model.name} must be above zero (used by {line.words[0]})")


def _times(scope: _Scope, line: Line, rest: list[str], named: Mapping[str, str]) -> float:
    """Area factor times copies."""
    area = named.get("area", rest[0] if rest and number(rest[0]) is not None else "1")
    return _positive(scope, line, area) * _copies(scope, line, named)


def _behind(scope: _Scope, line: Line, net: str, tail: str, ohms: float) -> str:
    """The net inside a series resistance."""
    if ohms < 0:
        raise line.fail(f"{line.words[0]}: a series resistance below zero ({tail} of its model)")
    if ohms == 0:
        return net
    inner = scope.whole.net(scope.prefix, f"{line.words[0]}_{tail}_inside")
    scope.add(line, "resistor", {"1": net, "2": inner}, {"value": ohms}, f"_{tail}")
    return inner


def _diode(scope: _Scope, line: Line) -> None:
    nets, rest, named = _nodes(scope, line, 2)
    if not rest:
        raise line.fail(f"{line.words[0]} names no model")
    card = _model(scope, line, rest[0], "d")
    model = _numbers(scope, card, "d")
    times = _times(scope, line, rest[1:], named)
    saturation, emission, ohms = model.get("is", 1e-14) * times, model.get("n", 1.0), model.get("rs", 0.0) / times
    _above_zero(line, card, **{"is": saturation, "n": emission})
    if ohms < 0:
        raise card.line.fail(f"rs of {card.name} is below zero")
    pins = {"A": nets[0], "K": nets[1]}
    values: dict[str, Value] = {"saturation": saturation, "emission": emission, "ohms": ohms}
    if "bv" not in model:
        scope.add(line, "diode", pins, values)
        return
    volts, at = abs(model["bv"]), model.get("ibv", 1e-3) * times
    _above_zero(line, card, bv=volts, ibv=at)
    # SPICE counts bv without what the series resistance drops
    scope.add(line, "zener", pins, {**values, "volts": volts + at * ohms, "at": at})


def _bjt(scope: _Scope, line: Line) -> None:
    nets, rest, named = _nodes(scope, line, 3)
    if not rest:
        raise line.fail(f"{line.words[0]} names no model")
    # An optional fourth node (substrate) stands before the model.
    at = next((k for k, word in enumerate(rest[:2]) if scope.block.find_model(word.lower())), 0)
    card = _model(scope, line, rest[at], "q")
    given = _numbers(scope, card, "q")
    times = _times(scope, line, rest[at + 1 :], named)
    values: dict[str, Value] = {
        "type": card.type,
        "saturation": given.get("is", 1e-16) * times,
        "gain": given.get("bf", 100.0),
        "reverse_gain": given.get("br", 1.0),
    }
    _above_zero(line, card, **{"is": values["saturation"], "bf": values["gain"], "br": values["reverse_gain"]})
    early = given.get("vaf", given.get("va", 0.0))
    if early > 0:
        values["early"] = early
    c, b, e = (
        _behind(scope, line, net, tail, given.get(tail, 0.0) / times)
        for net, tail in zip(nets, ("rc", "rb", "re"), strict=True)
    )
    scope.add(line, "bjt", {"C": c, "B": b, "E": e}, values)


def _mosfet(scope: _Scope, line: Line) -> None:
    nets, rest, named = _nodes(scope, line, 4)
    if not rest:
        raise line.fail(f"{line.words[0]} names no model")
    card = _model(scope, line, rest[0], "m")
    given = _numbers(scope, card, "m")
    if given.get("level", 1.0) != 1.0:
        raise line.fail(f"{card.name} is a level {given['level']:g} transistor; level 1 is read")
    if nets[3] != nets[2]:
        raise line.fail(f"{line.words[0]}: body on its own net is not read; tie it to the source")
    width = scope.value(named["w"], line) if "w" in named else given.get("w", 1e-4)
    length = scope.value(named["l"], line) if "l" in named else given.get("l", 1e-4)
    _above_zero(line, card, kp=given.get("kp", 2e-5), w=width, l=length, **{"is": given.get("is", 1e-14)})
    times = _copies(scope, line, named)
    channel = "n" if card.type == "nmos" else "p"
    threshold = given.get("vto", given.get("vt0", 0.0)) * (1 if channel == "n" else -1)
    if threshold < 0:
        raise line.fail(f"{card.name} is a depletion type (vto on the other side of zero); enhancement types are read")
    values: dict[str, Value] = {
        "channel": channel,
        "threshold": threshold,
        "beta": given.get("kp", 2e-5) * width / length * times,
        "lambda": given.get("lambda", 0.0),
        "body": given.get("is", 1e-14) * times,
        "gate_leak_ohms": NO_LEAK_OHMS,
    }
    drain, source = (
        _behind(scope, line, net, tail, given.get(tail, 0.0) / times)
        for net, tail in ((nets[0], "rd"), (nets[2], "rs"))
    )
    scope.add(line, "mosfet", {"D": drain, "G": nets[1], "S": source}, values)


# --- sub-circuits -----------------------------------------------------------------------------------------------------
def _instance(scope: _Scope, line: Line) -> None:
    plain, named = split_assignments(line.words[1:])
    plain = [word for word in plain if word.lower() not in ("params:", "params")]
    if not plain:
        raise line.fail(f"{line.words[0]} names no sub-circuit")
    block = scope.block.find_block(plain[-1].lower())
    if block is None:
        raise line.fail(
            f"{line.words[0]} names no known sub-circuit: {plain[-1]!r}{nearest(plain[-1], scope.block.block_names())}"
        )
    if len(plain) - 1 != len(block.ports):
        raise line.fail(
            f"{line.words[0]} joins {len(plain) - 1} nets to {block.name}, which has {len(block.ports)} ports"
        )
    if any(block is outer for outer in scope.inside):
        raise line.fail(f"sub-circuit {block.name} contains itself")
    nets = {port.lower(): scope.net(node, line) for port, node in zip(block.ports, plain[:-1], strict=True)}
    prefix = f"{scope.prefix}{line.words[0]}_"
    inner = _Scope(block, dict(scope.values), nets, prefix, scope.whole, (*scope.inside, block))
    for name, text in block.defaults.items():
        inner.values[name] = inner.value(text, line)
    for name, text in named.items():
        inner.values[name] = scope.value(text, line)
    _fill(inner)


READERS: Final[dict[str, Callable[[_Scope, Line], None]]] = {
    "r": _two_terminal("resistor", "value", -1, {}),
    "c": _two_terminal("capacitor", "value", 1, {}),
    "l": _two_terminal("inductor", "value", -1, {"ohms": LEAST_INDUCTOR_OHMS}),
    "v": _source("v_source", "volts"),
    "i": _source("i_source", "amps"),
    "d": _diode,
    "q": _bjt,
    "m": _mosfet,
    "x": _instance,
}
