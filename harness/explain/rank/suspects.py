"""The suspects: every single fault of a board's parts, with its prior and, where it has a value, the range to fit.

Priors are data (`sequences/priors.toml`). A suspect's text is the language of faults with {} for a fitted value, so
what is found can be planted, noted as rework or copied into another command.
"""

from __future__ import annotations

import itertools
import math
import tomllib
from collections.abc import Hashable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from importlib import resources
from typing import Any, Final

from wakeboard.instruments.quantity import parse, show
from wakeboard.instruments.virtual.circuit import Circuit, Fault, Part, parse_fault
from wakeboard.instruments.virtual.circuit.bench.change import Change

_PER_DECADE = 1.0
"""Grid points a decade over which a fitted value is screened before it is refined."""


@cache
def priors() -> Mapping[str, Any]:
    """The packaged priors as priors.toml has them."""
    return tomllib.loads(resources.files("wakeboard.sequences").joinpath("priors.toml").read_text(encoding="utf-8"))


@dataclass(frozen=True, slots=True)
class Chances:
    """What a unit's explanations begin with beside its suspects' own odds, as natural logarithms of odds on the same
    footing. drawn: of a board without fault; something_else: of one with a fault that is no suspect; further: the
    chance (no logarithm) that this moves one more net or current."""

    drawn: float
    something_else: float
    further: float


def chances(suspects: Sequence[Suspect], doubted: bool = True) -> Chances:
    """doubted: somebody asks what ails this unit, which is not asked of one that works."""
    board = priors()["board"]
    pulls, others = (odds_of(s for s in suspects if (s.category == "pull") is hidden) for hidden in (True, False))
    asked = float(board["doubted"])
    drawn = min(0.0, math.log((pulls + others) * (1 - asked) / asked)) if doubted and pulls + others else 0.0
    # a pull that nobody states is a property of its part: it makes nothing else likelier
    other = float(board["something_else"]) * (others or 1.0)
    return Chances(drawn, math.log(other), float(board["something_else_spread"]))


def odds_of(suspects: Iterable[Suspect]) -> float:
    """Of one of them or another, against none."""
    return sum(s.prior / (1 - s.prior) for s in suspects)


AT_REST: Final = "as drawn, at rest"
"""The key of what no circuit at rest shows: a capacitor of another value."""
_STORES = ("capacitor", "inductor")


@dataclass(frozen=True, slots=True)
class Suspect:
    """One fault that may be there. `text` holds {} where a value (ohms) between `low` and `high` is fitted.

    beside: what a net that it leaves open does besides, since leakage decides where that sits.
    members: where no reading tells several faults apart, those that this one stands for, likeliest first; its prior is
    then that of any of them.
    """

    text: str
    category: str
    prior: float
    low: float | None = None
    high: float | None = None
    same_as: str = ""  # suspects with one key predict the same: solved once
    path: str = ""  # the value of the circuit that a "value" suspect sets
    unit: str = "Ω"
    sets: float | None = None  # what a suspect without a fitted value sets `path` to (a look-alike part)
    members: tuple[Suspect, ...] = ()
    beside: tuple[Fault, ...] = ()
    joins: str = ""  # the two nets that a stuck output or a short joins, as a bridge's key has them, …
    ohms: float = 0.0  # … and by what

    @property
    def key(self) -> str:
        """Equal for those that predict the same."""
        return self.same_as or self.text

    @property
    def fitted(self) -> bool:
        return self.low is not None

    @property
    def log_range(self) -> float:
        """Natural log of highest over lowest value."""
        return math.log(self.high / self.low) if self.low and self.high else 0.0

    @property
    def named(self) -> tuple[tuple[Suspect, float], ...]:
        """Each fault that it stands for, and its share of the probability."""
        members = self.members or (self,)
        whole = sum(m.prior for m in members)
        return tuple((m, m.prior / whole) for m in members)

    def grid(self) -> list[float | None]:
        """Values to screen, spaced evenly in the logarithm; [None] where there is nothing to fit."""
        if self.low is None or self.high is None:
            return [None]
        count = max(3 if self.unit == "Ω" else 9, round(self.log_range / math.log(10) * _PER_DECADE) + 1)
        return [self.low * (self.high / self.low) ** (k / (count - 1)) for k in range(count)]

    def write(self, value: float | None, digits: int = 6) -> str:
        """The fault's text with this value."""
        if value is None:
            return self.text
        return self.text.replace("{}", marked(value, digits) if self.unit == "Ω" else show(value, self.unit, digits))

    def change(self, value: float | None) -> Change:
        """What the suspect does to the circuit, with this value."""
        if value is None:
            if self.sets is not None:
                return Change(values={self.path: self.sets})
            return Change((parse_fault(self.text), *self.beside))
        target, _, rest = self.text.rpartition(":")
        word = rest.partition("=")[0]
        if word == "value":
            return Change(values={self.path: value})
        return Change((Fault(target, word, f"{value:.9g}"),))


def marked(ohms: float, digits: int = 3) -> str:
    """Ohms as a fault's text has them: 13200 -> "13.2k"; a sign where no letter says the scale."""
    for scale, letter in ((1e6, "M"), (1e3, "k")):
        if ohms >= scale * (1 - 1e-9):
            return f"{ohms / scale:.{digits}g}{letter}"
    return f"{ohms:.{digits}g}Ω"


def suspects(
    circuit: Circuit,
    adjacent: Iterable[tuple[str, str]] = (),
    control_nets: Iterable[str] = (),
    variants: Mapping[str, Sequence[str]] | None = None,
) -> list[Suspect]:
    """Every single fault of the library, values left open to be fitted, and a hidden pull for every pin on a line.

    Faults that the circuit cannot tell apart (two capacitors across one rail, a stuck pin on a bus) are one suspect,
    with each of them among its members. What shows in no reading at all stays apart.
    """
    from wakeboard.instruments.virtual.circuit.faults.library import library

    listed = [tuple(pair) for pair in adjacent]
    near = {frozenset(pair) for pair in listed}
    found: dict[str, Suspect] = {}
    for fault in library(circuit, listed, (), variants):
        for suspect in _of_fault(circuit, fault, near):
            found.setdefault(suspect.text, suspect)
    for part in circuit.parts:
        for suspect in _drift(part):
            found.setdefault(suspect.text, suspect)
    for net in control_nets:
        for suspect in _pulls_on(circuit, net):
            found.setdefault(suspect.text, suspect)
    return _merged(_keyed(circuit, [*found.values(), *_lifted_by_leaks(circuit, found.values())]))


def _keyed(circuit: Circuit, each: Iterable[Suspect]) -> Iterator[Suspect]:
    """Suspects with a key in common where the circuit has the same equations with either."""
    from wakeboard.instruments.virtual.circuit.faults.alike import alike

    first: dict[Hashable, str] = {}
    for suspect in each:
        if suspect.same_as or suspect.fitted or suspect.path:
            yield suspect
        else:
            made = alike(circuit, [parse_fault(suspect.text), *suspect.beside])
            own = " with ".join([suspect.text, *map(str, suspect.beside)])
            yield replace(suspect, same_as=first.setdefault(made, own))


def _lifted_by_leaks(circuit: Circuit, each: Iterable[Suspect]) -> Iterator[Suspect]:
    """Suspects that take a resistor off a net which nothing else holds, with that net lifted: by the drawing it stays
    low, and what it enables stays off, but a microampere from a rail decides that on a real board."""
    for suspect in each:
        part_name, nets = _taken_off(circuit, suspect)
        for net in nets:
            rail = _leaks_from(circuit, net, part_name)
            if rail is not None:
                lifted = parse_fault(f"{net}+{rail}:bridge={LEAK_OHMS}")
                prior = suspect.prior * float(priors()["board"]["open_net_lifted"])
                yield replace(suspect, prior=prior, beside=(lifted,))


def _taken_off(circuit: Circuit, suspect: Suspect) -> tuple[str, list[str]]:
    """A resistor, and the nets that it no longer reaches: both where it is missing, one where a pin is elsewhere."""
    target, _, fault = suspect.text.partition(":")
    name, _, pin = target.partition(".")
    if name not in circuit or circuit.part(name).kind != "resistor":
        return name, []
    if fault.startswith("net="):
        return name, [circuit.part(name).net(pin)]
    return name, list(dict.fromkeys(circuit.part(name).pins.values())) if fault in (
        "missing",
        "open",
    ) and not pin else []


LEAK_OHMS: Final = "2M"
"""Ω: some µA from a rail of a few volts, about the most that an input leaks by its sheet (spreads.toml)."""
_HOLDS_NOTHING = ("capacitor", "connector", "button", "esd_array", "unmodelled")


def _leaks_from(circuit: Circuit, net: str, without: str) -> str | None:
    """The rail that leaks into a net of inputs, were a part not there; None where something holds it."""
    rail = None
    for text in circuit.on_net(net):
        part, pin = circuit.pin(text)
        if part.name == without or part.kind in _HOLDS_NOTHING:
            continue
        if part.kind == "chip":
            entry = part.values.get("io", {}).get(pin)
            if entry is None or "pull_up" in entry or "pull_down" in entry or entry.get("drive", "off") != "off":
                return None
            rail = rail or _rail_net(part, entry)
        elif pin == "EN" and "IN" in part.pins:
            rail = rail or part.pins["IN"]
        else:
            return None
    return rail if rail not in ("?", net, circuit.ground) else None


def _merged(suspects: Iterable[Suspect]) -> list[Suspect]:
    """One suspect a key, in the place and with the text of its likeliest."""
    places: dict[str, list[Suspect]] = {}
    for suspect in suspects:
        places.setdefault(suspect.text if suspect.key == AT_REST else suspect.key, []).append(suspect)
    return [_any_of(own) if len(own) > 1 else own[0] for own in places.values()]


def _any_of(suspects: Sequence[Suspect]) -> Suspect:
    members = tuple(sorted(suspects, key=lambda s: -s.prior))
    return replace(members[0], prior=1 - math.prod(1 - s.prior for s in members), members=members)


def in_most_units(suspects: Iterable[Suspect]) -> list[Suspect]:
    """The suspects with what is left of their priors where most units of a board have the same fault."""
    share = priors()["common"]
    return [replace(s, prior=s.prior * float(share.get(s.category, 1.0))) for s in suspects]


def bridges_between(nets: Iterable[str], known: Iterable[Suspect]) -> list[Suspect]:
    """A bridge for every two of some nets that no known suspect joins: for nets that are all odd at once. Rare."""
    listed = {s.same_as for s in known if s.category == "bridge"}
    rate = float(priors()["bridges"]["any"])
    found = []
    for first, second in itertools.combinations(sorted(nets), 2):
        key = f"{first}+{second}"
        if key not in listed:
            found.append(Suspect(f"{key}:bridge={{}}", "bridge", rate, *_range("bridge"), key))
    return found


def _of_fault(circuit: Circuit, fault: Fault, near: set[frozenset[str]]) -> Iterator[Suspect]:
    from wakeboard.instruments.virtual.circuit.faults.alike import alike

    if fault.kind == "bridge":
        from wakeboard.instruments.virtual.circuit.faults.effects import bridged

        nets = bridged(circuit, fault)
        rates = priors()["bridges"]
        rate = rates["adjacent"] if frozenset(nets) in near else rates["one_part"]
        yield Suspect(f"{fault.target}:bridge={{}}", "bridge", rate, *_range("bridge"), "+".join(sorted(nets)))
        return
    part = circuit.part(fault.part)
    if fault.on_pin:
        joins, ohms = _joined_by(circuit, fault) if fault.kind == "stuck" else ("", 0.0)
        prior = float(priors()["pins"].get(fault.category, 1e-4))
        yield Suspect(str(fault), fault.category, prior, joins=joins, ohms=ohms)
    elif fault.kind == "value" and part.kind == "resistor":
        path = f"{part.name}.value"
        low, high = _range("value")
        high = max(high, 10 * float(part.values["value"]))  # beyond: nothing is fitted, which is another fault
        yield Suspect(f"{part.name}:value={{}}", "value", _of_kind(part.kind, "value"), low, high, path=path)
    elif fault.kind not in ("pull_up", "pull_down"):
        same = AT_REST if part.kind in _STORES and alike(circuit, [fault]) == alike(circuit, []) else ""
        joins, ohms = _joined_by(circuit, fault) if fault.kind == "short" else ("", 0.0)
        prior = _of_kind(part.kind, fault.kind)
        suspect = Suspect(str(fault), fault.category, prior, same_as=same, joins=joins, ohms=ohms)
        yield _as_value(circuit, part, fault, suspect) if fault.kind in ("variant", "value") else suspect


def _joined_by(circuit: Circuit, fault: Fault) -> tuple[str, float]:
    """The key of a bridge between the two nets that a stuck output or a short joins, and its ohms; "" for more than
    two."""
    from wakeboard.instruments.virtual.circuit.faults.effects import effects

    (one, other, siemens), *more = effects(circuit, fault).bridges
    if more:
        return "", 0.0
    nets = {end if isinstance(end, str) else circuit.part(end[0]).net(end[1]) for end in (one, other)}
    return "+".join(sorted(nets)), 1 / siemens


def _as_value(circuit: Circuit, part: Part, fault: Fault, suspect: Suspect) -> Suspect:
    """A look-alike as a value of its part, so that the tolerance of the drawn part acts on the look-alike too."""
    from wakeboard.instruments.virtual.circuit.faults.effects import effects

    ((path, value),) = effects(circuit, fault).values[part.name].items()
    return replace(suspect, path=f"{part.name}.{path}", sets=float(value))


def _drift(part: Part) -> Iterator[Suspect]:
    """A regulator that regulates, but to another voltage than it should."""
    from wakeboard.instruments.virtual.circuit.parts import kind_of

    kind = kind_of(part)
    if kind.main is None or kind.bench or kind.values[kind.main].unit != "V" or part.kind not in _REGULATORS:
        return
    main = kind.values[kind.main]
    drawn, (low, high) = float(part.values.get(kind.main, main.default)), priors()["fitted"]["drift"]
    path = f"{part.name}.{kind.main}"
    prior = _of_kind(part.kind, "drift")
    yield Suspect(f"{part.name}:value={{}}", "drift", prior, drawn * low, drawn * high, path=path, unit="V")


_REGULATORS = ("ldo", "buck", "boost", "charger", "adjustable_ldo", "adjustable_buck", "adjustable_boost")


def _pulls_on(circuit: Circuit, net: str) -> Iterator[Suspect]:
    """A pull hidden in each chip's pin on a net; pins that pull to the same place predict the same."""
    rates = priors()["pins"]
    for text in circuit.on_net(net):
        part, pin = circuit.pin(text)
        entry = part.values.get("io", {}).get(pin)
        if part.kind != "chip" or entry is None:
            continue
        rail = _rail_net(part, entry)
        for way, to in (("up", rail), ("down", circuit.ground)):
            if to in ("?", net):
                continue
            prior = _pull_prior(rates, entry, entry.get("pulls"))
            yield Suspect(f"{text}:pull_{way}={{}}", "pull", prior, *_range("pull"), f"{net}>{to}")


def _rail_net(part: Part, entry: Mapping[str, object]) -> str:
    rails = [entry.get("rail"), *part.values.get("supply", {}), "VDD"]
    return next((part.pins[r] for r in rails if r in part.pins), "?")


def _pull_prior(rates: Mapping[str, float], entry: Mapping[str, object], stated: str | None) -> float:
    if stated == "none":
        return rates["pull_denied"]
    if stated is None and "pull_up" not in entry and "pull_down" not in entry and entry.get("type") != "output":
        return rates["pull_silent"]
    return rates["pull_stated"]


def _of_kind(kind: str, word: str) -> float:
    table = priors()["kinds"]
    return float(table.get(kind, {}).get(word, table["any"].get(word, 1e-4)))


def _range(what: str) -> tuple[float, float]:
    low, high = priors()["fitted"][what]
    return parse(low, "Ω"), parse(high, "Ω")
