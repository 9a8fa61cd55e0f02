"""More charge at attach than the supply's rules allow."""

from __future__ import annotations

from collections.abc import Iterator

from wakeboard.harness.review.concern import Concern
from wakeboard.harness.review.rules.phantom_power import leaking_up
from wakeboard.harness.review.standards import USB_UNIT_LOAD, usb_attach_charge
from wakeboard.harness.review.study.cells import without_chargers
from wakeboard.harness.review.study.study import Study
from wakeboard.harness.review.study.supplied import REGULATORS, enabled
from wakeboard.instruments.quantity import show
from wakeboard.instruments.virtual.circuit.solver.points import Points

LONGEST = 0.1
"""s; charging the board's capacitors at the supply's whole budget for longer than this counts as a concern;
common practice, no source."""


def find(study: Study) -> Iterator[Concern]:
    points = without_chargers(study)  # a charger fills a cell's capacitors with its own current
    for name, supply in study.board.supplies.items():
        for k, case in study.undriven():
            if list(case.supplies) != [name] or case.drives or case.corner != "nominal":
                continue
            leaking = leaking_up(study, k)
            charge = _charge(study, points, k) - (_charge(study, points, k, leaking) if leaking else 0.0)
            volts = case.supplies[name]
            if supply.kind == "usb":
                allowed, rule = usb_attach_charge(volts), "USB allows what 10 µF take (USB 2.0, section 7.2.4.1)"
            else:
                allowed = LONGEST * (supply.budget or float("inf"))
                rule = f"its budget would need more than {show(LONGEST, 's')}"
            if charge > allowed:
                up = tuple(net for net in study.up_though_off(k) if net not in leaking)
                behind = (*up, *_before(study, up, k))
                fault = up if charge - _charge(study, points, k, behind) <= allowed else ()
                soft = _softly(study, supply.net, k) if not fault and supply.kind == "usb" else {}
                asks = bool(soft) and charge - _charge(study, points, k, tuple(soft)) <= allowed
                yield Concern(
                    "inrush", supply.kind == "usb" and not asks, (supply.net, *fault), state=case.state, value=charge,
                    unit="C", weight=charge / allowed,
                    says=f"plugging {name} in charges {show(charge, 'C')} of capacitors at once; {rule}",
                    do="use smaller capacitors before the first switch, or a switch with a soft start",
                    settles=_soft_start(soft) if asks else "",
                )  # fmt: skip


def _soft_start(soft: dict[str, str]) -> str:
    names = sorted(set(soft.values()))
    whose = f"{names[0]} starts" if len(names) == 1 else f"{' and '.join(names)} start"
    return f"how slowly {whose}: the charge over that time is a current, of which USB gives {show(USB_UNIT_LOAD, 'A')}"


def _softly(study: Study, plug: str, k: int) -> dict[str, str]:
    """Net -> the regulator, up in a case, through which it gets what comes in at a plug: most start softly."""
    regulators = [part for part in study.board.parts.values() if part.kind in REGULATORS]
    found = {part.pins["OUT"]: part.name for part in regulators if enabled(study, part, k)}
    todo = list(found)
    for net in todo:
        for part in study.board.parts.values():
            ends = set(part.pins.values()) - {study.board.ground, plug}
            if part.kind in ("resistor", "inductor", "load_switch") and net in ends:
                on = [end for end in ends - set(found) if part.pins.get("OUT") in (None, end)]
                found |= dict.fromkeys(on, found[net])
                todo += on
    return found


def _before(study: Study, up: tuple[str, ...], k: int) -> set[str]:
    """The nets that are no rail or supply and through which rails are fed that should be off."""
    named = {rail.net for rail in study.board.rails.values()} | {s.net for s in study.board.supplies.values()}
    return {net for each in up for net in study.rails.on_the_way(each, k)} - named


def _charge(study: Study, points: Points, k: int, only: tuple[str, ...] = ()) -> float:
    """C that the board's capacitors (only those on some nets) hold in a case: what the supply delivers at attach."""
    total = 0.0
    for part in study.board.parts.values():
        if part.kind == "capacitor" and (not only or set(part.pins.values()) & set(only)):
            first, second = (float(points.pin_volts(part.name, pin)[k]) for pin in part.pins)
            total += float(part.values["value"]) * abs(first - second)
    return total
