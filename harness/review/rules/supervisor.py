"""A supervisor that holds reset while its rail is still inside its limits."""

from __future__ import annotations

from collections.abc import Iterator

from wakeboard.harness.review.concern import Concern
from wakeboard.harness.review.study.study import Study
from wakeboard.instruments.quantity import show


def find(study: Study) -> Iterator[Concern]:
    for part in study.board.parts.values():
        if part.kind != "supervisor":
            continue
        threshold = float(part.values["threshold"])
        highest = threshold * (1 + part.tolerance.get("threshold", 0.0))
        for rail in study.rails_on(part.pins["VDD"]):
            low = rail.limits.low if rail.limits else None
            if low is not None and highest > low:
                yield Concern(
                    "supervisor", True, (part.pins["OUT"], rail.net), path=(part.name,), value=highest, unit="V",
                    says=f"{part.name} holds {part.pins['OUT']} low below {show(threshold, 'V')} (up to "
                    f"{show(highest, 'V')}), and {rail.name} may be {show(low, 'V')}: a good rail may keep it in reset",
                    do=f"choose a threshold below {show(low, 'V')} with its tolerance",
                )  # fmt: skip
