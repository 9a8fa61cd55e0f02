"""Where a part kind writes down its elements.

Terminals are the part's pins (by name), nodes of its own (`inner`), or GROUND, the circuit's zero. A `scale` of 0
writes the same elements with no strength: a missing part keeps its place in the layout, so that every variant of a
circuit shares one.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Final

from wakeboard.instruments.virtual.circuit.solver.devices import (
    BJT,
    CONVERTER,
    JUNCTION,
    LEAST_OHMS,
    LINEAR,
    MOSFET,
    NEVER,
    POWER,
    SOURCE,
    THERMAL_VOLTS,
    VALVE,
    Device,
)

from .errors import CircuitError
from .part import GROUNDS, Part, Value

GROUND: Final = "0"
MOST_KEPT: Final = 5000
"""Sets of a pin's elements that are kept for a part, some 2 kB each."""
Port = tuple[str, str]
Affine = tuple[str, str, float, float]
"""(plus, minus, gain, offset): gain·(v(plus) - v(minus)) + offset."""


@dataclass(frozen=True)
class Element:
    """One element: its device, the terminals of each port, and its parameters in the device's order."""

    device: Device
    ports: tuple[Port, ...]
    values: tuple[float, ...]
    label: str = ""


@dataclass
class Draft:
    """A part being expanded, under the given overrides of its values."""

    part: Part
    overrides: Mapping[str, Value]
    defaults: Mapping[str, Value]
    elements: list[Element] = field(default_factory=list)
    inner_nodes: list[str] = field(default_factory=list)
    known: dict[tuple[object, ...], list[Element]] = field(default_factory=dict)  # by `kept`, of earlier drafts

    def __post_init__(self) -> None:
        self.scale = 0.0 if self.overrides.get("missing") else 1.0

    # --- values ---------------------------------------------------------------------------------------------------
    def value(self, path: str, default: Value = None) -> Value:
        """The value at a path ("ohms", "GPIO7.drive"): override, then the part's own, then the kind's default."""
        if path in self.overrides:
            return self.overrides[path]
        head, dot, tail = path.partition(".")
        if dot:
            for table in ("io", "supply"):
                entry = self.part.values.get(table, {}).get(head)
                if entry is not None and tail in entry:
                    return entry[tail]
            return default
        found = self.part.values.get(path)
        if found is not None:
            return found
        return self.defaults.get(path) if default is None else default

    def number(self, path: str, default: float | None = None) -> float:
        """A value that must be a finite number."""
        found = self.value(path, default)
        if isinstance(found, bool) or not isinstance(found, int | float) or not math.isfinite(found):
            raise CircuitError(f"{self.part.name}: {path} must be a number, found {found!r}", [self.part.name])
        return float(found)

    def positive(self, path: str, default: float | None = None) -> float:
        """A value that must be above zero."""
        found = self.number(path, default)
        if found <= 0:
            raise CircuitError(f"{self.part.name}: {path} must be above zero, found {found:g}", [self.part.name])
        return found

    def has(self, pin: str) -> bool:
        return pin in self.part.pins

    @property
    def ground_pin(self) -> str:
        """The part's own name of its ground pin; CircuitError where no pin is named as one."""
        found = self.part.ground_pin
        if found is None:
            raise CircuitError(
                f"{self.part.name} ({self.part.kind}): no pin is named as its ground ({', '.join(GROUNDS[:6])} …); it "
                f"has {', '.join(self.part.pins)}", [self.part.name],
            )  # fmt: skip
        return found

    def inner(self, name: str) -> str:
        """A node of the part's own."""
        if name not in self.inner_nodes:
            self.inner_nodes.append(name)
        return name

    @cached_property
    def _by_head(self) -> dict[str, list[tuple[str, Value]]]:
        """The overrides by pin; under "" those of the part as a whole."""
        found: dict[str, list[tuple[str, Value]]] = {}
        for path, value in self.overrides.items():
            head, dot, _ = path.partition(".")
            found.setdefault(head if dot else "", []).append((path, value))
        return found

    # --- elements -------------------------------------------------------------------------------------------------
    def kept(self, write: Callable[[Draft, str], None], pin: str) -> None:
        """What `write` writes for a pin, taken from before where the overrides of this pin, and of the part as a whole,
        are the same: one value of one pin is moved at a time, on a part of fifty pins. It must ask for no other pin's
        values, and make no inner nodes."""
        own = self._by_head
        key = (write, pin, *own.get("", ()), *own.get(pin, ()))
        found = self.known.get(key)
        if found is None:
            first = len(self.elements)
            write(self, pin)
            if len(self.known) > MOST_KEPT:
                self.known.clear()
            self.known[key] = self.elements[first:]
        else:
            self.elements += found

    def _add(self, device: Device, ports: tuple[Port, ...], *values: float, label: str = "") -> None:
        if self.scale == 0.0:
            values = tuple(
                0.0 if name in device.scales else value for name, value in zip(device.parameters, values, strict=True)
            )
        self.elements.append(Element(device, ports, values, label))

    def conductance(self, plus: str, minus: str, siemens: float, amps: float = 0.0, label: str = "") -> None:
        """Current siemens·u - amps from plus to minus (amps: what an internal source pushes out of plus)."""
        self._add(LINEAR, ((plus, minus),), siemens, amps, 0.0, 0.0, label=label)

    def resistance(self, plus: str, minus: str, ohms: float, label: str = "") -> None:
        """A resistor; ohms = inf is none."""
        self.conductance(plus, minus, 1 / ohms, label=label)

    def capacitor(self, plus: str, minus: str, farads: float, leak: float = 0.0) -> None:
        """A capacitor with a leakage conductance (S)."""
        self._add(LINEAR, ((plus, minus),), leak, 0.0, farads, 0.0)

    def inductor(self, plus: str, minus: str, henries: float, ohms: float) -> None:
        """An inductor with its winding's resistance."""
        self._add(LINEAR, ((plus, minus),), 1 / ohms, 0.0, 0.0, henries)

    def source(self, plus: str, minus: str, volts: float, ohms: float = 0.0) -> None:
        """An ideal voltage source (a branch unknown), `ohms` in series."""
        branch = (1.0, ohms, volts) if self.scale else (0.0, 1.0, 0.0)
        self._add(SOURCE, ((plus, minus),), *branch)

    def junction(
        self,
        anode: str,
        cathode: str,
        saturation: float,
        emission: float = 1.0,
        ohms: float = 0.0,
        *,
        offset: float = 0.0,
        sign: float = 1.0,
        share: float = 1.0,
    ) -> None:
        """Is·(exp(v/(n·Vt)) - 1) with `ohms` in series, shifted by `offset` volts (a breakdown); sign = -1 turns it.
        share: of its current that flows; 0 where it is not there."""
        vt = emission * THERMAL_VOLTS
        rs = max(ohms, LEAST_OHMS)
        log_c = math.log(saturation * rs / vt) + saturation * rs / vt
        # what makes f(0) = 0: Is for a plain diode, next to nothing for a breakdown far away
        rest = saturation * math.exp(-offset / vt) if offset else saturation
        critical = vt * math.log(vt / (math.sqrt(2) * saturation)) if rs < 1e-3 else NEVER
        self._add(
            JUNCTION,
            ((anode, cathode),),
            sign,
            offset,
            1 / vt,
            log_c,
            vt / rs,
            1 / rs,
            rest,
            critical,
            self.scale * share,
        )

    def valve(
        self,
        plus: str,
        minus: str,
        first: Affine,
        second: Affine | None = None,
        *,
        low: float = 0.0,
        high: float = NEVER,
        gates: tuple[Affine, ...] = (),
        scale: float = 1.0,
        label: str = "",
    ) -> None:
        """gate·clip(min(first, second), low, high) amperes from plus to minus; at most two gates (see devices)."""
        ports: list[Port] = [(plus, minus), (first[0], first[1])]
        values = [first[2], first[3]]
        ports.append((second[0], second[1]) if second else (GROUND, GROUND))
        values += [second[2], second[3]] if second else [0.0, NEVER]
        values += [low, high]
        for k in range(2):
            gate = gates[k] if k < len(gates) else (GROUND, GROUND, 0.0, NEVER)
            ports.append((gate[0], gate[1]))
            values += [gate[2], gate[3]]
        self._add(VALVE, tuple(ports), *values, scale * self.scale, label=label)

    def converter(
        self,
        output: Port,
        source: Port,
        enable: Affine,
        lockout: tuple[float, float],
        *,
        siemens: float,
        volts: float,
        duty: float,
        drop: float,
        limit: float,
        efficiency: float,
        least: float,
        scale: float = 1.0,
        feedback: tuple[Port, float] | None = None,
    ) -> None:
        """A switching regulator (see devices); `enable` and `lockout` are gain and offset of its gates.

        feedback: the port whose voltage, times a gain, is held at `volts`; the output itself when left out.
        """
        sensed, gain = feedback or (output, 1.0)
        self._add(
            CONVERTER,
            (output, source, (enable[0], enable[1]), sensed),
            siemens,
            volts,
            duty,
            drop,
            limit,
            efficiency,
            least,
            enable[2],
            enable[3],
            *lockout,
            scale * self.scale,
            gain,
        )

    def mosfet(
        self, gate: str, drain: str, source: str, *, sign: float, beta: float, threshold: float, lam: float = 0.0
    ) -> None:
        """The channel: beta in A/V², threshold in V (positive in the channel's own sense), lam in 1/V."""
        self._add(MOSFET, ((gate, source), (drain, source)), sign, beta, threshold, lam, self.scale)

    def bjt(
        self,
        collector: str,
        base: str,
        emitter: str,
        *,
        sign: float,
        saturation: float,
        forward: float,
        reverse: float,
        early: float = math.inf,
    ) -> None:
        """Ebers-Moll transistor: forward and reverse current gain, Early voltage."""
        critical = THERMAL_VOLTS * math.log(THERMAL_VOLTS / (math.sqrt(2) * saturation))
        ports = ((base, emitter), (base, collector), (collector, emitter))
        self._add(
            BJT, ports, sign, saturation, THERMAL_VOLTS, 1 / forward, 1 / reverse, 1 / early, critical, self.scale
        )

    def power_load(self, plus: str, minus: str, watts: float, least: float) -> None:
        """Constant power above `least` volts, resistive below."""
        self._add(POWER, ((plus, minus),), watts, least, self.scale)


def ramp(threshold: float, width: float) -> tuple[float, float]:
    """Gain and offset of a gate that opens between threshold - width/2 and threshold + width/2."""
    return 1 / width, 0.5 - threshold / width
