"""Faults by their texts.

    PART:open  PART:missing  PART:short  PART:reversed  PART:dead
    PART:value=470k  PART:variant=2.8 V
    PART.PIN:pull_up=13k  PART.PIN:pull_down=13k  PART.PIN:stuck=high  PART.PIN:net=VSYS  PART.PIN:open
    NET+NET:bridge=3
    PART:as_drawn  PART.PIN:as_drawn  NET+NET:as_drawn       takes back what stands before it of this very place

str(parse_fault(text)) gives the text back. Whether a fault fits a circuit is found when it is applied (effects).
A net's name may itself hold a "+": "+3V3+GND:bridge=3" is split where both sides are nets of the circuit.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from wakeboard.instruments.quantity import QuantityError, parse
from wakeboard.instruments.virtual.circuit.errors import CircuitError, nearest

MENDED = "as_drawn"
"""What a repair makes of a place: no change by itself, but what was listed before of the same place is over."""
PLAIN = ("open", "missing", "short", "reversed", "dead")
ON_PART = {"value": "a value, as 470k", "variant": "the value of a look-alike, as 2.8 V"}
ON_PIN = {
    "pull_up": "ohms, as 13k",
    "pull_down": "ohms, as 13k",
    "stuck": "high or low",
    "net": "the net where the pin sits",
}
FORMS = (
    "PART:open, PART:missing, PART:short, PART:reversed, PART:dead, PART:value=470k, PART:variant=2.8 V, "
    "PART.PIN:pull_up=13k, PART.PIN:pull_down=13k, PART.PIN:stuck=high, PART.PIN:net=VSYS, PART.PIN:open, "
    "NET+NET:bridge=3; TARGET:as_drawn takes it back"
)
_CATEGORY = {
    "open": "open",
    "missing": "missing",
    "short": "short",
    "reversed": "reversed",
    "dead": "dead",
    "value": "value",
    "variant": "variant",
    "pull_up": "pull",
    "pull_down": "pull",
    "stuck": "stuck",
    "net": "net",
    "bridge": "bridge",
    MENDED: MENDED,
}


_BARE = re.compile(r"[0-9.eE+-]+\Z")


@dataclass(frozen=True)
class Fault:
    """A change of a circuit. target: PART, PART.PIN or NET+NET; kind: the word after the colon; argument: its text."""

    target: str
    kind: str
    argument: str = ""

    def __str__(self) -> str:
        return f"{self.target}:{self.kind}" + (f"={self.argument}" if self.argument else "")

    @property
    def category(self) -> str:
        """What priors go by: open, missing, short, reversed, dead, value, variant, pull, stuck, net, bridge, lifted."""
        if self.kind == "open" and self.on_pin:
            return "lifted"
        return _CATEGORY[self.kind]

    @property
    def on_pin(self) -> bool:
        """Whether the target is PART.PIN."""
        return not self.on_nets and "." in self.target

    @property
    def on_nets(self) -> bool:
        """Whether the target is NET+NET."""
        return self.kind == "bridge" or (self.kind == MENDED and "+" in self.target[1:-1])

    @property
    def part(self) -> str:
        """The part's name; "" for a bridge."""
        return "" if self.on_nets else self.target.partition(".")[0]

    @property
    def pin(self) -> str:
        """The pin's name; "" where the fault is the whole part's."""
        return self.target.partition(".")[2] if self.on_pin else ""

    @property
    def ohms(self) -> float:
        """The argument of a pull or a bridge."""
        return ohms(self.argument)


def in_force(faults: Iterable[Fault]) -> list[Fault]:
    """What is left of faults that came one after the other: one that says "as_drawn" takes back those before it."""
    left: list[Fault] = []
    for fault in faults:
        if fault.kind == MENDED:
            left = [each for each in left if not _same_place(each, fault)]
        else:
            left.append(fault)
    return left


def _same_place(one: Fault, other: Fault) -> bool:
    if one.target == other.target:
        return True
    text = one.target
    turned = {f"{text[k + 1 :]}+{text[:k]}" for k in range(1, len(text) - 1) if text[k] == "+"}
    return one.on_nets and other.on_nets and other.target in turned


def ohms(text: str) -> float:
    """Ohms above zero; a bare number is one."""
    try:
        found = parse(text, "" if _BARE.match(text.strip()) else "Ω")
    except QuantityError as error:
        raise CircuitError(f"{text!r} is no resistance: {error}") from None
    if not found > 0:
        raise CircuitError(f"a resistance must be above zero, found {text!r}")
    return found


def parse_fault(text: str) -> Fault:
    """The fault that a text names; CircuitError says what is wrong and what is allowed."""
    target, colon, rest = text.strip().rpartition(":")
    if not colon or not target or not rest:
        raise CircuitError(f"{text!r} is no fault; a fault is written {FORMS}")
    word, equals, argument = (piece.strip() for piece in rest.partition("="))
    fault = Fault(target.strip(), word, argument)
    _check_word(text, fault, bool(equals))
    if word in ("pull_up", "pull_down", "bridge"):
        ohms(argument)
    if word == "stuck" and argument not in ("high", "low"):
        raise CircuitError(f"{text!r}: stuck is high or low, found {argument!r}{nearest(argument, ('high', 'low'))}")
    return fault


def _check_word(text: str, fault: Fault, has_argument: bool) -> None:
    word = fault.kind
    if word not in _CATEGORY:
        raise CircuitError(f"{text!r}: no fault {word!r}; allowed: {', '.join(_CATEGORY)}{nearest(word, _CATEGORY)}")
    if word in PLAIN or word == MENDED:
        if has_argument:
            raise CircuitError(f"{text!r}: {word} takes no value")
        if fault.on_pin and word not in ("open", MENDED):
            raise CircuitError(f"{text!r}: {word} is a fault of a whole part, written {fault.part}:{word}")
        return
    if not fault.argument:
        needs = {**ON_PART, **ON_PIN, "bridge": "ohms, as 3"}[word]
        raise CircuitError(f"{text!r}: {word} needs {needs}: {fault.target}:{word}=…")
    if word in ON_PIN and not fault.on_pin:
        raise CircuitError(f"{text!r}: {word} is a fault of one pin, written PART.PIN:{word}={fault.argument}")
    if word in ON_PART and fault.on_pin:
        raise CircuitError(f"{text!r}: {word} is a fault of a whole part, written {fault.part}:{word}={fault.argument}")
    if word == "bridge" and "+" not in fault.target[1:-1]:
        raise CircuitError(f"{text!r}: a bridge joins two nets, written NET+NET:bridge={fault.argument}")
