"""Absolute maximum ratings, watched over time.

Voltage between any two pins of a part counts at once. Current (its square) and power go through a first-order heat
filter whose time constant belongs to the part's kind (Kind.thermal_s): a microsecond of charging current burns nothing.
A chip's pin with a `max` of its own is watched as the rating "current PIN".
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import scipy.sparse as sparse

from wakeboard.instruments.virtual.circuit.parts import kind_of
from wakeboard.instruments.virtual.circuit.solver.devices import Array
from wakeboard.instruments.virtual.circuit.solver.structure import Ints, Structure

if TYPE_CHECKING:
    from wakeboard.instruments.virtual.circuit.model import Model

ALMOST = 1 - 1e-9  # of a limit: what stays below it cannot pass the limit by rounding


@dataclass(frozen=True)
class Overstress:
    """A part beyond a rating: "voltage" (V), "current" or "current PIN" (A), "power" (W); when it first was (s)."""

    part: str
    rating: str
    reached: float
    allowed: float
    time: float


@dataclass
class _Heat:
    """One quantity behind its heat filter: names, limits, filtered values, time constants (R,)."""

    names: list[tuple[str, str]]
    limits: Array
    value: Array
    tau: Array

    def move(self, target: Array, seconds: float) -> None:
        self.value = target + (self.value - target) * np.exp(-seconds / self.tau)


def pin_ratings(values: Mapping[str, object]) -> dict[str, float]:
    """Pin -> amperes, of a chip's io table."""
    io = values.get("io", {})
    assert isinstance(io, Mapping)
    return {
        pin: float(entry["max"])
        for pin, entry in io.items()
        if isinstance(entry, Mapping) and isinstance(entry.get("max"), int | float)
    }


class Watch:
    """The ratings of a model's parts, and what went past them."""

    def __init__(self, model: Model) -> None:
        self._found: dict[tuple[str, str], Overstress] = {}
        pins: list[int] = []
        starts: list[int] = []
        self._volt_names: list[str] = []
        volt_limits: list[float] = []
        amp: list[tuple[str, str, float, list[int], float]] = []
        watt: list[tuple[str, float, list[int], float]] = []
        for part in model.circuit.parts:
            terminals = [model.layout.terminal(part.name, pin) for pin in part.pins]
            tau = float(part.ratings.get("thermal_s", kind_of(part).thermal_s))
            if "voltage" in part.ratings and terminals:
                starts.append(len(pins))
                pins += terminals
                self._volt_names.append(part.name)
                volt_limits.append(part.ratings["voltage"])
            if "current" in part.ratings and terminals:
                amp.append((part.name, "current", part.ratings["current"], terminals, tau))
            for pin, most in pin_ratings(part.values).items():
                if pin in part.pins:
                    amp.append((part.name, f"current {pin}", most, [model.layout.terminal(part.name, pin)], tau))
            if "power" in part.ratings and terminals:
                watt.append((part.name, part.ratings["power"], terminals, tau))
        self._volt_pins, self._volt_starts = np.array(pins, dtype=np.intp), np.array(starts, dtype=np.intp)
        self._volt_limits = np.array(volt_limits)
        self._amp_terminals = np.array([t for a in amp for t in a[3]], dtype=np.intp)
        self._amp_starts = np.cumsum([0, *(len(a[3]) for a in amp)])[:-1].astype(np.intp)
        self._amps = _heat([(a[0], a[1]) for a in amp], [a[2] ** 2 for a in amp], [a[4] for a in amp])
        self._watt_terminals = np.array([t for w in watt for t in w[2]], dtype=np.intp)
        self._watt_starts = np.cumsum([0, *(len(w[2]) for w in watt)])[:-1].astype(np.intp)
        self._watts = _heat([(w[0], "power") for w in watt], [w[1] for w in watt], [w[3] for w in watt])
        wanted = np.concatenate([self._amp_terminals, self._watt_terminals])
        self._pin_currents = _current_rows(model, wanted)
        self._amp_target = np.zeros(len(amp))
        self._watt_target = np.zeros(len(watt))

    @property
    def found(self) -> list[Overstress]:
        return sorted(self._found.values(), key=lambda o: o.time)

    def onto(self, model: Model) -> Watch:
        """The same watch over a layout that has gained nodes."""
        fresh = Watch(model)
        fresh._found, fresh._amps, fresh._watts = self._found, self._amps, self._watts
        fresh._amp_target, fresh._watt_target = self._amp_target, self._watt_target
        return fresh

    def place(self, structure: Structure) -> None:
        """Where the pins are now."""
        self.place_at(structure.at)

    def place_at(self, at: Ints) -> None:
        """The same, given the node of each terminal."""
        self._volt_nodes: Ints = at[self._volt_pins]
        self._watt_nodes: Ints = at[self._watt_terminals]

    def exceeded_by(self, at: Ints, x: Array, currents: Array, volts: float = 1.0, heat: float = ALMOST) -> bool:
        """Whether any of S states takes a part past a rating, or would if it lasted: node of each terminal (S, T),
        unknowns (S, n), element currents (S, C). Where none does, no heat filter can come to its limit either. volts,
        heat: past which share of a voltage, and of a current squared or a power."""
        rows = np.arange(len(x))[:, None]
        if len(self._volt_names):
            v = x[rows, at[:, self._volt_pins]]
            highest, lowest = (fold.reduceat(v, self._volt_starts, axis=1) for fold in (np.maximum, np.minimum))
            if (highest - lowest > self._volt_limits * volts).any():
                return True
        through = (self._pin_currents @ currents.T).T
        split = len(self._amp_terminals)
        if len(self._amps.names):
            amps = np.maximum.reduceat(through[:, :split] ** 2, self._amp_starts, axis=1)
            if (amps > self._amps.limits * heat).any():
                return True
        if len(self._watts.names):
            watts = through[:, split:] * x[rows, at[:, self._watt_terminals]]
            return bool((np.add.reduceat(watts, self._watt_starts, axis=1) > self._watts.limits * heat).any())
        return False

    def step(self, time: float, seconds: float, x: Array, currents: Array) -> None:
        """Look at a new state that holds since `seconds`."""
        if len(self._volt_names):
            v = x[self._volt_nodes]
            spread = np.maximum.reduceat(v, self._volt_starts) - np.minimum.reduceat(v, self._volt_starts)
            for k in np.flatnonzero(spread > self._volt_limits):
                self._note(self._volt_names[k], "voltage", float(spread[k]), float(self._volt_limits[k]), time)
        through = self._pin_currents @ currents
        split = len(self._amp_terminals)
        if len(self._amps.names):
            self._amp_target = np.maximum.reduceat(through[:split] ** 2, self._amp_starts)
        if len(self._watts.names):
            self._watt_target = np.add.reduceat(through[split:] * x[self._watt_nodes], self._watt_starts)
        self._warm(time, seconds)

    def rest(self, time: float, seconds: float) -> None:
        """Let a settled state last: parts go on warming."""
        late = self._when(time, seconds)
        self._warm(time + seconds, seconds, late)

    def _when(self, time: float, seconds: float) -> dict[tuple[str, str], float]:
        """When each filter crosses its limit within the rest, by its closed form."""
        out = {}
        for heat, target in ((self._amps, self._amp_target), (self._watts, self._watt_target)):
            for k in np.flatnonzero((target > heat.limits) & (heat.value <= heat.limits)):
                wait = heat.tau[k] * np.log((target[k] - heat.value[k]) / (target[k] - heat.limits[k]))
                out[heat.names[k]] = time + min(float(wait), seconds)
        return out

    def _warm(self, time: float, seconds: float, crossings: Mapping[tuple[str, str], float] | None = None) -> None:
        for heat, target, root in ((self._amps, self._amp_target, True), (self._watts, self._watt_target, False)):
            if not heat.names:
                continue
            heat.move(target, seconds)
            for k in np.flatnonzero(heat.value > heat.limits):
                reached, allowed = float(heat.value[k]), float(heat.limits[k])
                if root:
                    reached, allowed = reached**0.5, allowed**0.5
                part, rating = heat.names[k]
                self._note(part, rating, reached, allowed, (crossings or {}).get((part, rating), time))

    def _note(self, part: str, rating: str, reached: float, allowed: float, time: float) -> None:
        before = self._found.get((part, rating))
        if before is None:
            self._found[part, rating] = Overstress(part, rating, reached, allowed, time)
        elif reached > before.reached:
            self._found[part, rating] = replace(before, reached=reached)


def _heat(names: list[tuple[str, str]], limits: list[float], tau: list[float]) -> _Heat:
    return _Heat(names, np.array(limits), np.zeros(len(limits)), np.array(tau))


def _current_rows(model: Model, terminals: Ints) -> sparse.csr_array:
    """(len(terminals), C): the sum of element currents into each terminal's pin."""
    layout = model.layout
    rows: list[int] = []
    cols: list[int] = []
    signs: list[float] = []
    for row, terminal in enumerate(terminals):
        for at, sign in ((layout.current_plus, 1.0), (layout.current_minus, -1.0)):
            for col in np.flatnonzero(at == terminal):
                rows.append(row)
                cols.append(int(col))
                signs.append(sign)
    return sparse.csr_array((signs, (rows, cols)), shape=(len(terminals), layout.currents))
