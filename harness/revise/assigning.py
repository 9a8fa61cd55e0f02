"""Which function goes to which pin: the fewest moves that break no rule, by mixed integer programming (scipy, HiGHS).

    found = assigned(functions, pins, now)        the fewest moves; found.runner_up: the next best, None where none
    contradicting(functions, pins)                the smallest set of functions for which there are too few pins

What a function may have is one predicate per need, each with its words: the reason for a move is the need that the old
pin does not meet, or the function that has to have it. A set of functions without an assignment has a part of k
functions that share fewer than k pins (Hall, J. London Math. Soc. 10, 1935); the smallest such part is a program too.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_matrix

from wakeboard.harness.describe.board.pin_tables import PinFacts

KINDS: Final = ("input", "output", "analogue")


@dataclass(frozen=True)
class Function:
    """What a function needs of its pin. bus: a role of the pin table that it must have."""

    name: str
    kind: str = "output"
    quiet: bool = False
    five_volt: bool = False
    debugging: bool = False
    """The debug port stays free for a debugger."""
    amps: float = 0.0

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
    """function -> pin; the reason for each function that moved; the next best assignment."""

    pins: Mapping[str, str]
    moved: Mapping[str, str] = field(default_factory=dict)
    runner_up: Assignment | None = None


class NoAssignment(ValueError):
    """The smallest set of functions that too few pins are left for."""

    def __init__(self, functions: Sequence[str], pins: Sequence[str]) -> None:
        self.functions, self.pins = tuple(functions), tuple(pins)
        left = ", ".join(pins) or "none"
        super().__init__(f"no assignment exists: {', '.join(functions)} need {len(functions)} pins; left are: {left}")


def assigned(
    functions: Sequence[Function], pins: Mapping[str, PinFacts], now: Mapping[str, str] | None = None,
    options: Sequence[str] = (), *, runner_up: bool = True,
) -> Assignment:  # fmt: skip
    """The fewest moves from `now` (function -> pin). Raises NoAssignment."""
    here = dict(now or {})
    pairs = _pairs(functions, pins, options)
    first = _solve(functions, pairs, here, ())
    if first is None:
        raise contradicting(functions, pairs)
    second = _solve(functions, pairs, here, (first,)) if runner_up else None
    moved = _reasons(functions, pins, here, options, first)
    after = Assignment(second, _reasons(functions, pins, here, options, second)) if second else None
    return Assignment(first, moved, after)


def _pairs(
    functions: Sequence[Function], pins: Mapping[str, PinFacts], options: Sequence[str]
) -> list[tuple[str, str]]:
    return [
        (each.name, pin) for each in functions for pin, facts in pins.items() if not each.misses(pin, facts, options)
    ]


def _solve(
    functions: Sequence[Function], pairs: Sequence[tuple[str, str]], now: Mapping[str, str],
    but: Sequence[Mapping[str, str]],
) -> dict[str, str] | None:  # fmt: skip
    """Each function one pin, each pin one function at most; not an assignment of `but`."""
    if {function for function, _ in pairs} != {each.name for each in functions}:
        return None
    rows = {each.name: k for k, each in enumerate(functions)}
    column = {pin: len(rows) + k for k, pin in enumerate(dict.fromkeys(pin for _, pin in pairs))}
    at = [(rows[function], k) for k, (function, _) in enumerate(pairs)]
    at += [(column[pin], k) for k, (_, pin) in enumerate(pairs)]
    at += [
        (len(rows) + len(column) + n, k)
        for n, known in enumerate(but)
        for k, (f, pin) in enumerate(pairs)
        if known[f] == pin
    ]
    size = len(rows) + len(column) + len(but)
    matrix = coo_matrix((np.ones(len(at)), tuple(np.array(at).T)), shape=(size, len(pairs))).tocsr()
    low = np.array([1.0] * len(rows) + [0.0] * (len(column) + len(but)))
    high = np.array([1.0] * (len(rows) + len(column)) + [len(functions) - 1.0] * len(but))
    cost = np.array([float(now.get(function, pin) != pin) for function, pin in pairs])
    found = milp(cost, integrality=np.ones(len(pairs), dtype=np.int64), bounds=Bounds(0, 1),
                 constraints=LinearConstraint(matrix, low, high))  # fmt: skip
    if found.x is None:
        return None
    return dict(pair for pair, taken in zip(pairs, found.x, strict=True) if taken > 0.5)


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
    """The smallest set of functions that can be on fewer pins than they are."""
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
        raise ValueError("there is an assignment")
    chosen = [name for name, taken in zip(names, found.x[:count], strict=True) if taken > 0.5]
    return NoAssignment(chosen, sorted({pin for function, pin in pairs if function in chosen}))
