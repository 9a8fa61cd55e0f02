"""Read a SPICE netlist (R C L V I D Q M X, .model, .subckt, .param) into parts.

Sub-circuits are flattened: the part R1 inside X1 becomes X1_R1, its inner net n becomes X1_n. Node 0 (and GND) is the
circuit's ground. Series resistances inside transistors become resistors of their own (Q1_rc …). Of an ideal inductor
0.1 mΩ remain.

Parts here are for operating points and slow transients. Whatever a netlist says and that is not used stands in
Netlist.left_out: analyses, noise, temperature, initial conditions, charge in junctions, and what changes an operating
point too, such as a transistor's high-current roll-off. What cannot be read is refused, all of it at once; with
`keep_going` an element whose nodes can be told stands in Netlist.unread instead.
A diode with `bv` is read as a zener: its breakdown passes through (bv, ibv) as SPICE's does, with an emission
coefficient of 1 there, and 0.1 Ω in series forwards.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from wakeboard.instruments.virtual.circuit.errors import nearest
from wakeboard.instruments.virtual.circuit.part import Part, Value
from wakeboard.instruments.virtual.circuit.spice.expression import (
    ExpressionError,
    UnknownParameterError,
    evaluate,
    number,
)
from wakeboard.instruments.virtual.circuit.spice.text import (
    Block,
    Line,
    Model,
    NetlistError,
    SpareLineError,
    decimal_comma,
    read_blocks,
    split_assignments,
)

MOST_PARTS: Final = 20_000  # a bound on input: a board's netlist is smaller, a chip's is not for us
MOST_PROBLEMS: Final = 100  # more than a person mends at once
LEAST_INDUCTOR_OHMS: Final = 1e-4  # Ω: an ideal one would short its sources in the DC solution
NO_LEAK_OHMS: Final = 1e18  # a SPICE gate takes no current
# The nodes that stand first on an element's line, by its letter, as SPICE has them; those of X: all but the last word.
PINS: Final[Mapping[str, Sequence[str]]] = {
    **dict.fromkeys("rclbw", "12"), **dict.fromkeys("vifh", "PN"), **dict.fromkeys("egst", "1234"),
    "d": "AK", "q": "CBE", "j": "DGS", "z": "DGS", "m": "DGSB",
}  # fmt: skip
OXIDE: Final = 3.9 * 8.854214871e-12  # F/m, permittivity of a gate's oxide, as SPICE has it
MODEL_TYPES: Final = {"d": ("d",), "q": ("npn", "pnp"), "m": ("nmos", "pmos")}
# Model parameters that are used.
MODELLED: Final[dict[str, frozenset[str]]] = {
    "d": frozenset(["level", "is", "n", "rs", "bv", "ibv"]),
    "q": frozenset(["level", "is", "bf", "br", "vaf", "va", "rb", "rc", "re"]),
    "m": frozenset(["level", "vto", "vt0", "kp", "lambda", "is", "rd", "rs", "w", "l", "uo", "tox", "ld", "rsh"]),
}
# Those that change an operating point and that the part kinds do not have, with the value that means "none".
UNMODELLED: Final[dict[str, dict[str, float]]] = {
    "d": {"ikf": 0.0, "ik": 0.0, "isr": 0.0, "jtun": 0.0, "nbv": 1.0},
    "q": {"nf": 1.0, "nr": 1.0, "ise": 0.0, "isc": 0.0, "ikf": 0.0, "ikr": 0.0, "var": 0.0},
    "m": {"theta": 0.0, "vmax": 0.0, "nfs": 0.0, "js": 0.0, "nsub": 0.0, "nss": 0.0},
}
# What an element's line may say besides, without a use here; anything else is a slip of the pen.
UNUSED: Final[dict[str, frozenset[str]]] = {
    "r": frozenset(["tc", "tc1", "tc2", "temp", "dtemp", "noise", "noisy", "ac", "w", "l"]),
    "c": frozenset(["ic", "tc", "tc1", "tc2", "temp", "dtemp", "w", "l"]),
    "l": frozenset(["ic", "tc", "tc1", "tc2", "temp", "dtemp", "nt"]),
    "v": frozenset(["m", "ac", "distof1", "distof2", "portnum", "z0", "r"]),
    "i": frozenset(["ac", "distof1", "distof2"]),
    "d": frozenset(["pj", "ic", "temp", "dtemp", "off", "w", "l"]),
    "q": frozenset(["areab", "areac", "ic", "temp", "dtemp", "off"]),
    "m": frozenset(["ad", "as", "pd", "ps", "ic", "temp", "dtemp", "off"]),
}
WAVES: Final = frozenset(
    ["ac", "pulse", "sin", "exp", "pwl", "sffm", "am", "trnoise", "trrandom", "external", "distof1", "distof2"]
)


@dataclass(frozen=True)
class Unread:
    """An element that is there and that cannot be read. pins: pin -> net; says: why, with the line."""

    name: str
    line: int
    pins: Mapping[str, str]
    says: str


@dataclass(frozen=True)
class Netlist:
    """A netlist's parts, and all that it says and that parts cannot say, each with its line."""

    parts: list[Part]
    left_out: list[str]
    unread: tuple[Unread, ...] = ()


@dataclass
class _Reading:
    """What all instances share."""

    ground: str
    parts: list[Part] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)
    named: dict[str, int] = field(default_factory=dict)
    problems: list[NetlistError] = field(default_factory=list)
    nets: dict[tuple[str, str], str] = field(default_factory=dict)
    taken: set[str] = field(default_factory=set)
    keep_going: bool = False
    unread: list[Unread] = field(default_factory=list)

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
    copies: float = 1.0

    def leave(self, line: Line, what: str) -> None:
        """Say that something of a line is not used."""
        self.whole.left_out.append(f"line {line.number}: {what}")

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
            raise _TooMuchError(f"more than {MOST_PARTS} parts", line.number)
        self.whole.parts.append(Part(name, kind, pins, dict(values)))


def read(text: str, ground: str = "GND", *, keep_going: bool = False) -> Netlist:
    """A netlist's parts; nets keep their names, node 0 becomes `ground`.

    Raises NetlistError (a CircuitError) with the line, the element and what is allowed there, for all that is wrong;
    with keep_going for what is no single element's matter.
    """
    whole, block = _Reading(ground, keep_going=keep_going), read_blocks(text)
    if keep_going:
        _own_matter_only(block)
    try:
        _fill(_Scope(block, {}, {}, "", whole))
    except _TooMuchError as error:
        whole.problems.append(error)
    problems = [*block.problems, *whole.problems]
    if problems:
        problems += [NetlistError(each.says, each.line, (each.name,)) for each in whole.unread]
        raise NetlistError.together(problems)
    return Netlist(whole.parts, list(dict.fromkeys([*block.left_out, *whole.left_out])), tuple(whole.unread))


class _TooMuchError(NetlistError):
    """Reading on is of no use."""


def _own_matter_only(block: Block) -> None:
    """Lines that the rest can do without are left out, as far as one goes on: what needs them is not read either."""
    block.left_out += [
        str(each).removeprefix("netlist ") for each in block.problems if isinstance(each, SpareLineError)
    ]
    block.problems = [each for each in block.problems if not isinstance(each, SpareLineError)]


def _fill(scope: _Scope) -> None:
    """Read a block's lines; what is wrong with one is noted, and the next is read."""
    try:
        _set_parameters(scope, scope.block.params)
    except NetlistError as error:  # all that uses them would be wrong too
        scope.whole.problems.append(error)
        return
    for line in scope.block.elements:
        try:
            _read_line(scope, line)
        except _TooMuchError:
            raise
        except NetlistError as error:
            _note(scope, line, error)
            if len(scope.whole.problems) + len(scope.whole.unread) >= MOST_PROBLEMS:
                raise _TooMuchError("and so on: reading stops here", line.number) from error


def _note(scope: _Scope, line: Line, error: NetlistError) -> None:
    """An element that cannot be read is a problem, or for who goes on a part on its nets of which no more is known."""
    pins = _pins_at_least(scope, line) if scope.whole.keep_going else {}
    name = scope.prefix + line.words[0]
    if not pins or name.lower() in scope.whole.named:
        scope.whole.problems.append(error)
        return
    scope.whole.named[name.lower()] = line.number
    scope.whole.unread.append(Unread(name, line.number, pins, str(error)))


def _pins_at_least(scope: _Scope, line: Line) -> dict[str, str]:
    """The nets of an element by pin, where its letter says how many nodes stand first; none where they are too few."""
    letter, (plain, _) = line.head[0], split_assignments(line.words[1:])
    plain = [word for word in plain if word.lower() not in ("params:", "params")]
    pins = PINS.get(letter) or [str(number) for number in range(1, len(plain))]
    if (letter not in PINS and letter != "x") or not pins or len(plain) < len(pins):
        return {}
    try:
        return {pin: scope.net(node, line) for pin, node in zip(pins, plain, strict=False)}
    except NetlistError:
        return {}


def _read_line(scope: _Scope, line: Line) -> None:
    comma = decimal_comma(line.text)
    if comma:
        raise line.fail(f"{line.words[0]}: {comma!r} has a comma; use a point for decimals")
    reader = READERS.get(line.head[0])
    if reader is None:
        raise line.fail(f"element letter {line.words[0][0]!r} is not read; R C L V I D Q M X are")
    reader(scope, line)


def _only(scope: _Scope, line: Line, rest: Sequence[str], named: Mapping[str, str], *used: str) -> None:
    """Refuse words that have no meaning here, and list those that have one which parts do not know."""
    if rest:
        raise line.fail(f"{line.words[0]}: {' '.join(rest)!r} has no meaning here")
    known = UNUSED[line.head[0]]
    for name, value in named.items():
        if name in used:
            continue
        if name not in known:
            raise line.fail(f"{line.words[0]}: no {name!r} here{nearest(name, [*used, *known])}")
        scope.leave(line, f"{name}={value} of {line.words[0]}")


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
    return _Scope(scope.block, known, scope.nets, scope.prefix, scope.whole, scope.inside, scope.copies)


def _nodes(scope: _Scope, line: Line, count: int) -> tuple[list[str], list[str], dict[str, str]]:
    """The nets of the first `count` nodes, the words after them, and the assignments."""
    plain, named = split_assignments(line.words[1:])
    if len(plain) < count:
        raise line.fail(f"{line.words[0]} needs {count} nodes, found {len(plain)}")
    return [scope.net(node, line) for node in plain[:count]], plain[count:], named


def _copies(scope: _Scope, line: Line, named: Mapping[str, str]) -> float:
    """m: how many of the element stand side by side, with those of the sub-circuits around it."""
    return scope.copies * (_positive(scope, line, named["m"]) if "m" in named else 1.0)


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
        letter = line.head[0]
        _only(scope, line, rest[1:], named, "m", "scale", *(() if rest else (letter, "value")))
        scale = _positive(scope, line, named["scale"]) if "scale" in named else 1.0
        value = _positive(scope, line, text) * scale * _copies(scope, line, named) ** side_by_side
        scope.add(line, kind, {"1": nets[0], "2": nets[1]}, {key: value, **more})

    return read_one


def _source(kind: str, key: str) -> Callable[[_Scope, Line], None]:
    def read_one(scope: _Scope, line: Line) -> None:
        nets, rest, named = _nodes(scope, line, 2)
        value = scope.value(_direct(scope, line, rest, named), line)
        # SPICE counts a current source's current from its first node through the source to the second one.
        pins = {"P": nets[0], "N": nets[1]} if kind == "v_source" else {"P": nets[1], "N": nets[0]}
        _only(scope, line, (), named, "dc", *("m",) * (kind == "i_source"))
        if kind == "i_source":
            value *= _copies(scope, line, named)
        scope.add(line, kind, pins, {key: value})

    return read_one


def _direct(scope: _Scope, line: Line, rest: list[str], named: Mapping[str, str]) -> str:
    """The text of a source's direct part: what stands first or after DC; nothing is zero."""
    words = [word.lower() for word in rest]
    if "dc" in words:
        at = words.index("dc") + 1
        if at >= len(rest):
            raise line.fail(f"{line.words[0]}: no value after DC")
        found, more = rest[at], [*rest[: at - 1], *rest[at + 1 :]]
    elif not words or words[0] == "ac":
        found, more = named.get("dc", "0"), rest
    elif words[0] in WAVES:
        raise line.fail(f"{line.words[0]}: only DC sources are read, found {rest[0]}; put DC and a value before it")
    else:
        found, more = rest[0], rest[1:]
    if more and more[0].lower() not in WAVES:
        raise line.fail(f"{line.words[0]}: {' '.join(more)!r} has no meaning here")
    if more:
        scope.leave(line, f"{' '.join(more)} of {line.words[0]}")
    return found


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
    wanted = {*MODELLED[letter], *UNMODELLED[letter]}
    found = {name: scope.value(text, model.line) for name, text in model.values.items() if name in wanted}
    for name, none in UNMODELLED[letter].items():
        if found.get(name, none) != none:
            scope.leave(model.line, f"{name}={found[name]:g} of model {model.name}")
    others = [f"{name}={text}" for name, text in model.values.items() if name not in wanted]
    if others:
        scope.leave(model.line, f"{', '.join(others)} of model {model.name}: not of an operating point")
    return found


def _above_zero(line: Line, model: Model, **values: float) -> None:
    for name, value in values.items():
        if value <= 0:
            raise model.line.fail(f"{name} of {model.name} must be above zero (used by {line.words[0]})")


def _times(scope: _Scope, line: Line, rest: list[str], named: Mapping[str, str]) -> float:
    """Area factor times copies."""
    words = [word for word in rest if word.lower() != "off"]
    if len(words) < len(rest):
        scope.leave(line, f"off of {line.words[0]}")
    area = named.get("area", words[0] if words else "1")
    _only(scope, line, words[1 - ("area" in named) :], named, "m", "area")
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
    if at:
        scope.leave(line, f"the substrate of {line.words[0]}")
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
    _only(scope, line, rest[1:], named, "m", "w", "l", "nrd", "nrs")
    width = scope.value(named["w"], line) if "w" in named else given.get("w", 1e-4)
    length = scope.value(named["l"], line) if "l" in named else given.get("l", 1e-4)
    length -= 2 * given.get("ld", 0.0)
    slope = _transconductance(scope, card, given)
    _above_zero(line, card, kp=slope, w=width, **{"l - 2·ld": length, "is": given.get("is", 1e-14)})
    times = _copies(scope, line, named)
    channel = "n" if card.type == "nmos" else "p"
    threshold = given.get("vto", given.get("vt0", 0.0)) * (1 if channel == "n" else -1)
    if threshold < 0:
        raise line.fail(f"{card.name} is a depletion type (vto on the other side of zero); enhancement types are read")
    values: dict[str, Value] = {
        "channel": channel,
        "threshold": threshold,
        "beta": slope * width / length * times,
        "lambda": given.get("lambda", 0.0),
        "body": given.get("is", 1e-14) * times,
        "gate_leak_ohms": NO_LEAK_OHMS,
    }
    drain, source = (
        _behind(scope, line, net, tail, _sheet(scope, line, given, named, tail) / times)
        for net, tail in ((nets[0], "rd"), (nets[2], "rs"))
    )
    scope.add(line, "mosfet", {"D": drain, "G": nets[1], "S": source}, values)


def _transconductance(scope: _Scope, card: Model, given: Mapping[str, float]) -> float:
    """kp, A/V²: as given, or of mobility and oxide where the oxide is."""
    if "kp" not in given and given.get("tox", 0.0) > 0:
        return given.get("uo", 600.0) * 1e-4 * OXIDE / given["tox"]
    unused = [f"{name}={given[name]:g}" for name in ("uo", "tox") if name in given]
    if unused:
        scope.leave(card.line, f"{', '.join(unused)} of model {card.name}: no part in kp here, as in SPICE")
    return given.get("kp", 2e-5)


def _sheet(scope: _Scope, line: Line, given: Mapping[str, float], named: Mapping[str, str], tail: str) -> float:
    """The series resistance at drain or source: as given, or so many squares (one, if nobody says) of a sheet."""
    squares = {"rd": "nrd", "rs": "nrs"}[tail]
    if tail in given or not given.get("rsh"):
        if squares in named:
            scope.leave(line, f"{squares}={named[squares]} of {line.words[0]}")
        return given.get(tail, 0.0)
    return given["rsh"] * (scope.value(named.get(squares, "1"), line) or 1.0)


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
            f"{line.words[0]} joins {_several(len(plain) - 1, 'net')} to {block.name}, "
            f"which has {_several(len(block.ports), 'port')}"
        )
    if any(block is outer for outer in scope.inside):
        raise line.fail(f"sub-circuit {block.name} contains itself")
    nets = {port.lower(): scope.net(node, line) for port, node in zip(block.ports, plain[:-1], strict=True)}
    prefix = f"{scope.prefix}{line.words[0]}_"
    copies = scope.copies * (_positive(scope, line, named["m"]) if "m" in named else 1.0)
    inner = _Scope(block, dict(scope.values), nets, prefix, scope.whole, (*scope.inside, block), copies)
    handed = {name: scope.value(text, line) for name, text in named.items() if name != "m"}
    for name in handed:
        if name not in block.defaults and not _uses(block, name):
            scope.leave(line, f"{name}={named[name]} of {line.words[0]}: {block.name} has no use for it")
    inner.values.update(handed)
    _set_parameters(inner, [(line, name, text) for name, text in block.defaults.items() if name not in handed])
    _fill(inner)


def _several(number: int, one: str) -> str:
    return f"{number} {one}{'' if number == 1 else 's'}"


def _uses(block: Block, name: str) -> bool:
    """Whether a parameter's name stands anywhere in a block."""
    texts = [line.text for line in block.elements] + [text for _, _, text in block.params]
    texts += [text for model in block.models.values() for text in model.values.values()]
    return any(re.search(rf"\b{re.escape(name)}\b", text, re.IGNORECASE) for text in texts) or any(
        _uses(inner, name) for inner in block.blocks.values()
    )


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
