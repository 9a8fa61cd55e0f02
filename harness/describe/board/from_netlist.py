"""A board file begun from a SPICE netlist: its parts, and a supply for every positive source against ground.

    begun = begun_from(text, "Amplifier")
    begun.board, begun.sequence      # the texts of board.toml and first-power-on.toml

What a netlist does not say stands in the files as a comment to fill in: tolerances, absolute maxima, where a probe
reaches the nets, what the lines are for. An element that cannot be read is a part without a model on its nets, marked
FILL IN with line and reason. Raises NetlistError, line and element named, for what leaves no circuit to go on with.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from wakeboard.instruments.virtual.circuit.part import Part
    from wakeboard.instruments.virtual.circuit.spice.read import Netlist, Unread

GROUND: Final = "GND"
_BARE: Final = re.compile(r"[A-Za-z0-9_-]+\Z")


@dataclass(frozen=True)
class Begun:
    """The texts of board.toml and first-power-on.toml; what was not read, by the part that is left to fill in, and
    what was left out; how many parts there are."""

    board: str
    sequence: str
    unread: tuple[Unread, ...]
    left_out: list[str]
    parts: int


def begun_from(text: str, name: str) -> Begun:
    """What the netlist `text` begins; name: the board's. Raises NetlistError, CircuitError."""
    from wakeboard.instruments.virtual.circuit import Circuit, CircuitError
    from wakeboard.instruments.virtual.circuit.spice.read import read

    netlist = read(text, GROUND, keep_going=True)
    supplies = [part for part in netlist.parts if _is_supply(part)]
    parts = [part for part in netlist.parts if part not in supplies]
    why = "".join(f"\n{each.says}" for each in netlist.unread)
    if not supplies:
        raise CircuitError(f"no voltage source above 0 V against ground: nothing to power the board with{why}")
    if not parts:
        raise CircuitError(f"sources and nothing else: no part to put on a board{why}")
    # Floating nets and loops of sources are told here, by part.
    Circuit([*netlist.parts, *map(_without_model, netlist.unread)], GROUND).check()
    board = _board(name, supplies, parts, netlist)
    return Begun(board, _sequence(supplies), netlist.unread, netlist.left_out, len(parts) + len(netlist.unread))


def _without_model(unread: Unread) -> Part:
    from wakeboard.instruments.virtual.circuit.part import Part

    return Part(unread.name, "unmodelled", unread.pins, {})


def _is_supply(part: Part) -> bool:
    return part.kind == "v_source" and part.pins["N"] == GROUND and float(part.values["volts"]) > 0


def _board(name: str, supplies: Iterable[Part], parts: Iterable[Part], netlist: Netlist) -> str:
    nets = list(dict.fromkeys(part.pins["P"] for part in supplies))
    lines = [
        "# Begun from a SPICE netlist, which says nothing of tolerances, absolute maxima or where a probe reaches:",
        '# tolerance = "1 %" and max = { voltage = "…", current = "…", power = "…" } go into each part, as on its data',
        "# sheet; [rails] and [lines] say what should be where; [points] where a probe reaches it.",
        *(f"# Not used: {each}" for each in netlist.left_out),
        "",
        "[board]",
        f"name = {json.dumps(name, ensure_ascii=False)}",
        'revision = "A"',
        f'ground = "{GROUND}"',
        "",
        "# A source of the netlist above 0 V against ground is a way for power to enter. ± 5 % is a guess.",
    ]
    for part in supplies:
        volts = quantity(float(part.values["volts"]), "V")
        lines += [f"[supplies.{_key(part.name)}]", f"net = {_text(part.pins['P'])}", f'volts = "{volts} ± 5 %"', ""]
    lines += ["[points]", *(f'P{k} = {{ net = {_text(net)}, place = "" }}' for k, net in enumerate(nets, 1)), ""]
    lines += ["[parts]", *map(_part, parts), *map(_unread, netlist.unread), ""]
    return "\n".join(lines)


def _part(part: Part) -> str:
    from wakeboard.instruments.virtual.circuit.parts import kind_of

    kind = kind_of(part)
    pins = ", ".join(f"{_key(pin)} = {_text(net)}" for pin, net in part.pins.items())
    values = {name: _value(kind.values[name].unit, value) for name, value in part.values.items()}
    words = [f'kind = "{kind.name}"', *(f"{name} = {text}" for name, text in values.items()), f"pins = {{ {pins} }}"]
    return f"{_key(part.name)} = {{ {', '.join(words)} }}"


def _unread(unread: Unread) -> str:
    pins = ", ".join(f"{_key(pin)} = {_text(net)}" for pin, net in unread.pins.items())
    why = " ".join(unread.says.split())
    return f'{_key(unread.name)} = {{ kind = "unmodelled", pins = {{ {pins} }} }}   # FILL IN: {why}'


def _value(unit: str, value: object) -> str:
    """As TOML: a number with its unit, to the last digit, so that the circuit is the netlist's."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if unit and isinstance(value, int | float):
        return f'"{quantity(float(value), unit)}"'
    return json.dumps(value, ensure_ascii=False)


def digits(value: float) -> str:
    """The shortest that is the value but for the last bits, which a multiplier such as n leaves."""
    texts = (f"{value:.{count}g}" for count in range(6, 17))
    return next((text for text in texts if math.isclose(float(text), value, rel_tol=1e-14)), repr(value))


def quantity(value: float, unit: str) -> str:
    """As on a schematic, 100 nF, wherever that reads back as the value to its last bits; else all its digits."""
    from wakeboard.instruments.quantity import PREFIXES, parse

    size = abs(value)
    for prefix, power in PREFIXES:
        if unit != "%" and 1 <= float(f"{size:.6g}") / 10**power < 1000:
            text = f"{digits(value / 10**power)} {prefix}{unit}"
            if "e" not in text.split()[0] and math.isclose(parse(text, unit), value, rel_tol=1e-14):
                return text
    return f"{digits(value)} {unit}"


def _text(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def _key(name: str) -> str:
    return name if _BARE.match(name) else _text(name)


def _sequence(supplies: Iterable[Part]) -> str:
    lines = [
        "# The first minutes: unpowered shorts, then one source at a time. Every limit here is a guess: set it.",
        "# CAUTION. A current limit does not make a short safe, and capacitors stay charged.",
        'title = "First power-on"',
        'board = "board.toml"',
        "",
        "[[step]]",
        'do = "resistance"',
        'of = "every supply"',
    ]
    for part in supplies:
        steps: list[Mapping[str, str]] = [
            {"do": "power on", "supply": part.name, "limit": "50 mA", "ramp": "0.5 V every 20 ms"},
            {"do": "volts", "of": "every point"},
            {"do": "power off", "supply": part.name},
        ]
        for step in steps:
            lines += ["", "[[step]]", *(f"{word} = {_text(value)}" for word, value in step.items())]
    return "\n".join([*lines, ""])
