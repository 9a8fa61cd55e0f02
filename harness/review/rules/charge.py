"""A charger against the cell that it charges and the source that feeds it, with its enable on and at every source."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from wakeboard.harness.describe.board.board import Supply
from wakeboard.harness.review.concern import Concern
from wakeboard.harness.review.rules.dissipation import DERATE
from wakeboard.harness.review.study.cases import Case, volts_at
from wakeboard.harness.review.study.cells import Taken, charger_on, taken
from wakeboard.harness.review.study.study import Study
from wakeboard.harness.review.study.supplied import chargers
from wakeboard.instruments.quantity import show
from wakeboard.instruments.virtual.circuit.part import Part

VOLTS = 0.01
"""Relative; by how much a charger's end voltage may be above what the cell is drawn for: its own usual accuracy."""

FEWER = 0.9
"""Share of the cell's highest voltage below which the charger is one for fewer cells; common practice, no source."""

LEAST = 1e-3  # A that count as charging
OVER = 1.05  # of a limit on current: a program resistor's and the charger's own spread


def find(study: Study) -> Iterator[Concern]:
    for part in chargers(study):
        for name, supply in study.board.supplies.items():
            if supply.kind == "cell" and _charges(study, part, supply):
                voltage = list(_voltage(part, supply))
                yield from voltage
                yield from _fed_by_itself(study, part, name)
                if not voltage:
                    yield from _current(study, part, name)


def _charges(study: Study, part: Part, supply: Supply) -> bool:
    """Whether a charger's output is the cell's net, or joined to it by something that conducts both ways."""
    seen, todo = {part.pins["BAT"]}, [part.pins["BAT"]]
    for net in todo:
        for other in study.board.parts.values():
            low = other.kind in ("fuse", "ptc", "inductor") or (
                other.kind == "resistor" and float(other.values["value"]) < 100
            )
            if low and net in other.pins.values():
                todo += [each for each in other.pins.values() if each not in seen and each != study.board.ground]
                seen |= set(other.pins.values())
    return supply.net in seen


def _voltage(part: Part, supply: Supply) -> Iterator[Concern]:
    high, volts = supply.limits.high, float(part.values.get("volts", 4.2))
    if high is None:
        return
    if volts > high * (1 + VOLTS):
        yield Concern(
            "charge", True, (supply.net,), path=(part.name,), value=volts, unit="V", weight=3.0,
            says=f"{part.name} charges to {show(volts, 'V')}; {supply.name} may have {show(high, 'V')} at most",
            do=f"fit a charger of {show(high, 'V')}, or correct the range of {supply.name} if the drawing is wrong",
        )  # fmt: skip
    elif volts < high * FEWER:
        yield Concern(
            "charge", True, (supply.net,), path=(part.name,), value=volts, unit="V", weight=3.0,
            says=f"{part.name} charges to {show(volts, 'V')}; {supply.name} is full at {show(high, 'V')}: it never is",
            do=f"fit a charger of {show(high, 'V')}, or correct the range of {supply.name} if the drawing is wrong",
        )  # fmt: skip


def _fed_by_itself(study: Study, part: Part, cell: str) -> Iterator[Concern]:
    for k, case in study.undriven():
        if list(case.supplies) == [cell] and not case.drives and case.corner == "nominal":
            volts = study.volts(part.pins["IN"])[k]
            if volts > 0.5 * case.supplies[cell]:
                yield Concern(
                    "charge", False, (study.board.supplies[cell].net, part.pins["IN"]), path=(part.name,),
                    state=case.state, value=volts, unit="V",
                    says=f"{cell} feeds the input of its own charger {part.name}: {part.pins['IN']} has "
                    f"{show(volts, 'V')} with nothing else on, so the charger runs from the cell and drains it",
                    do=f"feed {part.name} from what comes in, before the power path",
                )  # fmt: skip


def _current(study: Study, part: Part, cell: str) -> Iterator[Concern]:
    pairs = list(_pairs(study, cell))
    if not pairs:
        return
    on = taken(study, cell, pairs, charger_on(part))
    idle = taken(study, cell, pairs, {f"{part.name}.dead": True})
    brought = [-float(amps) for amps in on.points.current(part.name, "BAT")]
    supply, most = study.board.supplies[cell], max(range(len(pairs)), key=brought.__getitem__)
    if brought[most] < LEAST:
        yield _none(study, part, supply, on, most)
        return
    if supply.may_take and brought[most] > OVER * supply.may_take:
        yield Concern(
            "charge", True, (supply.net,), path=(part.name,), state=pairs[most].state, value=brought[most], unit="A",
            weight=2.0,
            says=f"{part.name} charges {cell} with {show(brought[most], 'A')}; it may take "
            f"{show(supply.may_take, 'A')}",
            do=_weaker(part),
        )  # fmt: skip
    yield from _sources(study, part, on, idle)
    yield from _hot(part, on)


def _pairs(study: Study, cell: str) -> Iterator[Case]:
    """The cell at rest and empty, with each other supply alone at its nominal and its highest voltage."""
    supply = study.board.supplies[cell]
    low = supply.limits.low if supply.limits.low is not None else supply.volts.nominal
    for k, case in study.undriven():
        others = [name for name in case.supplies if name != cell]
        if cell in case.supplies and len(others) == 1 and not case.drives and case.corner == "nominal":
            for corner in ("nominal", "high"):
                volts = volts_at(study.board.supplies[others[0]], corner)
                for at in (supply.volts.nominal, low):
                    yield replace(study.cases[k], supplies={others[0]: volts, cell: at})


def _none(study: Study, part: Part, supply: Supply, on: Taken, row: int) -> Concern:
    given = float(on.points.pin_volts(part.name, "IN")[row])
    needed = on.cases[row].supplies[supply.name]
    if given < needed:
        why = f"its input has {show(given, 'V')} only, the cell {show(needed, 'V')}"
        do = f"feed {part.name} from more than the cell's highest voltage"
    elif "PROG" in part.pins:
        why = f"nothing flows out of PROG ({part.pins['PROG']})"
        do = f"fit the program resistor from {part.pins['PROG']} to ground"
    else:
        why, do = "nothing comes out of it", f"look at what lies between {part.name} and the cell"
    return Concern(
        "charge", True, (supply.net, part.pins["IN"]), path=(part.name,), state=on.cases[row].state, value=0.0,
        unit="A", weight=1.0, says=f"{part.name} cannot charge {supply.name}, switched on or not: {why}",
        do=do,
    )  # fmt: skip


def _sources(study: Study, part: Part, on: Taken, idle: Taken) -> Iterator[Concern]:
    for name, source in study.board.supplies.items():
        if name == on.supply or not source.budget:
            continue
        with_it, without = on.drawn(name), idle.drawn(name)
        rows = [row for row, case in enumerate(on.cases) if name in case.supplies]
        over = [row for row in rows if with_it[row] >= source.budget * (1 - 1e-3) > without[row]]
        if over:
            row = max(over, key=with_it.__getitem__)
            asked = _asked(part, on, row)
            yield Concern(
                "charge", True, (source.net, part.pins["IN"]), path=(part.name,), state=on.cases[row].state,
                value=asked, unit="A", weight=asked / source.budget,
                says=f"{part.name} charges with {show(asked, 'A')} and the board takes {show(without[row], 'A')} "
                f"besides: {name} gives {show(source.budget, 'A')}", do=_weaker(part),
            )  # fmt: skip


def _asked(part: Part, on: Taken, row: int) -> float:
    """A that the charger is set to, which a source in its limit does not show."""
    if part.kind == "charger":
        return float(part.values.get("current", 0.1))
    out = -float(on.points.current(part.name, "PROG")[row])
    return min(out * float(part.values.get("ratio", 1000.0)), float(part.values.get("limit", 1.0)))


def _weaker(part: Part) -> str:
    return "fit a larger program resistor" if "PROG" in part.pins else "fit a charger with less current"


def _hot(part: Part, on: Taken) -> Iterator[Concern]:
    rated, watts = part.ratings.get("power"), [float(w) for w in on.points.power(part.name)]
    row = max(range(len(watts)), key=watts.__getitem__)
    if rated and watts[row] > DERATE * rated:
        yield Concern(
            "dissipation", watts[row] > rated, tuple(dict.fromkeys(part.pins.values())), path=(part.name,),
            state=on.cases[row].state, value=watts[row], unit="W", weight=watts[row] / rated,
            says=f"{part.name} turns {show(watts[row], 'W')} into heat while it charges an empty cell; rated for "
            f"{show(rated, 'W')}", do=f"{_weaker(part)}, or choose one that switches",
        )  # fmt: skip
