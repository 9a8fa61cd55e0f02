"""A part past an absolute maximum, or a supply asked for more than its budget, with nothing wrong but the design."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from wakeboard.harness.review.concern import Concern
from wakeboard.harness.review.standards import USB3_UNIT_LOAD, USB_CONFIGURED, USB_UNIT_LOAD
from wakeboard.harness.review.study.study import Study
from wakeboard.instruments.quantity import show
from wakeboard.instruments.virtual.circuit.bench.parts import supply_name
from wakeboard.instruments.virtual.circuit.part import Part


def find(study: Study) -> Iterator[Concern]:
    for part in study.board.parts.values():
        for rating, unit, reached in (("voltage", "V", _voltage), ("current", "A", _current)):
            allowed = part.ratings.get(rating)
            if not allowed:
                continue
            values = reached(study, part)
            k = int(np.argmax(values))
            if values[k] > allowed:
                yield Concern(
                    "rating", True, tuple(dict.fromkeys(part.pins.values())), path=(part.name,),
                    state=study.cases[k].state, value=float(values[k]), unit=unit, weight=float(values[k] / allowed),
                    says=f"{part.name} sees {show(float(values[k]), unit)}; it stands {show(allowed, unit)} at most",
                    do=f"choose a part with a higher {rating} rating, or limit the {rating}",
                )  # fmt: skip
    yield from _budgets(study)


def _voltage(study: Study, part: Part) -> np.ndarray:
    volts = np.array([study.points.pin_volts(part.name, pin) for pin in part.pins])
    spread: np.ndarray = volts.max(axis=0) - volts.min(axis=0)
    return spread


def _current(study: Study, part: Part) -> np.ndarray:
    most: np.ndarray = np.max([np.abs(study.points.current(part.name, pin)) for pin in part.pins], axis=0)
    return most


def _budgets(study: Study) -> Iterator[Concern]:
    for name, supply in study.board.supplies.items():
        drawn = -study.points.current(supply_name(name), "P")
        for k, case in study.each():
            if list(case.supplies) != [name]:
                continue
            plugged = supply.kind == "usb" and not case.drives
            of_three = (supply.budget or 0.0) > USB_CONFIGURED
            budget = (USB3_UNIT_LOAD if of_three else USB_UNIT_LOAD) if plugged else supply.budget
            # a supply that is in its limit already has no budget left
            if budget and drawn[k] > budget * (1 - 1e-4):
                yield Concern(
                    "rating", bool(drawn[k] > (supply.budget or budget) * (1 - 1e-4)),
                    (supply.net, *study.up_though_off(k)), state=case.state,
                    value=float(drawn[k]), unit="A", weight=float(drawn[k] / budget),
                    says=f"the board takes {show(float(drawn[k]), 'A')} from {name}, which gives {show(budget, 'A')}"
                    + (f" before it is configured (USB {'3.2' if of_three else '2.0'})" if plugged else ""),
                    do="switch loads on later, or name a supply with a larger budget",
                )  # fmt: skip
