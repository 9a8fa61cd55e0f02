"""A pull inside a pin that a file of the chip's maker shows (IBIS), where the board fights it or counts on none.

The data sheet may be silent; the file is named as the source. A pin that resets, enables or straps is always told of.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from wakeboard.harness.describe.board.levels import LevelError, line_thresholds
from wakeboard.harness.review.concern import Concern
from wakeboard.harness.review.pulls import matters
from wakeboard.harness.review.rules.undefined_level import judged
from wakeboard.harness.review.study.study import Study
from wakeboard.instruments.quantity import show
from wakeboard.instruments.virtual.circuit.part import Part


def find(study: Study) -> Iterator[Concern]:
    for part, pin, entry in study.chips():
        source = entry.get("source")
        for key, way in (("pull_up", "up"), ("pull_down", "down")):
            if source and entry.get(key) is not None:
                yield from _told(study, part, pin, entry, way)


def _told(study: Study, part: Part, pin: str, entry: Mapping[str, Any], way: str) -> Iterator[Concern]:
    net = part.pins[pin]
    against = _fitted_against(study, net, way)
    wrong = _wrong_level(study, net, way)
    if wrong is None and not against and not matters(pin) and not matters(net):
        return
    ohms = float(entry[f"pull_{way}"])
    says = f"the pin {part.name}.{pin} on {net} hides a pull-{way} of {show(ohms, 'Ω')} ({entry['source']})"
    if wrong is not None:
        _, volts, level = wrong
        says += f"; {net} should be {level} and sits at {show(volts, 'V')}"
    elif against:
        says += f", against {', '.join(against)}"
    yield Concern(
        "weak-pull", wrong is not None, (net,), path=(part.name,), weight=2.0 if wrong else 0.5,
        state=study.cases[wrong[0]].state if wrong else "",
        value=wrong[1] if wrong else ohms, unit="V" if wrong else "Ω", says=says,
        beyond=(wrong[1] if way == "up" else -wrong[1]) if wrong else None,
        do=_advice(net, ohms, way, bool(wrong)), stated=True,
    )  # fmt: skip


def _advice(net: str, ohms: float, way: str, wrong: bool) -> str:
    if not wrong:
        return f"count it in where {net} is pulled or driven, and measure it on the first unit"
    other = "down" if way == "up" else "up"
    return f"fit a pull-{other} well below {show(ohms, 'Ω')} on {net}, or drive it"


def _fitted_against(study: Study, net: str, way: str) -> list[str]:
    """Resistors of the board that pull the other way."""
    ground = study.board.ground
    rails = {rail.net for rail in study.board.rails.values()} | {s.net for s in study.board.supplies.values()}
    found = []
    for part in study.board.parts.values():
        nets = set(part.pins.values())
        if part.kind == "resistor" and net in nets and len(nets) == 2:
            (other,) = nets - {net}
            if other == ground if way == "up" else other in rails:
                found.append(f"{part.name} ({show(float(part.values['value']), 'Ω')})")
    return found


def _wrong_level(study: Study, net: str, way: str) -> tuple[int, float, str] | None:
    """(case, volts, level) where a line on the net is off its level at boot, in the direction of the pull."""
    for line in study.board.lines.values():
        level = line.when.get("boot")
        if line.net != net or level != ("low" if way == "up" else "high"):
            continue
        volts = study.volts(net)
        for k, case in study.each():
            if case.line or not judged(study, line, case):
                continue
            try:
                if line_thresholds(study.board, line).level(float(volts[k])) != level:
                    return k, float(volts[k]), level
            except LevelError:
                return None
    return None
