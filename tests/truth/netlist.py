"""The reading of a drawing: parts of a board, in one specimen's world, as elements of physics.py.

What the drawing leaves unsaid has here the defaults that its documentation names (sequences and pages of `describe`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from itertools import pairwise
from typing import Any, Final

from wakeboard.instruments.virtual.circuit import Circuit, Fault, Part
from wakeboard.instruments.virtual.circuit.faults.effects import effects

from .physics import thermal
from .solver import Network
from .worlds import Unit

ALWAYS: Final = -1e3  # V: a gate that is always open
FOREVER: Final = 1e30
CLAMP: Final = (1e-14, 8.0)  # A, Ω: 0.66 V at 1 mA
INPUT: Final = 1e-9  # S of an input
RUNS: Final = (0.9, 0.4)
WAKES: Final = (1.2, 0.4)
"""V, and V over which, in the world "none": where a part draws, and where an output drives, as the product has it."""
DEFAULTS: Final[Mapping[str, Mapping[str, Any]]] = {
    "diode": {"drop": 0.7, "at": 0.01, "emission": 1.0, "ohms": 0.0},
    "schottky": {"drop": 0.4, "at": 1.0, "emission": 1.05, "ohms": 0.05},
    "led": {"drop": 2.0, "at": 0.01, "emission": 2.0, "ohms": 5.0},
    "zener": {"at": 5e-3, "ohms": 10.0, "knee": 1e-9, "emission": 1.0, "saturation": 1e-14},
    "mosfet": {"channel": "n", "threshold": 1.0, "ohms": 0.1, "at": 4.5, "lambda": 0.0, "body": 1e-12,
               "gate_leak_ohms": 1e12},
    "bjt": {"type": "npn", "gain": 100.0, "reverse_gain": 1.0, "saturation": 1e-15},
    "inductor": {"ohms": 0.1}, "fuse": {"ohms": 0.05}, "ptc": {"ohms": 0.2, "tripped_ohms": 100.0},
    "button": {"ohms": 0.1, "open_ohms": 1e9}, "crystal": {"leak_ohms": 500e6},
    "switch": {"ohms": 0.02, "on": False}, "bleed": {"on": True}, "battery": {"volts": 3.7, "ohms": 0.1},
    "load": {"amps": 0.0, "watts": 0.0, "least": 1.0, "on": True},
    "ldo": {"dropout": 0.2}, "buck": {"dropout": 0.1, "efficiency": 0.9}, "boost": {"efficiency": 0.85},
    "adjustable_ldo": {"dropout": 0.2, "feedback_leak_ohms": 100e6},
    "adjustable_buck": {"dropout": 0.1, "efficiency": 0.9, "feedback_leak_ohms": 100e6},
    "adjustable_boost": {"efficiency": 0.85, "most_ratio": 8.0, "feedback_leak_ohms": 100e6},
    "esd_array": {"breakdown": 6.0},
    "load_switch": {"ohms": 0.1, "limit": 1e3, "lockout": 1.0},
    "ideal_diode": {"ohms": 0.05, "limit": 1e3, "quiescent": 1e-6},
    "charger": {"volts": 4.2, "current": 0.1, "leak": 1e-6, "load_ohms": 0.1, "dropout": 0.2, "headroom": 0.05},
    "supervisor": {"ohms": 50.0, "sink": 10e-3, "quiescent": 5e-6},
    "meter": {"ohms": 10e6, "test_amps": 0.0, "compliance_volts": 5.0},
    "bench_supply": {"volts": 0.0, "limit": 0.1, "on": False, "series_ohms": 0.01, "off_ohms": 1e6},
}  # fmt: skip
REGULATOR: Final = {
    "limit": 0.5, "lockout": 2.0, "quiescent": 50e-6, "load_ohms": 0.02, "enable_above": 1.0, "enable_pull": "none",
    "enable_pull_ohms": 500e3, "enable_leak_ohms": 20e6,
}  # fmt: skip


class Placed:
    """A part at its nets, in one specimen: its values, and a hand to write its elements."""

    def __init__(
        self, net: Network, part: Part, unit: Unit, overrides: Mapping[str, Any], pins: Mapping[str, str]
    ) -> None:
        ground = part.ground_pin  # whatever its maker calls it
        self.pins = pins if ground is None else {**pins, "GND": pins[ground]}
        self.net, self.part, self.unit, self.overrides = net, part, unit, overrides
        self.vt = thermal(unit.kelvin)

    def get(self, path: str, default: Any = None) -> Any:
        """As set, as drawn (in this specimen), or as documented."""
        if path in self.overrides:
            return self.overrides[path]
        head, dot, tail = path.partition(".")
        found: Any = None
        if dot:
            for table in ("io", "supply"):
                found = self.part.values.get(table, {}).get(head, {}).get(tail, found)
        else:
            found = self.part.values.get(path)
        if found is None:
            found = DEFAULTS.get(self.part.kind, {}).get(path, REGULATOR.get(path)) if default is None else default
        if isinstance(found, float | int) and not isinstance(found, bool):
            return self.unit.stated(self.part, path, float(found))
        return found

    def num(self, path: str, default: Any = None) -> float:
        return float(self.get(path, default))

    def key(self, *pins: str) -> list[tuple[str, str] | None]:
        return [(self.part.name, pin) for pin in pins]

    def conduct(self, a: str, b: str, siemens: float) -> None:
        self.net.conductance(self.pins[a], self.pins[b], siemens, owner=self.key(a, b))

    def diode(self, a: str, b: str, saturation: float, emission: float, ohms: float, offset: float = 0.0) -> None:
        self.net.junction(
            self.pins[a], self.pins[b], saturation, emission * self.vt, ohms, offset, owner=self.key(a, b)
        )

    def put(self, name: str, at: Iterable[str], *parameters: float, owner: Iterable[str | None] | None = None) -> None:
        pins = list(at)
        keys = [None if p is None else (self.part.name, p) for p in (pins if owner is None else owner)]
        self.net.add(name, [self.pins[p] for p in pins], *parameters, owner=keys)

    def has(self, pin: str) -> bool:
        return pin in self.pins

    @property
    def alive(self) -> bool:
        return not self.overrides.get("dead") and not self.part.values.get("dead")


# --- passive --------------------------------------------------------------------------------------------------------
def resistor(p: Placed) -> None:
    p.conduct("1", "2", 1 / max(p.num("value"), 1e-4))


def bleed(p: Placed) -> None:
    if p.get("on"):
        p.conduct("1", "2", 1 / p.num("value"))


def capacitor(p: Placed) -> None:
    ohms = p.get("leak_ohms")
    own = 1 / float(ohms) if ohms else 0.0
    p.conduct("1", "2", own + p.unit.insulation(p.part, float(p.part.values["value"])))


def winding(p: Placed) -> None:
    p.conduct("1", "2", 1 / max(p.num("ohms"), 1e-4))


def fuse(p: Placed) -> None:
    if not p.get("blown"):
        p.conduct("1", "2", 1 / p.num("ohms"))


def ptc(p: Placed) -> None:
    p.conduct("1", "2", 1 / p.num("tripped_ohms" if p.get("tripped") else "ohms"))


def switch(p: Placed) -> None:
    if p.get("on"):
        p.conduct("1", "2", 1 / p.num("ohms"))


def button(p: Placed) -> None:
    p.conduct("1", "2", 1 / p.num("ohms") if p.get("pressed") else 1 / p.num("open_ohms"))


def crystal(p: Placed) -> None:
    p.conduct("1", "2", 1 / p.num("leak_ohms"))


def connector(p: Placed) -> None:
    """Nothing of its own."""


# --- diodes ---------------------------------------------------------------------------------------------------------
def diode(p: Placed) -> None:
    a, k = ("K", "A") if p.get("reversed") else ("A", "K")
    emission, ohms = p.num("emission"), p.num("ohms")
    if p.get("saturation") is not None:
        saturation = p.num("saturation") * math.exp(-p.unit.drop_shift(p.part) / (emission * p.vt))
    else:
        inner = p.num("drop") + p.unit.drop_shift(p.part) - p.num("at") * ohms
        saturation = p.num("at") / math.expm1(inner / (emission * p.vt))
    p.diode(a, k, saturation, emission, ohms)
    amps = p.unit.back(p.part)
    if amps:
        p.put("reverse", (a, k), amps, float(p.part.ratings.get("voltage", 20.0)))


def zener(p: Placed) -> None:
    a, k = ("K", "A") if p.get("reversed") else ("A", "K")
    emission = p.num("emission")
    forward = p.num("saturation") * math.exp(-p.unit.drop_shift(p.part) / (emission * p.vt))
    p.diode(a, k, forward, emission, 0.1)
    at, knee, ohms = p.num("at"), p.num("knee"), p.num("ohms")
    p.diode(k, a, knee, 1.0, ohms, max(p.num("volts") - p.vt * math.log(at / knee) - at * ohms, 0.1))
    amps = p.unit.back(p.part)
    if amps:
        p.put("reverse", (a, k), amps, p.num("volts") * 0.7)


def esd_array(p: Placed) -> None:
    """Diodes from ground to each line and from each to VCC, and one that breaks down."""
    for pin in p.part.pins:
        if pin == "GND":
            continue
        p.diode("GND", pin, 1e-13 * math.exp(-p.unit.drop_shift(p.part) / p.vt), 1.0, 0.5)
        if pin != "VCC" and p.has("VCC"):
            p.diode(pin, "VCC", 1e-13, 1.0, 0.5)
        else:
            p.diode(pin, "GND", 1e-9, 1.0, 0.5, p.num("breakdown"))
        if pin != "VCC":
            pin_leak(p, pin, "VCC" if p.has("VCC") else "GND")
    if p.has("VCC"):
        p.conduct("VCC", "GND", 1e-9)


# --- transistors ----------------------------------------------------------------------------------------------------
def mosfet(p: Placed) -> None:
    sign = 1.0 if p.get("channel") == "n" else -1.0
    shift, ratio, off = p.unit.mosfet(p.part)
    drawn = abs(p.num("threshold"))
    threshold = max(drawn + shift, 0.1)
    beta = p.num("beta") if p.get("beta") is not None else 1 / (p.num("ohms") * ratio * (abs(p.num("at")) - drawn))
    d, s = ("S", "D") if p.get("reversed") else ("D", "S")
    # below its threshold a real channel still conducts a little; the drawn one ends there
    knee = p.vt if p.unit.world.has("mosfet") else p.vt / 50
    p.put("mosfet", ("G", d, s), sign, beta, threshold, p.num("lambda"), knee)
    body = max(p.num("body"), 1e-30) * math.exp(-p.unit.drop_shift(p.part) / p.vt)
    p.diode(*((s, d) if sign > 0 else (d, s)), body, 1.0, 0.02)
    p.conduct("G", "S", 1 / p.num("gate_leak_ohms"))
    if off:
        p.put("leak", (d, s), off, 0.3)


def bjt(p: Placed) -> None:
    sign = 1.0 if p.get("type") == "npn" else -1.0
    early = p.get("early")
    saturation = p.num("saturation") * math.exp(-p.unit.drop_shift(p.part) / p.vt)
    inverse = 1 / float(early) if early else 0.0
    c, e = ("E", "C") if p.get("reversed") else ("C", "E")
    p.put("bjt", ("B", c, e), sign, saturation, p.num("gain"), p.num("reverse_gain"), inverse, p.vt)


# --- power ----------------------------------------------------------------------------------------------------------
def enable(p: Placed) -> tuple[str, float, float]:
    """(pin, threshold, sense) of the enable; IN, always open, without one."""
    if not p.has("EN"):
        return "IN", ALWAYS, 1.0
    return "EN", p.num("enable_above"), -1.0 if p.get("active_low") else 1.0


def enable_pin(p: Placed) -> None:
    if not p.has("EN"):
        return
    pull, siemens = p.get("enable_pull"), 1 / p.num("enable_pull_ohms")
    if pull == "up":
        p.conduct("IN", "EN", siemens)
    p.conduct("EN", "GND", siemens if pull == "down" else 1 / p.num("enable_leak_ohms"))
    pin_leak(p, "EN", "IN")


def own_current(p: Placed, pin: str, lockout: float, width: float = 0.1) -> None:
    """What a regulator takes for itself, behind its enable and lock-out."""
    factor, knee, power = p.unit.quiescent(p.part)
    amps = p.num("quiescent") * factor
    if not p.alive or not amps:
        return
    en, threshold, sense = enable(p)
    if sense < 0:
        p.put("two_gates", (pin, "GND", "GND", pin), amps, knee, power, ALWAYS, 0.1, lockout, width)
    else:
        p.put("two_gates", (pin, "GND", en, pin), amps, knee, power, threshold, 0.1, lockout, width)


def body(p: Placed, a: str, k: str) -> None:
    p.diode(a, k, 1e-12 * math.exp(-p.unit.drop_shift(p.part) / p.vt), 1.0, 0.05)


def ldo(p: Placed) -> None:
    if p.alive:
        rated = p.part.ratings.get("current") or p.num("limit")
        en, threshold, sense = enable(p)
        through = rated / (p.num("dropout") * p.unit.dropout(p.part))
        p.put("regulator", ("IN", "OUT", "GND", en), p.num("volts"), 1 / p.num("load_ohms"), through, p.num("limit"),
              threshold, sense, p.num("lockout"), 0.1)  # fmt: skip
    body(p, "OUT", "IN")
    own_current(p, "IN", p.num("lockout"))
    drain = p.get("drain_ohms")
    p.conduct("OUT", "GND", (1 / float(drain) if drain else 1e-7) + p.unit.feedback(p.part))
    enable_pin(p)


def buck(p: Placed) -> None:
    switcher(p, 1.0, p.num("dropout") * p.unit.dropout(p.part))
    body(p, "OUT", "IN")


def boost(p: Placed) -> None:
    switcher(p, 100.0, 0.0)
    body(p, "IN", "OUT")


def adjustable_ldo(p: Placed) -> None:
    if p.alive:
        rated = p.part.ratings.get("current") or p.num("limit")
        en, threshold, sense = enable(p)
        through = rated / (p.num("dropout") * p.unit.dropout(p.part))
        p.put("fed_back", ("IN", "OUT", "FB", "GND", en), p.num("reference"), 4 / p.num("load_ohms"), through,
              p.num("limit"), threshold, sense, p.num("lockout"))  # fmt: skip
    body(p, "OUT", "IN")
    own_current(p, "IN", p.num("lockout"))
    feedback(p)
    enable_pin(p)


def adjustable_buck(p: Placed) -> None:
    adjustable_switcher(p, 1.0, p.num("dropout") * p.unit.dropout(p.part))
    body(p, "OUT", "IN")


def adjustable_boost(p: Placed) -> None:
    adjustable_switcher(p, p.num("most_ratio"), 0.0)
    body(p, "IN", "OUT")


def adjustable_switcher(p: Placed, duty: float, drop: float) -> None:
    if p.alive:
        en, threshold, sense = enable(p)
        siemens, lockout = 1 / p.num("load_ohms"), p.num("lockout")
        p.put("fed_back_converter", ("IN", "OUT", "FB", "GND", en), p.num("reference"), 4 * siemens, siemens, duty,
              drop, p.num("limit"), p.num("efficiency"), max(lockout * 0.5, 0.3), threshold, sense,
              lockout)  # fmt: skip
    own_current(p, "IN", p.num("lockout"))
    feedback(p)
    enable_pin(p)


def feedback(p: Placed) -> None:
    """What FB and OUT take by themselves."""
    p.conduct("FB", "GND", 1 / p.num("feedback_leak_ohms"))
    pin_leak(p, "FB", "IN")
    p.conduct("OUT", "GND", 1e-7 + p.unit.feedback(p.part))


def switcher(p: Placed, duty: float, drop: float) -> None:
    if p.alive:
        en, threshold, sense = enable(p)
        lockout = p.num("lockout")
        p.put("converter", ("IN", "OUT", "GND", en), p.num("volts"), 1 / p.num("load_ohms"), duty, drop, p.num("limit"),
              p.num("efficiency"), max(lockout * 0.5, 0.3), threshold, sense, lockout)  # fmt: skip
    own_current(p, "IN", p.num("lockout"))
    p.conduct("OUT", "GND", 1e-7 + p.unit.feedback(p.part))
    enable_pin(p)


def load_switch(p: Placed) -> None:
    if p.alive:
        en, threshold, sense = enable(p)
        p.put("load_switch", ("IN", "OUT", "GND", en), 1 / (p.num("ohms") * p.unit.drive(p.part, "OUT")),
              p.num("limit"), threshold, sense, p.num("lockout"))  # fmt: skip
    if not p.part.values.get("blocks_reverse"):
        body(p, "OUT", "IN")
    own_current(p, "IN", p.num("lockout"))
    drain = p.get("drain_ohms")
    p.conduct("OUT", "GND", 1 / float(drain) if drain else 1e-8)
    enable_pin(p)


def ideal_diode(p: Placed) -> None:
    if p.alive:
        p.put("one_way", ("A", "K"), 1 / p.num("ohms"), p.num("limit"))
        if p.has("GND"):
            factor, knee, power = p.unit.quiescent(p.part)
            p.put("sink", ("K", "GND", "K", "GND"), p.num("quiescent") * factor, knee, power, ALWAYS, 1.0)


def charger(p: Placed) -> None:
    if p.alive:
        en, threshold, sense = enable(p)
        amps = p.num("current")
        through = amps / (p.num("dropout") * p.unit.dropout(p.part))
        p.put("charger", ("IN", "BAT", "GND", en), p.num("volts"), 1 / p.num("load_ohms"), through, amps, threshold,
              sense, p.num("headroom"))  # fmt: skip
    factor, knee, power = p.unit.quiescent(p.part)
    p.put("sink", ("BAT", "GND", "BAT", "GND"), p.num("leak") * factor, knee, power, ALWAYS, 1.0)
    if p.alive:
        p.put("sink", ("IN", "GND", "IN", "GND"), p.num("quiescent") * factor, knee, power, 1.5, 0.5)
    enable_pin(p)


def supervisor(p: Placed) -> None:
    held = 1.0 if p.get("held") else 0.0
    siemens, most, threshold = 1 / p.num("ohms"), p.num("sink"), p.num("threshold")
    if p.alive:
        p.put("supervisor", ("OUT", "VDD", "GND"), siemens, most, threshold, 0.9, held)
        if p.get("push_pull"):
            p.put("push", ("OUT", "VDD", "GND"), siemens, most, threshold, held)
        factor, knee, power = p.unit.quiescent(p.part)
        gated = (ALWAYS, 1.0) if p.unit.world.has("quiescent") else RUNS
        p.put("sink", ("VDD", "GND", "VDD", "GND"), p.num("quiescent") * factor, knee, power, *gated)
    p.conduct("OUT", "GND", 1e-8)
    pin_leak(p, "OUT", "VDD")


def battery(p: Placed) -> None:
    # by Norton: a very large test current would do the same
    p.put("limited_source", ("P", "N"), p.num("volts"), 1 / p.num("ohms"), FOREVER)


def v_source(p: Placed) -> None:
    siemens = 1 / max(p.num("ohms", 0.0), 1e-6)
    p.put("limited_source", ("P", "N"), p.num("volts"), siemens, FOREVER)


def load(p: Placed) -> None:
    if p.get("ohms"):
        p.conduct("P", "N", 1 / p.num("ohms"))
    if not p.get("on"):
        return
    if p.num("amps"):
        p.put("sink", ("P", "N", "P", "N"), p.num("amps"), p.num("least"), 1.0, ALWAYS, 1.0)
    if p.num("watts"):
        p.put("power_load", ("P", "N"), p.num("watts"), p.num("least"))


# --- chips ----------------------------------------------------------------------------------------------------------
def pin_leak(p: Placed, pin: str, rail: str) -> None:
    amps = p.unit.leak(p.part, pin)
    if amps > 0:
        p.put("leak", (rail, pin), amps, 0.3)
    elif amps < 0:
        p.put("leak", (pin, "GND"), -amps, 0.3)


def rail_of(p: Placed, pin: str) -> str:
    supply = p.part.values.get("supply", {})
    return str(p.get(f"{pin}.rail") or ("VDD" if "VDD" in p.pins else next(iter(supply))))


def chip(p: Placed) -> None:
    for pin in p.part.values.get("supply", {}):
        supply_pin(p, pin)
    for pin in p.part.values.get("io", {}):
        io_pin(p, pin)


def supply_pin(p: Placed, pin: str) -> None:
    _, shift, ratio = p.unit.clamp(p.part, pin)
    p.diode("GND", pin, CLAMP[0] * math.exp(-shift / p.vt), 1.0, CLAMP[1] * ratio)
    above = p.num(f"{pin}.above", 1.0)
    draws = p.get(f"{pin}.standby", 0.0) if p.get("asleep") else p.get(f"{pin}.draws", p.get(f"{pin}.amps", 0.0))
    amps = float(draws) * p.unit.supply(p.part, pin)
    if p.alive and amps:
        p.put("sink", (pin, "GND", pin, "GND"), amps, max(above / 2, 0.1), 1.0, above * 0.9, max(above * 0.2, 0.1))
    ohms = p.unit.unpowered(p.part, pin)
    if ohms:
        p.put("leak", (pin, "GND"), 0.4 / ohms, 0.4)
    early = p.unit.early(p.part, pin)
    if early and amps:
        share, knee, power = early
        p.put("sink", (pin, "GND", pin, "GND"), share * amps, knee + above / 2, power, ALWAYS, 1.0)


def io_pin(p: Placed, pin: str) -> None:
    kind, drive = p.get(f"{pin}.type", "io"), p.get(f"{pin}.drive", "off")
    rail = rail_of(p, pin)
    if p.alive:
        if (drive == "high" and kind != "open_drain") or drive == "low":
            output(p, pin, rail, 1.0 if drive == "high" else 0.0)
        if drive in ("up", "down"):
            p.conduct(*((rail, pin) if drive == "up" else (pin, "GND")), 1 / p.num(f"{pin}.pull_ohms", 40e3))
    for path, ends in ((f"{pin}.pull_up", (rail, pin)), (f"{pin}.pull_down", (pin, "GND"))):
        if p.get(path) not in (None, "none"):
            p.conduct(*ends, 1 / p.num(path))
    p.conduct(pin, "GND", INPUT)
    there, shift, ratio = p.unit.clamp(p.part, pin)
    saturation = CLAMP[0] * math.exp(-shift / p.vt)
    if p.get(f"{pin}.clamp", True):
        if there:
            p.diode(pin, rail, saturation, 1.0, CLAMP[1] * ratio)
        p.diode("GND", pin, saturation, 1.0, CLAMP[1] * ratio)
    pin_leak(p, pin, rail)
    stated = p.get(f"{pin}.leak")
    if isinstance(stated, float | int) and stated:
        stated_leak(p, pin, rail, float(stated))


def output(p: Placed, pin: str, rail: str, high: float) -> None:
    siemens = 1 / (p.num(f"{pin}.ohms", 40.0) * p.unit.drive(p.part, pin))
    start = p.unit.starts(p.part)
    if start is None:
        start = ALWAYS if p.unit.world.level != "none" else WAKES[0]
    p.put("driver", (pin, rail, "GND"), siemens, high, start, WAKES[1], FOREVER)


def stated_leak(p: Placed, pin: str, rail: str, amps: float) -> None:
    park = p.get(f"{pin}.park")
    size = abs(amps)
    if amps < 0:
        p.put("sink", (pin, "GND", pin, "GND"), size, 0.2, 1.0, float(park or 0.0) + 0.1, 0.2)
    elif park is None:
        p.put("sink", (rail, pin, rail, pin), size, 0.2, 1.0, ALWAYS, 1.0)
    else:
        p.put("limited_source", (pin, "GND"), float(park), size / 0.2, size)


# --- the bench ------------------------------------------------------------------------------------------------------
def bench_supply(p: Placed) -> None:
    if p.get("on"):
        p.put("limited_source", ("P", "N"), p.num("volts"), 1 / p.num("series_ohms"), max(p.num("limit"), 0.0))
    p.conduct("P", "N", 1 / p.num("off_ohms"))


def meter(p: Placed) -> None:
    p.conduct("HI", "LO", 1 / p.num("ohms"))
    amps, compliance = p.num("test_amps"), p.num("compliance_volts")
    if amps:
        p.put("limited_source", ("HI", "LO"), compliance, amps / (0.01 * compliance), amps)


KINDS: Final[Mapping[str, Callable[[Placed], None]]] = {
    "resistor": resistor, "bleed": bleed, "capacitor": capacitor, "inductor": winding, "fuse": fuse, "ptc": ptc,
    "switch": switch, "button": button, "crystal": crystal, "connector": connector, "diode": diode,
    "schottky": diode, "led": diode, "zener": zener,
    "mosfet": mosfet, "bjt": bjt, "ldo": ldo, "buck": buck, "boost": boost, "load_switch": load_switch,
    "adjustable_ldo": adjustable_ldo, "adjustable_buck": adjustable_buck, "adjustable_boost": adjustable_boost,
    "esd_array": esd_array, "ideal_diode": ideal_diode, "charger": charger, "supervisor": supervisor,
    "battery": battery, "v_source": v_source, "load": load, "chip": chip, "bench_supply": bench_supply, "meter": meter,
}  # fmt: skip
BENCH: Final = ("bench_supply", "meter", "bleed")


class Specimen:
    """One unit's parts with its faults, as elements. Bench parts are put on for each state."""

    def __init__(self, circuit: Circuit, unit: Unit, faults: Iterable[Fault] = ()) -> None:
        self.circuit, self.unit = circuit, unit
        self.overrides: dict[str, dict[str, Any]] = {}
        self.moves: dict[str, str] = {}
        self.bridges: list[tuple[Any, Any, float]] = []
        for fault in faults:
            effect = effects(circuit, fault)
            for name, changed in effect.values.items():
                self.overrides.setdefault(name, {}).update(changed)
            self.moves.update(effect.moves)
            self.bridges += effect.bridges
        bench = {part.name for part in circuit.parts if part.kind in BENCH or part.name.startswith("bench_")}
        self.board = [part for part in circuit.parts if part.name not in bench]
        self.bench = [part for part in circuit.parts if part.name in bench]
        self.bench_names = bench
        self._pairs = _near(self.board, circuit.ground)

    def network(self, settings: Mapping[str, Mapping[str, Any]]) -> Network:
        """The board's elements under settings (part -> path -> value), without the bench's parts."""
        net = Network(self.circuit.ground)
        for name in self.circuit.nets:
            net.node(name)
        for part in self.board:
            self.place(net, part, {**settings.get(part.name, {}), **self.overrides.get(part.name, {})}, self.moves)
        for a, b, siemens in self.unit.residue(self._pairs):
            net.conductance(a, b, siemens)
        for first, second, siemens in self.bridges:
            owner = [place if isinstance(place, tuple) else None for place in (first, second)]
            net.conductance(self._net(first), self._net(second), siemens, owner=owner)
        return net

    def _net(self, place: Any) -> str:
        if not isinstance(place, tuple):
            return str(place)
        return self.moves.get(".".join(place), self.circuit.part(place[0]).net(place[1]))

    def place(self, net: Network, part: Part, overrides: Mapping[str, Any], moves: Mapping[str, str]) -> None:
        pins = {pin: moves.get(f"{part.name}.{pin}", at) for pin, at in part.pins.items()}
        for at in pins.values():
            net.node(at)
        if not overrides.get("missing"):
            KINDS[part.kind](Placed(net, part, self.unit, overrides, pins))


def _near(parts: Iterable[Part], ground: str) -> list[tuple[str, str]]:
    """Nets that come close to each other at a part's pads, where flux may lie."""
    found: dict[tuple[str, str], None] = {}
    for part in parts:
        nets = list(part.pins.values())
        for a, b in [*pairwise(nets), *((n, ground) for n in nets)]:
            if a != b:
                found[a, b] = None
    return list(found)
