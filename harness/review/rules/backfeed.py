"""A supply that is off, or a cell that may take nothing, fed from another supply."""

from __future__ import annotations

from collections.abc import Iterator

from wakeboard.harness.review.cases import Case
from wakeboard.harness.review.concern import Concern
from wakeboard.harness.review.study import OFF_LIMIT, Study
from wakeboard.instruments.quantity import show
from wakeboard.instruments.virtual.circuit.bench.parts import supply_name
from wakeboard.instruments.virtual.circuit.model import Variant

PUSHED = 0.05
"""V above its own setting: no bench supply and no cell rises by itself, so another supply pushes current into it."""

STIFF_OHMS = 1e3
"""Ω; what still lifts a supply's net across this can charge a cell or hurt a port; less only shows on a meter."""


def find(study: Study) -> Iterator[Concern]:
    for name, supply in study.board.supplies.items():
        volts = study.volts(supply.net)
        pushed: dict[int, float] = {}
        lifted: dict[int, float] = {}
        for k, case in study.undriven():
            above = volts[k] - case.supplies.get(name, 0.0)
            if name in case.supplies and above > PUSHED:
                pushed[k] = above
            elif name not in case.supplies and above > OFF_LIMIT:
                lifted[k] = above
        for k in study.worst_by_supplies(pushed).values():
            yield _pushed(study, name, k, study.cases[k], volts[k])
        cases = list(study.worst_by_supplies(lifted).values())
        for k, held in zip(cases, _with_load(study, name, cases), strict=True):
            yield _lifted(study, name, k, study.cases[k], volts[k], held)


def _pushed(study: Study, name: str, k: int, case: Case, volts: float) -> Concern:
    others = [other for other in case.supplies if other != name]
    path = study.path(k, study.board.supplies[name].net)
    return Concern(
        "backfeed", True, (study.board.supplies[name].net,), path=path, state=case.state, value=volts, unit="V",
        weight=volts,
        says=f"{' and '.join(others)} push{'es' if len(others) == 1 else ''} current into {name}: it stands at "
        f"{show(volts, 'V')} where {show(case.supplies[name], 'V')} is set{_through(path)}",
        do=f"block the path towards {name} (a diode or a transistor turned round); never connect it until then",
    )  # fmt: skip


def _lifted(study: Study, name: str, k: int, case: Case, volts: float, held: float) -> Concern:
    path = study.path(k, study.board.supplies[name].net)
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


def _through(path: tuple[str, ...]) -> str:
    return f", through {' → '.join(path)}" if path else ""


def _with_load(study: Study, name: str, cases: list[int]) -> list[float]:
    """Volts at a supply's net in some cases with STIFF_OHMS across it."""
    if not cases:
        return []
    stiff = f"{supply_name(name)}.off_ohms"
    variants = [Variant(values={**study.cases[k].values(), stiff: STIFF_OHMS}) for k in cases]
    points = study.model.solve(variants).require()
    return [float(volts) for volts in points.net(study.board.supplies[name].net)]
