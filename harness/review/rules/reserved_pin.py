"""A control line on a pin that another function of the processor owns."""

from __future__ import annotations

from collections.abc import Iterator

from wakeboard.harness.describe.board.pin_tables import pin_facts
from wakeboard.harness.review.concern import Concern
from wakeboard.harness.review.study.study import Study


def find(study: Study) -> Iterator[Concern]:
    controls = {line.net: name for name, line in study.board.lines.items()}
    for part, pin, facts in pin_facts(study.board):
        name = controls.get(part.pins[pin])
        if name is None or facts.type == "input":
            continue
        options = study.board.note(part.name).options
        taken = {option: what for option, what in facts.reserved_by.items() if option in options}
        for option, what in taken.items():
            yield Concern(
                "reserved-pin", True, (part.pins[pin],), path=(f"{part.name}.{pin}",),
                says=f"{name} is on {part.name}.{pin}, which the option {option!r} uses ({what})",
                do="move the line to a free pin, or give the option up",
            )  # fmt: skip
        if facts.debug:
            yield Concern(
                "reserved-pin", "debug" in options, (part.pins[pin],), path=(f"{part.name}.{pin}",),
                says=f"{name} is on {part.name}.{pin}, a programming and debug pin ({facts.debug})",
                do="move the line to a free pin: it moves when a debugger is connected, and a debugger may not connect",
            )  # fmt: skip
