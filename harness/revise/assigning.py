"""Which function goes to which pin: the fewest moves that break no rule, by mixed integer programming (scipy, HiGHS).

    found = assigned(functions, pins, now)        the fewest moves; found.runner_up: the next best, None where none
    contradicting(functions, pins)                the smallest set of functions for which there are too few pins

What a function may have is one predicate per need, each with its words: the reason for a move is the need that the old
pin does not meet, or the function that has to have it. A set of functions without an assignment has a part of k
functions that share fewer than k pins (Hall, J. London Math. Soc. 10, 1935); the smallest such part is a program too.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_matrix

from wakeboard.harness.describe.board.pin_tables import PinFacts, Way

Ports = Mapping[str, Sequence[Way]]
KINDS: Final = ("input", "output", "analogue")


@dataclass(frozen=True)
class Function:
    """What a function needs of its pin. role: a signal of a port, "I2C.SDA"; port: one's own name of the port that
    it is of: functions of one name are led out as one port, and no other name gets that."""

    name: str
    kind: str = "output"
    quiet: bool = False
    five_volt: bool = False
    debugging: bool = False
    """The debug port stays free for a debugger."""
    amps: float = 0.0
    role: str = ""
    port: str = ""

    @property
    def shared(self) -> str:
        """The port that it is of: its own name for it, else the kind."""
        return self.port or self.role.partition(".")[0]

    def misses(self, pin: str, facts: PinFacts, options: Sequence[str]) -> list[str]:
        """Why it cannot be on a pin, in words; [] where it can."""
        taken = [f"{option} uses {pin} ({facts.reserved_by[option]})" for option in options
                 if option in facts.reserved_by]  # fmt: skip
        rules = (
            (self.kind == "output" and facts.type in ("input", "analog"), f"{pin} cannot drive"),
            (self.kind == "analogue" and facts.type not in ("analog", "io"), f"{pin} is no analogue pin"),
            (self.quiet and facts.strap is not None, f"{pin} is a strap, held {facts.strap} at boot"),
            (self.five_volt and not facts.five_volt, f"{pin} does not stand 5 V"),
            (self.debugging and bool(facts.debug), f"{pin} is on the debug port ({facts.debug})"),
            (facts.most is not None and self.amps > facts.most, f"{pin} drives {facts.most or 0.0:g} A at most"),
        )
        return taken + [says for wrong, says in rules if wrong]


@dataclass(frozen=True)
class Assignment:
    """function -> pin; the reason for each function that moved; the next best assignment; debug: functions on a pin
    of the debug port -> what it is there, while a debugger is attached."""

    pins: Mapping[str, str]
    moved: Mapping[str, str] = field(default_factory=dict)
    runner_up: Assignment | None = None
    debug: Mapping[str, str] = field(default_factory=dict)
    undrawn: frozenset[str] = frozenset()
    """Functions on a pin that the drawing does not show."""


class ThereIsOne(ValueError):
    """There are pins enough for every set of functions."""


class NoAssignment(ValueError):
    """The smallest set of functions that too few pins are left for; says: where it is no lack of pins but of ports."""

    def __init__(self, functions: Sequence[str], pins: Sequence[str], says: str = "") -> None:
        self.functions, self.pins = tuple(functions), tuple(pins)
        left = ", ".join(pins) or "none"
        need = f"{', '.join(functions)} need {len(functions)} pins; left are: {left}"
        super().__init__(f"no assignment exists: {says or need}")


def assigned(
    functions: Sequence[Function], pins: Mapping[str, PinFacts], now: Mapping[str, str] | None = None,
    options: Sequence[str] = (), *, runner_up: bool = True, ports: Ports | None = None,
    undrawn: Collection[str] = (),
) -> Assignment:  # fmt: skip
    """The fewest moves from `now` (function -> pin), and of these the one with the fewest pins of `undrawn`. ports: as
    in a pin table, by these pins' names. Raises NoAssignment."""
    here = dict(now or {})
    fits = _fits(functions, pins, options, ports or {})

    def told(found: Mapping[str, str], after: Assignment | None = None) -> Assignment:
        debug = {name: pins[pin].debug for name, pin in found.items() if pins[pin].debug}
        new = frozenset(name for name, pin in found.items() if pin in undrawn)
        return Assignment(found, _reasons(functions, pins, here, options, found), after, debug, new)

    first = _solve(functions, fits, here, (), undrawn)
    if first is None:
        raise _why_none(functions, fits)
    second = _solve(functions, fits, here, (first,), undrawn) if runner_up else None
    return told(first, told(second) if second else None)


def _why_none(functions: Sequence[Function], fits: Sequence[Fit]) -> NoAssignment:
    try:
        found = contradicting(functions, list(dict.fromkeys((each.function, each.pin) for each in fits)))
    except ThereIsOne:
        return _ports_contradict(functions, fits)
    those = [each for each in functions if each.name in found.functions]
    fewer = _ports_contradict(those, [fit for fit in fits if fit.function in found.functions])
    return fewer if len(fewer.functions) < len(found.functions) else found


def _ports_contradict(functions: Sequence[Function], fits: Sequence[Fit]) -> NoAssignment:
    """A set of functions for which there are pins, and no ports: none of them can be left out."""
    left = list(functions)
    for each in functions:
        fewer = [other for other in left if other is not each]
        still = {other.name for other in fewer}
        if _solve(fewer, [fit for fit in fits if fit.function in still], {}, ()) is None:
            left = fewer
    names = [each.name for each in left]
    at = {each.name: sorted({f"{fit.port} {fit.pin}" for fit in fits if fit.function == each.name and fit.port})
          for each in left}  # fmt: skip
    each_could = "; ".join(f"{name}: {', '.join(places)}" for name, places in at.items() if places)
    says = f"{', '.join(names)} cannot be led out together, though each could by itself ({each_could})"
    return NoAssignment(names, sorted({fit.pin for fit in fits if fit.function in names}), says)


@dataclass(frozen=True)
class Fit:
    """A function on a pin; of a port (I2C1) led out in one of its ways, where it has a role."""

    function: str
    pin: str
    port: str = ""
    way: int = 0
    shared: str = ""


def _fits(
    functions: Sequence[Function], pins: Mapping[str, PinFacts], options: Sequence[str], ports: Ports
) -> list[Fit]:
    found = []
    for each in functions:
        free = [pin for pin, facts in pins.items() if not each.misses(pin, facts, options)]
        if not each.role:
            found += [Fit(each.name, pin) for pin in free]
            continue
        kind, _, signal = each.role.partition(".")
        found += [
            Fit(each.name, pin, port, k, each.shared)
            for port, ways in ports.items()
            if kind_of_port(port) == kind
            for k, way in enumerate(ways)
            for pin in way.get(signal, ())
            if pin in free
        ]
    return found


def kind_of_port(port: str) -> str:
    """I2C of I2C1."""
    return port.rstrip("0123456789") or port


def _solve(
    functions: Sequence[Function], fits: Sequence[Fit], now: Mapping[str, str], but: Sequence[Mapping[str, str]],
    undrawn: Collection[str] = (),
) -> dict[str, str] | None:  # fmt: skip
    """Each function one fit, each pin one function at most, each port one way and one set of functions; not an
    assignment of `but`."""
    if not functions:
        return {}
    if {each.function for each in fits} != {each.name for each in functions}:
        return None
    rows = _Rows(len(fits))
    for each in functions:
        rows.add({k: 1.0 for k, fit in enumerate(fits) if fit.function == each.name}, 1.0, 1.0)
    for pin in dict.fromkeys(fit.pin for fit in fits):
        rows.add({k: 1.0 for k, fit in enumerate(fits) if fit.pin == pin}, 0.0, 1.0)
    for known in but:
        same = {k: 1.0 for k, fit in enumerate(fits) if known[fit.function] == fit.pin}
        rows.add(same, 0.0, len(functions) - 1.0)
    _lead_out(rows, fits)
    cost = np.zeros(rows.count)
    slight = 1.0 / (len(functions) + 1)  # all of them together weigh less than one move
    cost[: len(fits)] = [
        float(now.get(fit.function, fit.pin) != fit.pin) + slight * (fit.pin in undrawn) for fit in fits
    ]
    found = milp(cost, integrality=np.ones(rows.count, dtype=np.int64), bounds=Bounds(0, 1),
                 constraints=rows.constraint())  # fmt: skip
    if found.x is None:
        return None
    taken = [fit for fit, x in zip(fits, found.x[: len(fits)], strict=True) if x > 0.5]
    return {each.function: each.pin for each in taken}


class _Rows:
    """Linear constraints, row by row. count: variables so far."""

    def __init__(self, count: int) -> None:
        self.count = count
        self._at: list[tuple[int, int, float]] = []
        self._bounds: list[tuple[float, float]] = []

    def add(self, row: Mapping[int, float], low: float, high: float) -> None:
        self._at += [(len(self._bounds), k, value) for k, value in row.items()]
        self._bounds.append((low, high))

    def constraint(self) -> LinearConstraint:
        i, k, value = np.array(self._at).T
        matrix = coo_matrix((value, (i.astype(int), k.astype(int))), shape=(len(self._bounds), self.count))
        low, high = np.array(self._bounds).T
        return LinearConstraint(matrix.tocsr(), low, high)


def _lead_out(rows: _Rows, fits: Sequence[Fit]) -> None:
    """A new variable for each port in one of its ways given to one set of functions."""
    given: dict[tuple[str, str, int], int] = {}
    for fit in fits:
        if fit.port:
            key = (fit.shared, fit.port, fit.way)
            if key not in given:
                given[key] = rows.count
                rows.count += 1
    for k, fit in enumerate(fits):
        if fit.port:  # sits there only if the port is led out so
            rows.add({k: 1.0, given[fit.shared, fit.port, fit.way]: -1.0}, -1.0, 0.0)
    for shared in dict.fromkeys(key[0] for key in given):
        rows.add({at: 1.0 for key, at in given.items() if key[0] == shared}, 0.0, 1.0)
    for port in dict.fromkeys(key[1] for key in given):
        rows.add({at: 1.0 for key, at in given.items() if key[1] == port}, 0.0, 1.0)


def _reasons(
    functions: Sequence[Function], pins: Mapping[str, PinFacts], now: Mapping[str, str], options: Sequence[str],
    found: Mapping[str, str],
) -> dict[str, str]:  # fmt: skip
    """Why each function that moved did: what its old pin does not meet, or who has to have it."""
    holder = {pin: function for function, pin in found.items()}
    reasons = {}
    for each in functions:
        old = now.get(each.name)
        if old is None or found[each.name] == old:
            continue
        missed = each.misses(old, pins[old], options) if old in pins else [f"the part has no pin {old}"]
        taker = holder.get(old)
        reasons[each.name] = "; ".join(missed) or (f"{taker} has to have {old}" if taker else "no need of its own")
    return reasons


def contradicting(functions: Sequence[Function], pairs: Sequence[tuple[str, str]]) -> NoAssignment:
    """The smallest set of functions that can be on fewer pins than they are. Raises ThereIsOne."""
    names = [each.name for each in functions]
    pins = list(dict.fromkeys(pin for _, pin in pairs))
    count, total = len(names), len(names) + len(pins)
    rows = np.zeros((len(pairs) + 1, total))
    for k, (function, pin) in enumerate(pairs):  # a chosen function brings every pin that it can be on
        rows[k, names.index(function)], rows[k, count + pins.index(pin)] = -1, 1
    rows[-1, :count], rows[-1, count:] = 1, -1
    low = np.array([0.0] * len(pairs) + [1.0])
    cost = np.array([1.0] * count + [0.0] * len(pins))
    found = milp(
        cost,
        integrality=np.ones(total, dtype=np.int64),
        bounds=Bounds(0, 1),
        constraints=LinearConstraint(rows, low, np.inf),
    )
    if found.x is None:
        raise ThereIsOne
    chosen = [name for name, taken in zip(names, found.x[:count], strict=True) if taken > 0.5]
    return NoAssignment(chosen, sorted({pin for function, pin in pairs if function in chosen}))
