"""A feedback divider that sets another voltage than the drawing gives for the rail."""

from __future__ import annotations

from collections.abc import Iterator

from wakeboard.harness.describe.board.preferred import values_between
from wakeboard.harness.review.concern import Concern
from wakeboard.harness.review.study.study import Study
from wakeboard.harness.review.study.supplied import ADJUSTABLE, divided, set_volts
from wakeboard.instruments.quantity import show
from wakeboard.instruments.virtual.circuit.part import Part


def find(study: Study) -> Iterator[Concern]:
    for part in study.board.parts.values():
        if part.kind not in ADJUSTABLE:
            continue
        for rail in study.rails_on(part.pins["OUT"]):
            aim, limits = set_volts(study, part), rail.limits
            if limits is None or (aim is not None and _inside(aim, limits.low, limits.high)):
                continue
            wanted = rail.volts.nominal if rail.volts else ((limits.low or 0.0) + (limits.high or 0.0)) / 2
            yield Concern(
                "divider", True, (rail.net, part.pins["FB"]), path=(part.name,), value=aim, unit="V" if aim else "",
                weight=2.0, beyond=None if aim is None else max((limits.low or 0.0) - aim, aim - (limits.high or aim)),
                says=_says(study, part, rail.name, aim, limits.show("V")), do=_do(study, part, wanted),
            )  # fmt: skip


def _inside(volts: float, low: float | None, high: float | None) -> bool:
    return (low or 0.0) <= volts <= (high if high is not None else volts)


def _says(study: Study, part: Part, rail: str, aim: float | None, allowed: str) -> str:
    reference = show(float(part.values["reference"]), "V")
    if aim is None:
        return (
            f"no resistor brings {part.name}'s output back to its FB pin ({reference}): {rail}, which may be "
            f"{allowed}, "
            "goes as high as the input lets it"
        )
    if divided(study, part) > 0.999:
        return f"nothing divides {part.name}'s output before FB: it sets {rail} to {reference}, which may be {allowed}"
    return f"the divider at {part.name}'s FB ({reference}) sets {rail} to {show(aim, 'V')}; it may be {allowed}"


def _do(study: Study, part: Part, wanted: float) -> str:
    reference = float(part.values["reference"])
    lower = _lower(study, part)
    if lower is None or wanted <= reference:
        return f"choose the divider so that output / reference is {wanted / reference:.4g}: 1 + upper / lower resistor"
    upper = lower * (wanted / reference - 1)
    near = min(values_between(upper / 1.1, upper * 1.1, "E96"), key=lambda ohms: abs(ohms - upper), default=upper)
    return f"with {show(lower, 'Ω')} from FB to ground, fit {show(near, 'Ω')} from the output to FB"


def _lower(study: Study, part: Part) -> float | None:
    siemens = sum(
        1 / float(other.values["value"])
        for other in study.board.parts.values()
        if other.kind == "resistor" and set(other.pins.values()) == {part.pins["FB"], study.board.ground}
    )
    return 1 / siemens if siemens else None
