"""Worlds: what a drawing leaves open, drawn by a seed. Two levels are kept apart.

type   what another maker's part does: the same in every unit, and in like parts of one board
piece  what one specimen does: apart for each unit and part

    world = World("realistic", seed=3);  world.unit("0001").leak(part, "SDA")

"none" differs in nothing but the tolerances that the drawing states. Ranges follow data sheets' typical and maximum
figures as collected for the priors (leakages log-normal or log-uniform over decades, ratios log-uniform, forward
voltages normal with the level's figure as two standard deviations); what no sheet tells is common practice, no source.
`flat`: every figure uniform up to the level's edge instead, as a doubter would draw it.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from statistics import NormalDist
from typing import Final

from wakeboard.instruments.virtual.circuit import Part

KELVIN: Final = 300.15
VF_PER_KELVIN: Final = -2e-3  # V/K, common practice, no source
DOUBLES: Final = 11.0  # K in which a junction's leakage doubles (from data sheets: x2 per 10 to 11 K)


@dataclass(frozen=True)
class Level:
    """The edges of a world. Ratios are factors up and down; see World for what each does."""

    leak: float  # A a chip's pin leaks at most
    vf: float  # V
    supply: float  # ratio of chips' supply currents
    quiescent: float  # ratio of regulators' and supervisors' own currents
    back: tuple[float, float]  # A that a Schottky diode leaks at its rated voltage
    unpowered: tuple[float, float]  # Ω of a chip's supply pin below 0.4 V
    early: tuple[float, float]  # share of its supply current that a chip takes at its threshold, rising as a power
    feedback: tuple[float, float]  # Ω across a regulator's output
    clamp: float  # V of a clamp diode
    clamp_ohms: float  # ratio
    unclamped: float  # share of pins without the diode to their rail
    drive: float  # ratio of output resistances
    residue: tuple[int, float, float]  # pairs of nets with flux between them, Ω low, high
    threshold: float  # V of a MOSFET's threshold; its resistance by the same share
    off: tuple[float, float]  # A through a MOSFET that is off
    dropout: float  # ratio
    capacitor: tuple[float, float]  # s: insulation resistance times capacitance
    ambient: float  # K
    unstated: tuple[float, float, float]  # tolerance of resistors, of set voltages, of pulls where none is stated
    feedback_leak: float  # A of a regulator's feedback input at most
    tolerance: float = 1.0  # 1: drawn within; more: pressed towards the edges


LEVELS: Final = {
    "mild": Level(0.1e-6, 20e-3, 1.25, 1.25, (0.1e-6, 2e-6), (3e6, 30e6), (1e-4, 3e-3), (5e6, 20e6), 20e-3, 1.25, 0.0,
                  1.25, (1, 20e6, 100e6), 0.1, (1e-10, 1e-9), 1.2, (500, 5000), 3.0, (0.01, 0.01, 0.2), 0.03e-6),
    "realistic": Level(1e-6, 60e-3, 2.0, 2.0, (0.5e-6, 20e-6), (100e3, 10e6), (1e-3, 0.1), (1e6, 10e6), 60e-3, 2.0,
                       0.1, 1.6, (3, 2e6, 20e6), 0.3, (1e-10, 1e-7), 1.5, (100, 1000), 8.0, (0.05, 0.02, 0.3), 0.1e-6),
    "harsh": Level(3e-6, 100e-3, 3.0, 4.0, (5e-6, 100e-6), (10e3, 10e6), (0.01, 0.3), (0.3e6, 5e6), 100e-3, 3.0, 0.25,
                   2.5, (6, 0.5e6, 20e6), 0.4, (1e-9, 1e-6), 2.0, (20, 500), 15.0, (0.05, 0.03, 0.5), 0.3e-6, 2.0),
}  # fmt: skip

KINDS: Final = (
    "leak", "vf", "supply", "quiescent", "back", "unpowered", "clamp", "drive", "residue", "mosfet", "dropout",
    "capacitor", "ambient", "edges", "undriven", "unstated",
)  # fmt: skip
"""The kinds of difference, for worlds of one kind only. undriven: an output without its rail is high-impedance."""


SET: Final = {
    "ldo": "volts", "buck": "volts", "boost": "volts", "adjustable_ldo": "reference", "adjustable_buck": "reference",
    "adjustable_boost": "reference", "zener": "volts", "supervisor": "threshold",
}  # fmt: skip
"""What a part of a kind sets."""


@lru_cache(maxsize=200_000)
def uniform(*what: object) -> float:
    """In (0, 1), by what it is for."""
    digest = hashlib.blake2b("\0".join(map(str, what)).encode(), digest_size=8).digest()
    return (int.from_bytes(digest, "big") + 0.5) / 2**64


def type_of(part: Part) -> str:
    """Like parts of a board are of one type."""
    if part.kind == "chip":
        return part.name
    if part.kind in ("resistor", "capacitor", "inductor"):
        return f"{part.kind} {part.values.get('value')}"
    return f"{part.kind} {sorted((k, str(v)) for k, v in part.values.items())}"


@dataclass(frozen=True)
class World:
    """One world. only: the kinds of difference in force; as_modelled: where "none" follows the product's model in
    what is a question of structure, and not of figures (see netlist.py)."""

    level: str = "none"
    seed: int = 0
    only: frozenset[str] = frozenset(KINDS)
    flat: bool = False
    drawn: bool = True  # False: not even tolerances

    def unit(self, serial: str) -> Unit:
        return Unit(self, serial)

    def has(self, kind: str) -> bool:
        return self.level != "none" and kind in self.only

    @property
    def edges(self) -> Level:
        return LEVELS[self.level]

    def with_only(self, *kinds: str) -> World:
        return replace(self, only=frozenset(kinds))

    @property
    def name(self) -> str:
        only = "" if self.only == frozenset(KINDS) else f" {'+'.join(sorted(self.only))}"
        return f"{self.level}{' flat' if self.flat else ''}{only}"


@dataclass(frozen=True)
class Unit:
    """One specimen in a world: what its parts are."""

    world: World
    serial: str
    _: object = field(default=None, repr=False)

    # --- draws ------------------------------------------------------------------------------------------------------
    def _type(self, part: Part, what: str) -> float:
        return uniform("type", self.world.seed, type_of(part), what)

    def _piece(self, part: Part | str, what: str) -> float:
        return uniform("piece", self.world.seed, self.serial, part if isinstance(part, str) else part.name, what)

    def _normal(self, p: float, two_sigma: float) -> float:
        if self.world.flat:
            return (2 * p - 1) * two_sigma
        return max(-1.5, min(1.5, NormalDist().inv_cdf(p) / 2)) * two_sigma

    def _ratio(self, p: float, most: float) -> float:
        return float(most ** (2 * p - 1))

    def _decades(self, p: float, low: float, high: float) -> float:
        if self.world.flat:
            return low + (high - low) * p
        return float(low * (high / low) ** p)

    # --- what is stated ---------------------------------------------------------------------------------------------
    def stated(self, part: Part, path: str, nominal: float) -> float:
        """A value of the drawing in this specimen, within its stated tolerance."""
        if not self.world.drawn:
            return nominal
        if path not in part.tolerance and path not in part.bounds and self.world.has("unstated"):
            return nominal * (1 + self._unsaid(part, path))
        relative = part.tolerance.get(path, 0.0)
        if not relative:
            return nominal
        u = 2 * self._piece(part, path) - 1
        if self.world.has("edges") and self.world.edges.tolerance > 1:
            u = math.copysign(abs(u) ** (1 / self.world.edges.tolerance**2), u)
        return nominal * (1 + relative * u)

    def _unsaid(self, part: Part, path: str) -> float:
        """Share by which a value is off whose tolerance nobody states: half of it is its type's. Where resistors may be
        of 5 %, two types of three are of 1 %."""
        resistor, volts, pull = self.world.edges.unstated
        if part.kind == "resistor" and path == "value":
            edge = resistor if self._type(part, "series") > 2 / 3 else min(resistor, 0.01)
        elif path == SET.get(part.kind):
            edge = 2.5 * volts if part.kind == "zener" else volts
        elif path.endswith((".pull_up", ".pull_down")):
            edge = pull
        else:
            return 0.0
        of_type = 2 * self._type(part, f"{path} unsaid") - 1
        return 0.5 * edge * (of_type + 2 * self._piece(part, f"{path} unsaid") - 1)

    # --- what is not ------------------------------------------------------------------------------------------------
    @property
    def warmer(self) -> float:
        """K above 27 °C: the bench's, so one for a world."""
        w = self.world
        return w.edges.ambient * (2 * uniform("bench", w.seed, "ambient") - 1) if w.has("ambient") else 0.0

    @property
    def kelvin(self) -> float:
        return KELVIN + self.warmer

    def drop_shift(self, part: Part) -> float:
        """V that a diode drops more than drawn, at its own current."""
        shift = VF_PER_KELVIN * self.warmer
        if self.world.has("vf"):
            edge = self.world.edges.vf
            shift += self._normal(self._type(part, "vf"), edge)
            shift += self._normal(self._piece(part, "vf"), edge / 4)
        return shift

    def back(self, part: Part) -> float:
        """A that a diode leaks at its rated voltage."""
        if not self.world.has("back"):
            return 0.0
        low, high = self.world.edges.back
        amps = self._decades(self._type(part, "back"), low, high) * self._ratio(self._piece(part, "back"), 1.5)
        amps *= 2 ** (self.warmer / DOUBLES)
        return amps if part.kind == "schottky" else amps / 50

    def supply(self, part: Part, pin: str) -> float:
        """Factor of a chip's supply current."""
        if not self.world.has("supply"):
            return 1.0
        edge = self.world.edges.supply
        return self._ratio(self._type(part, f"{pin} supply"), edge) * self._ratio(self._piece(part, pin), edge**0.15)

    def quiescent(self, part: Part) -> tuple[float, float, float]:
        """(factor, V, power) of a regulator's own current: how much, from where on, how it begins."""
        if not self.world.has("quiescent"):
            return 1.0, 0.5, 1.0
        edge = self.world.edges.quiescent
        factor = self._ratio(self._type(part, "iq"), edge) * self._ratio(self._piece(part, "iq"), edge**0.15)
        return (
            factor,
            0.5 + self._type(part, "knee") * 0.6 * min(edge - 1, 1),
            1 + 2 * self._type(part, "law") * min(edge - 1, 1),
        )

    def feedback(self, part: Part) -> float:
        """S across a regulator's output, beyond what is drawn."""
        if not self.world.has("quiescent"):
            return 0.0
        return 1 / self._decades(self._type(part, "feedback"), *self.world.edges.feedback)

    def dropout(self, part: Part) -> float:
        return self._ratio(self._type(part, "dropout"), self.world.edges.dropout) if self.world.has("dropout") else 1.0

    def leak(self, part: Part, pin: str) -> float:
        """A out of a pin (positive: from its rail). Log-normal about 5 nA with a decade as sigma, to the edge."""
        if not self.world.has("leak"):
            return 0.0
        edge = self.world.edges.feedback_leak if pin == "FB" else self.world.edges.leak
        p = self._type(part, f"{pin} leak")
        size = p * edge if self.world.flat else min(edge / 50 * 10 ** NormalDist().inv_cdf(p), edge)
        size = min(size * self._ratio(self._piece(part, f"{pin} leak"), 1.5), edge)
        return math.copysign(size * 2 ** (self.warmer / DOUBLES), self._type(part, f"{pin} sign") - 0.5)

    def unpowered(self, part: Part, pin: str) -> float | None:
        """Ω of a supply pin while the chip does not run yet; None: as drawn."""
        if not self.world.has("unpowered"):
            return None
        ohms = self._decades(self._type(part, f"{pin} ohms"), *self.world.edges.unpowered)
        return ohms * self._ratio(self._piece(part, f"{pin} ohms"), 1.2)

    def early(self, part: Part, pin: str) -> tuple[float, float, float] | None:
        """(share, V, power): what the chip takes before it runs, as a share of its supply current."""
        if not self.world.has("unpowered"):
            return None
        share = self._decades(self._type(part, f"{pin} early"), *self.world.edges.early)
        return share, 0.6 + self._type(part, f"{pin} onset"), 2 + 3 * self._type(part, f"{pin} rise")

    def clamp(self, part: Part, pin: str) -> tuple[bool, float, float]:
        """(diode to the rail, V shift, ratio of its resistance)."""
        shift = VF_PER_KELVIN * self.warmer
        if not self.world.has("clamp"):
            return True, shift, 1.0
        edges = self.world.edges
        there = self._type(part, f"{pin} clamped") >= edges.unclamped
        shift += self._normal(self._type(part, "clamp"), edges.clamp) + self._normal(
            self._piece(part, "clamp"), edges.clamp / 5
        )
        return there, shift, self._ratio(self._type(part, "clamp ohms"), edges.clamp_ohms)

    def drive(self, part: Part, pin: str) -> float:
        """Ratio of an output's resistance."""
        if not self.world.has("drive"):
            return 1.0
        edge = self.world.edges.drive
        return self._ratio(self._type(part, "drive"), edge) * self._ratio(self._piece(part, f"{pin} drive"), edge**0.15)

    def starts(self, part: Part) -> float | None:
        """V of its rail from which an output drives; None: always."""
        return 0.5 + 0.6 * self._type(part, "starts") if self.world.has("undriven") else None

    def mosfet(self, part: Part) -> tuple[float, float, float]:
        """(V of threshold, ratio of resistance, A when off)."""
        if not self.world.has("mosfet"):
            return 0.0, 1.0, 0.0
        edges = self.world.edges
        off = self._decades(self._type(part, "off"), *edges.off) * 2 ** (self.warmer / DOUBLES)
        shift = self._normal(self._type(part, "threshold"), edges.threshold)
        return shift, self._ratio(self._type(part, "ohms"), 1 + edges.threshold), off

    def insulation(self, part: Part, farads: float) -> float:
        """S of a capacitor."""
        if not self.world.has("capacitor"):
            return 0.0
        seconds = self._decades(self._type(part, "insulation"), *self.world.edges.capacitor)
        return farads / (seconds * self._ratio(self._piece(part, "insulation"), 2.0))

    def residue(self, pairs: Sequence[tuple[str, str]]) -> Iterable[tuple[str, str, float]]:
        """Nets with flux between them, and S: each unit's own."""
        if not self.world.has("residue"):
            return
        count, low, high = self.world.edges.residue
        for k in range(count):
            a, b = pairs[int(uniform("flux", self.world.seed, self.serial, k) * len(pairs))]
            yield a, b, 1 / self._decades(uniform("flux ohms", self.world.seed, self.serial, k), low, high)
