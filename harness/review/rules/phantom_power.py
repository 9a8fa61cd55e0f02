"""A rail that should be off rises through pins and pulls."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Final

from wakeboard.harness.review.concern import Concern
from wakeboard.harness.review.study.cells import chargers_off, without_chargers
from wakeboard.harness.review.study.study import OFF_LIMIT, Study
from wakeboard.harness.review.study.supplied import feeders
from wakeboard.instruments.quantity import show
from wakeboard.instruments.virtual.circuit.faults.fault import Fault
from wakeboard.instruments.virtual.circuit.model import Variant

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Rail
    from wakeboard.harness.review.study.cases import Case

LEAK_OHMS = 10e3
"""Ω from the rail to ground that a mere leak cannot lift: what is less than 30 µA comes through the large resistors
with which a pin watches another supply; common practice, no source."""

FED: Final = 50e-6
"""A into a pin's clamp from which a part that is off counts as fed; common practice, no source."""


def find(study: Study) -> Iterator[Concern]:
    points = without_chargers(study)
    for name, rail in study.board.rails.items():
        volts = [float(v) for v in points.net(rail.net)]
        off = [k for k, case in study.each() if not study.rail_should_be_on(name, case) and _meant(study, rail, case)]
        off = [k for k in off if not _switched_on(rail, study.cases[k])]
        lifted = {k: volts[k] for k in off if volts[k] > OFF_LIMIT}
        yield from _sinking(study, rail, [k for k in off if volts[k] <= OFF_LIMIT])
        if _passed_on(study, rail.net):
            lifted = {k: v for k, v in lifted.items() if v > _input(study, rail.net, k)}
        for k in _held(study, rail.net, list(study.worst_by_supplies(lifted).values())):
            path = study.path_from_rail(k, rail.net) or tuple(part.name for part in feeders(study, rail.net))
            yield Concern(
                "phantom-power", True, (rail.net,), path=path, state=study.cases[k].state, value=volts[k], unit="V",
                weight=volts[k],
                says=f"{name} should be off and stands at {show(volts[k], 'V')}"
                + (f", fed through {' → '.join(path)}" if path else ""),
                do=_advice(study, path, rail.net),
            )  # fmt: skip


def _switched_on(rail: Rail, case: Case) -> bool:
    """Whether a state has the rail switched on by a chip that has no power in it: nobody can set that."""
    return bool(rail.on_when) and all(case.drives.get(pin) == level for pin, level in rail.on_when.items())


def _meant(study: Study, rail: Rail, case: Case) -> bool:
    """Whether a driven line's state is one for while the rail is off: not where all that listens there is off."""
    if not case.line:
        return True
    line = study.board.lines[case.line]
    fed = [
        study.rail_net(part, entry)
        for part, pin, entry in study.chips()
        if part.pins[pin] == line.net and f"{part.name}.{pin}" != line.driven_by
    ]
    return rail.net not in fed or any(net != rail.net for net in fed)


def _sinking(study: Study, rail: Rail, cases: list[int]) -> Iterator[Concern]:
    """A rail that is held down while off, so that it does not rise, and into whose parts pull-ups feed current."""
    for part, pin, entry in study.chips():
        net = part.pins[pin]
        if study.rail_net(part, entry) != rail.net or not entry.get("clamp", True) or net == rail.net:
            continue
        amps = study.points.current(part.name, pin)
        for k in cases:
            above = float(study.points.net(net)[k] - study.points.net(rail.net)[k])
            if not study.cases[k].line and above > OFF_LIMIT and amps[k] > FED:
                yield Concern(
                    "phantom-power", False, (rail.net, net), path=(part.name,), state=study.cases[k].state,
                    value=float(amps[k]), unit="A", weight=float(amps[k]),
                    says=f"{rail.name} should be off, and {show(float(amps[k]), 'A')} flow into it through "
                    f"{part.name}.{pin} from {net}, which stands at {show(float(study.points.net(net)[k]), 'V')}",
                    do=f"move the pull-up of {net} to {rail.net}",
                )  # fmt: skip


def _advice(study: Study, path: tuple[str, ...], net: str) -> str:
    """What stops it, by the last part on the way."""
    last = study.board.parts.get(path[-1]) if path else None
    if last is not None and last.kind in ("mosfet", "bjt"):
        return f"hold {last.name} off while {net} should be off, and see that its body diode does not point to {net}"
    if last is not None and "OUT" in last.pins and last.pins["OUT"] == net:
        return f"hold {last.name} off while {net} should be off"
    driver = study.board.parts.get(path[-2]) if len(path) > 1 else None
    if last is not None and driver is not None and driver.kind == "chip":
        return (
            f"{driver.name} drives {last.name} while {net} is off: feed {driver.name} from {net}, or put a gate "
            "between them that stands a voltage without power"
        )
    pulls = _pull_ups(study, net)
    which = f" ({', '.join(pulls)})" if pulls else ""
    return f"move the pull-ups of lines into its parts{which} to {net}, or disconnect those lines while it is off"


def _pull_ups(study: Study, net: str) -> list[str]:
    """The resistors that pull lines into a rail's parts up to other rails."""
    lines = {part.pins[pin] for part, pin, entry in study.chips() if study.rail_net(part, entry) == net}
    rails = {rail.net for rail in study.board.rails.values()} - {net}
    found = []
    for part in study.board.parts.values():
        ends = set(part.pins.values())
        if part.kind == "resistor" and len(ends & lines) == 1 and len(ends & rails) == 1:
            found.append(part.name)
    return found


def _passed_on(study: Study, net: str) -> bool:
    """Whether a step-up converter feeds a net on which nothing runs yet: off, its rectifier passes the input on."""
    boosted = any(part.kind.endswith("boost") for part in feeders(study, net))
    return boosted and not _wakes_below(study, net)


def _wakes_below(study: Study, net: str) -> bool:
    """Whether a chip on a stepped-up rail already runs from what comes through while the converter is off."""
    inputs = [max(study.volts(part.pins["IN"])) for part in feeders(study, net)]
    supplies = [
        float(entry.get("above") or 1.0)
        for part in study.board.parts.values()
        for pin, entry in part.values.get("supply", {}).items()
        if part.pins[pin] == net
    ]
    return bool(inputs) and any(above < max(inputs) for above in supplies)


def _input(study: Study, net: str, k: int) -> float:
    """V at the input of the converter that feeds a net."""
    return max((study.volts(part.pins["IN"])[k] for part in feeders(study, net)), default=0.0)


def leaking_up(study: Study, k: int) -> tuple[str, ...]:
    """The nets of rails that should be off in a case and that only leaks bring up: they take no charge at once."""
    return tuple(net for net in study.up_though_off(k) if not _held(study, net, [k]))


def _held(study: Study, net: str, cases: list[int]) -> list[int]:
    """The cases in which the rail stays up with LEAK_OHMS across it: less is the leak of transistors that are off."""
    if not cases:
        return []
    load = Fault(f"{net}+{study.board.ground}", "bridge", f"{LEAK_OHMS:g}")
    variants = [Variant((load,), {**study.cases[k].values(), **chargers_off(study)}) for k in cases]
    held = study.solved(variants, net)
    return [k for k, volts in zip(cases, held, strict=True) if not volts <= OFF_LIMIT]
