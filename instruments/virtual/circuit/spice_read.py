"""Read a SPICE netlist (R C L V I D Q M X, .model, .subckt, .param) into parts.

Sub-circuits are flattened: the part R1 inside X1 becomes X1_R1, its inner net n becomes X1_n. Node 0 (and GND) is the
circuit's ground. What the netlist says of an analysis, of noise, of temperature or of charge in junctions is left
out: parts here are for operating points and slow transients.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Final

from .errors import nearest
from .part import Part, Value
from .spice_text import Block, Line, Model, NetlistError, evaluate, number, read_blocks, split_assignments

DEEPEST: Final = 20
MODEL_TYPES: Final = {"d": ("d",), "q": ("npn", "pnp"), "m": ("nmos", "pmos")}


@dataclass
class _Scope:
    """One instance of a block: its parameters, the nets its ports are joined to, the prefix of its names."""

    block: Block
    values: dict[str, float]
    nets: Mapping[str, str]
    prefix: str
    ground: str
    depth: int = 0
    parts: list[Part] = field(default_factory=list)

    def net(self, node: str) -> str:
        if node == "0" or node.lower() == "gnd":
            return self.ground
        return self.nets.get(node.lower(), self.prefix + node)

    def value(self, text: str, line: Line) -> float:
        """A number, a parameter, or an expression in braces or quotes."""
        bare = text.strip()
        if bare[:1] in "{'\"" and len(bare) > 1:
            return evaluate(bare[1:-1], self.values, line)
        found = number(bare)
        if found is None:
            found = self.values.get(bare.lower())
        if found is None:
            raise line.fail(
                f"no number in {text!r}{nearest(bare, self.values)}; such as 4.7k, 10u, 1meg or {{expression}}"
            )
        return found


def read_netlist(text: str, ground: str = "GND") -> list[Part]:
    """The parts of a netlist; nets keep their names, node 0 becomes `ground`.

    Raises NetlistError (a CircuitError) with the line, the element and what is allowed there.
    """
    top = read_blocks(text)
    scope = _Scope(top, {}, {}, "", ground)
    _fill(scope)
    names: dict[str, Part] = {}
    for part in scope.parts:
        if part.name.lower() in names:
            raise NetlistError(f"{part.name} stands twice in the netlist", 0, (part.name,))
        names[part.name.lower()] = part
    return scope.parts


def _fill(scope: _Scope) -> None:
    for line, name, text in scope.block.params:
        scope.values[name] = scope.value(text, line)
    for line in scope.block.elements:
        reader = READERS.get(line.head[0])
        if reader is None:
            raise line.fail(f"element letter {line.words[0][0]!r} is not read; R C L V I D Q M X are")
        reader(scope, line)


def _nodes(scope: _Scope, line: Line, count: int) -> tuple[list[str], list[str], dict[str, str]]:
    """The nets of the first `count` nodes, the words after them, and the assignments."""
    plain, named = split_assignments(line.words[1:])
    if len(plain) < count:
        raise line.fail(f"{line.words[0]} needs {count} nodes, found {len(plain)}")
    return [scope.net(node) for node in plain[:count]], plain[count:], named


def _add(scope: _Scope, line: Line, kind: str, pins: Mapping[str, str], values: Mapping[str, Value]) -> None:
    scope.parts.append(Part(scope.prefix + line.words[0], kind, pins, dict(values)))


def _two_terminal(kind: str, key: str) -> Callable[[_Scope, Line], None]:
    def read(scope: _Scope, line: Line) -> None:
        nets, rest, named = _nodes(scope, line, 2)
        text = rest[0] if rest else named.get(line.head[0], named.get("value"))
        if text is None:
            raise line.fail(f"{line.words[0]} has no value")
        value = scope.value(text, line)
        if value <= 0:
            raise line.fail(f"{line.words[0]} must be above zero, found {text}")
        _add(scope, line, kind, {"1": nets[0], "2": nets[1]}, {key: value})

    return read


def _source(kind: str, key: str) -> Callable[[_Scope, Line], None]:
    def read(scope: _Scope, line: Line) -> None:
        nets, rest, _named = _nodes(scope, line, 2)
        words = [word for word in rest if word.lower() != "dc"]
        if (
            words
            and number(words[0]) is None
            and words[0].lower() in ("pulse", "sin", "exp", "pwl", "sffm", "am", "ac")
        ):
            raise line.fail(f"{line.words[0]}: only DC sources are read, found {words[0]}")
        value = scope.value(words[0], line) if words else 0.0
        # SPICE counts a current source's current from its first node through the source to the second one.
        pins = {"P": nets[0], "N": nets[1]} if kind == "v_source" else {"P": nets[1], "N": nets[0]}
        _add(scope, line, kind, pins, {key: value})

    return read


def _model(scope: _Scope, line: Line, word: str, letter: str) -> Model:
    model = scope.block.find_model(word.lower())
    if model is None:
        raise line.fail(f"{line.words[0]} names no known model: {word!r}{nearest(word, scope.block.model_names())}")
    if model.type not in MODEL_TYPES[letter]:
        raise line.fail(
            f"{line.words[0]} needs a model of type {' or '.join(MODEL_TYPES[letter])}, {model.name} is {model.type}"
        )
    return model


def _numbers(scope: _Scope, model: Model) -> dict[str, float]:
    return {name: scope.value(text, model.line) for name, text in model.values.items() if name not in ("level",)}


def _diode(scope: _Scope, line: Line) -> None:
    nets, rest, _named = _nodes(scope, line, 2)
    if not rest:
        raise line.fail(f"{line.words[0]} names no model")
    model = _numbers(scope, _model(scope, line, rest[0], "d"))
    area = scope.value(rest[1], line) if len(rest) > 1 else 1.0
    saturation, ohms = model.get("is", 1e-14) * area, model.get("rs", 0.0) / area
    pins = {"A": nets[0], "K": nets[1]}
    if "bv" in model:
        at = model.get("ibv", 1e-3)
        values = {
            "volts": model["bv"],
            "at": at,
            "saturation": saturation,
            "emission": model.get("n", 1.0),
            "ohms": ohms,
        }
        _add(scope, line, "zener", pins, values)
    else:
        _add(scope, line, "diode", pins, {"saturation": saturation, "emission": model.get("n", 1.0), "ohms": ohms})


def _bjt(scope: _Scope, line: Line) -> None:
    nets, rest, _named = _nodes(scope, line, 3)
    # An optional fourth node (substrate) stands before the model.
    word = next((word for word in rest if scope.block.find_model(word.lower())), rest[0] if rest else "")
    model = _model(scope, line, word, "q")
    given = _numbers(scope, model)
    values: dict[str, Value] = {
        "type": model.type,
        "saturation": given.get("is", 1e-16),
        "gain": given.get("bf", 100.0),
        "reverse_gain": given.get("br", 1.0),
    }
    if given.get("vaf", 0.0) > 0:
        values["early"] = given["vaf"]
    _add(scope, line, "bjt", {"C": nets[0], "B": nets[1], "E": nets[2]}, values)


def _mosfet(scope: _Scope, line: Line) -> None:
    nets, rest, named = _nodes(scope, line, 4)
    if not rest:
        raise line.fail(f"{line.words[0]} names no model")
    model = _model(scope, line, rest[0], "m")
    level = model.values.get("level", "1")
    if level != "1":
        raise line.fail(f"{model.name} is a level {level} transistor; level 1 is read")
    if nets[3] != nets[2]:
        raise line.fail(f"{line.words[0]}: body on its own net is not read; tie it to the source")
    given = _numbers(scope, model)
    width = scope.value(named["w"], line) if "w" in named else given.get("w", 1e-4)
    length = scope.value(named["l"], line) if "l" in named else given.get("l", 1e-4)
    channel = "n" if model.type == "nmos" else "p"
    threshold = given.get("vto", 0.0) * (1 if channel == "n" else -1)
    if threshold < 0:
        raise line.fail(f"{model.name} is a depletion type (vto {given['vto']:g} V); enhancement types are read")
    values: dict[str, Value] = {
        "channel": channel,
        "threshold": threshold,
        "beta": given.get("kp", 2e-5) * width / length,
        "lambda": given.get("lambda", 0.0),
        "body": given.get("is", 1e-14),
    }
    _add(scope, line, "mosfet", {"D": nets[0], "G": nets[1], "S": nets[2]}, values)


def _instance(scope: _Scope, line: Line) -> None:
    plain, named = split_assignments(line.words[1:])
    plain = [word for word in plain if word.lower() not in ("params:", "params")]
    if not plain:
        raise line.fail(f"{line.words[0]} names no sub-circuit")
    block = scope.block.find_block(plain[-1].lower())
    if block is None:
        raise line.fail(
            f"{line.words[0]} names no known sub-circuit: {plain[-1]!r}{nearest(plain[-1], scope.block.blocks)}"
        )
    if len(plain) - 1 != len(block.ports):
        raise line.fail(
            f"{line.words[0]} joins {len(plain) - 1} nets to {block.name}, which has {len(block.ports)} ports"
        )
    if scope.depth >= DEEPEST:
        raise line.fail(f"sub-circuits nest more than {DEEPEST} deep; does {block.name} contain itself?")
    inner = _Scope(
        block,
        dict(scope.values),
        {port.lower(): scope.net(node) for port, node in zip(block.ports, plain[:-1], strict=True)},
        f"{scope.prefix}{line.words[0]}_",
        scope.ground,
        scope.depth + 1,
        scope.parts,
    )
    for name, text in block.defaults.items():
        inner.values[name] = scope.value(text, line)
    for name, text in named.items():
        inner.values[name] = scope.value(text, line)
    _fill(inner)


READERS: Final[dict[str, Callable[[_Scope, Line], None]]] = {
    "r": _two_terminal("resistor", "value"),
    "c": _two_terminal("capacitor", "value"),
    "l": _two_terminal("inductor", "value"),
    "v": _source("v_source", "volts"),
    "i": _source("i_source", "amps"),
    "d": _diode,
    "q": _bjt,
    "m": _mosfet,
    "x": _instance,
}
