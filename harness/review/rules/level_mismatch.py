"""A driver whose high level its receiver does not recognise, or cannot stand."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from wakeboard.harness.review.concern import Concern
from wakeboard.harness.review.study import Study
from wakeboard.instruments.quantity import show
from wakeboard.instruments.virtual.circuit.part import Part

RECOGNISED = 0.7
"""Share of its rail that a CMOS input needs for a high (74HC: 0.7 V_CC; UM10204 asks the same of I2C inputs)."""

ABOVE_RAIL = 0.3
"""V that an input stands above its rail; the usual absolute maximum, common practice, no source."""


def find(study: Study) -> Iterator[Concern]:
    pins = list(study.chips())
    for driver, pin, entry in pins:
        if entry.get("type") not in ("output", "io"):
            continue
        for receiver, other, there in pins:
            if (receiver.name, other) != (driver.name, pin) and receiver.pins[other] == driver.pins[pin]:
                concern = _between(study, (driver, pin, entry), (receiver, other, there))
                if concern:
                    yield concern


def _between(
    study: Study, driver: tuple[Part, str, Mapping[str, Any]], receiver: tuple[Part, str, Mapping[str, Any]]
) -> Concern | None:
    """Rails compared in the cases where both are on as they should be."""
    source, sink = study.rail_net(driver[0], driver[2]), study.rail_net(receiver[0], receiver[2])
    if source == sink or receiver[2].get("type") == "analog":
        return None
    net = driver[0].pins[driver[1]]
    names = f"{driver[0].name}.{driver[1]} → {receiver[0].name}.{receiver[1]}"
    for k, case in study.undriven():
        if not all(_on(study, rail, k) for rail in (source, sink)):
            continue
        high, rail = float(study.points.net(source)[k]), float(study.points.net(sink)[k])
        if high > rail + ABOVE_RAIL and receiver[2].get("clamp", True):
            return Concern(
                "level-mismatch", True, (net, source, sink), path=(driver[0].name, receiver[0].name), state=case.state,
                value=high, unit="V",
                says=f"{names}: a high of {show(high, 'V')} meets an input on a rail of {show(rail, 'V')}",
                do="put a level shifter or a divider between them, or choose an input that tolerates it",
            )  # fmt: skip
        if high < RECOGNISED * rail and receiver[2].get("type") != "output":
            return Concern(
                "level-mismatch", True, (net, source, sink), path=(driver[0].name, receiver[0].name), state=case.state,
                value=high, unit="V",
                says=f"{names}: a high of {show(high, 'V')} is below the {show(RECOGNISED * rail, 'V')} that an input "
                f"on {show(rail, 'V')} recognises",
                do="put a level shifter between them",
            )  # fmt: skip
    return None


def _on(study: Study, net: str, k: int) -> bool:
    rails = study.rails_on(net)
    return any(study.rail_should_be_on(rail.name, study.cases[k]) for rail in rails) if rails else False
