"""A supply that is off, or a cell that nothing but its charger may feed, fed from another supply.

Chargers are taken out here: what they bring is their job, and is judged by the rule `charge`. What is left is what
would feed a cell with no regard for its voltage.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import isnan

from wakeboard.harness.review.concern import Concern
from wakeboard.harness.review.study.cases import Case
from wakeboard.harness.review.study.cells import Taken, chargers_off, taken, without_chargers
from wakeboard.harness.review.study.feed import feed_path
from wakeboard.harness.review.study.study import OFF_LIMIT, Study
from wakeboard.harness.review.study.supplied import CHARGERS, chargers
from wakeboard.instruments.quantity import show
from wakeboard.instruments.virtual.circuit.bench.parts import supply_name
from wakeboard.instruments.virtual.circuit.model import Variant
from wakeboard.instruments.virtual.circuit.solver.points import Points

PUSHED = 0.05
"""V above its own setting: no bench supply and no cell rises by itself, so another supply pushes current into it."""

CELL = 100.0
"""Added to how bad it is that a cell is charged by what is not its charger: V and A have no common scale."""

LEAK = 1e-3
"""A into a source up to which a path counts as a leak; common practice, no source."""

SMALL = 20e-6
"""A that two supplies on one net, or a meter, exchange without any path that matters; common practice, no source."""

STIFF_OHMS = 1e3
"""Ω; what still lifts a supply's net across this can charge a cell or hurt a port; less only shows on a meter."""

BLOCKED = 100e-6
"""A through a diode that blocks, up to which it is its own leak; common practice, no source."""
LARGE = 47e3
"""Ω between a supply and another one's net from which what passes is a leak; common practice, no source."""

BLOCKING = ("diode", "schottky", "ideal_diode")
CONDUCTING = ("resistor", "fuse", "ptc", "inductor")
DEAF = (*BLOCKING, *CHARGERS, "connector", "capacitor", "resistor", "fuse", "ptc", "zener", "inductor", "esd_array")
"""Kinds on a supply's net to which a leak makes no difference."""


def find(study: Study) -> Iterator[Concern]:
    points = without_chargers(study)
    for name, supply in study.board.supplies.items():
        volts = [float(v) for v in points.net(supply.net)]
        pushed: dict[int, float] = {}
        lifted: dict[int, float] = {}
        for k, case in study.undriven():
            above = volts[k] - case.supplies.get(name, 0.0)
            if name in case.supplies and above > PUSHED:
                pushed[k] = above
            elif name not in case.supplies and above > OFF_LIMIT:
                lifted[k] = above
        yield from _all_pushed(study, name, list(study.worst_by_supplies(pushed).values()))
        cases = list(study.worst_by_supplies(lifted).values())
        for k, held in zip(cases, _with_load(study, name, cases), strict=True):
            if held <= OFF_LIMIT and _only_leaks(
                study, _path(study, points, study.cases[k], k, supply.net), supply.net
            ):
                continue
            yield _lifted(study, points, name, k, volts[k], held)


def _all_pushed(study: Study, name: str, found: list[int]) -> Iterator[Concern]:
    if not found:
        return
    cases = [study.cases[k] for k in found]
    at_rest = taken(study, name, cases, chargers_off(study))
    supply = study.board.supplies[name]
    allowed = max(SMALL, (supply.may_take or 0.0) if supply.kind != "cell" else 0.0)
    for row, amps in enumerate(at_rest.amps()):
        path = at_rest.path(row)
        if amps > allowed and not (amps < BLOCKED and _ends_in_block(study, path, supply.net)):
            yield _pushed(at_rest, row, amps)


def _pushed(at_rest: Taken, row: int, amps: float) -> Concern:
    name, case, study = at_rest.supply, at_rest.cases[row], at_rest.study
    supply = study.board.supplies[name]
    others = [other for other in case.supplies if other != name]
    path = at_rest.path(row)
    verb = "push" if len(others) > 1 else "pushes"
    charged = supply.kind == "cell" and any(chargers(study))
    return Concern(
        "backfeed", amps > LEAK, (supply.net,), path=path, state=case.state, value=amps, unit="A",
        weight=amps + (CELL if supply.kind == "cell" and amps > LEAK else 0.0),  # before what its open leads show
        says=f"{' and '.join(others)} {verb} {show(amps, 'A')} into {name} at {show(case.supplies[name], 'V')}"
        f"{_through(path)}{', with the charger off: nothing watches its voltage' if charged else ''}",
        do=f"block the path towards {name} (a diode or a transistor turned round); never connect it until then",
    )  # fmt: skip


def _lifted(study: Study, points: Points, name: str, k: int, volts: float, held: float) -> Concern:
    case = study.cases[k]
    path = _path(study, points, case, k, study.board.supplies[name].net)
    stiff = held > OFF_LIMIT
    amps = held / STIFF_OHMS
    return Concern(
        "backfeed", stiff, (study.board.supplies[name].net,), path=path, state=case.state, value=volts, unit="V",
        weight=volts,
        says=f"{' and '.join(case.supplies)} lift{'s' if len(case.supplies) == 1 else ''} {name}, which is off, to "
        f"{show(volts, 'V')}{_through(path)}; "
        + (f"{show(amps, 'A')} still flow into 1 kΩ there" if stiff else "a leak: 1 kΩ there holds it down"),
        do=f"block the path towards {name}, or load it so that the leak stays below {show(OFF_LIMIT, 'V')}",
    )  # fmt: skip


def _path(study: Study, points: Points, case: Case, k: int, net: str) -> tuple[str, ...]:
    pins = [(part.name, pin) for part in study.circuit.parts for pin in part.pins]
    amps = {pin: float(points.current(*pin)[k]) for pin in pins}
    return feed_path(study.circuit, amps, [study.board.supplies[name].net for name in case.supplies], net)


def _through(path: tuple[str, ...]) -> str:
    return f", through {' → '.join(path)}" if path else ""


def _only_leaks(study: Study, path: tuple[str, ...], net: str) -> bool:
    """Whether a supply's net rises by the leak of a diode that blocks it, or through a large resistor, and nothing
    there listens or is powered."""
    if not _ends_in_block(study, path, net) and not _through_large(study, path):
        return False
    return all(part.kind in DEAF for part in study.board.parts.values() if net in part.pins.values())


def _through_large(study: Study, path: tuple[str, ...]) -> bool:
    """Whether all that comes passes a resistor so large that it is a leak, as that of a divider that is measured."""
    parts = [study.board.parts[name] for name in path if name in study.board.parts]
    return any(part.kind == "resistor" and float(part.values["value"]) >= LARGE for part in parts)


def _ends_in_block(study: Study, path: tuple[str, ...], net: str) -> bool:
    """Whether the last part on the way, but for what merely conducts, is a diode that blocks towards a net."""
    for name in reversed(path):
        part = study.board.parts.get(name)
        if part is None or part.kind not in CONDUCTING:
            return part is not None and part.kind in BLOCKING and part.pins.get("A") == net
        net = next((other for other in part.pins.values() if other != net), net)
    return False


def _with_load(study: Study, name: str, cases: list[int]) -> list[float]:
    """Volts at a supply's net in some cases with STIFF_OHMS across it, chargers idle."""
    if not cases:
        return []
    stiff = {f"{supply_name(name)}.off_ohms": STIFF_OHMS, **chargers_off(study)}
    variants = [Variant(values={**study.cases[k].values(), **stiff}) for k in cases]
    net = study.board.supplies[name].net
    alone = study.volts(net)
    return [alone[k] if isnan(volts) else volts for k, volts in zip(cases, study.solved(variants, net), strict=True)]
