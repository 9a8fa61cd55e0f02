"""The discharge of each rail, measured after power-off and before a person is told to touch anything."""

from __future__ import annotations

from typing import TYPE_CHECKING

from harness.run.decide import Limits

if TYPE_CHECKING:
    from harness.run.context import Context

SAFE_VOLTS = 0.5  # below it no junction conducts and an ohms test is not far off (common practice, no source)
WITHIN = 60.0  # s
WHY_STILL = "it holds charge, or is fed from elsewhere, or its supply is on whatever it says of itself: pull its leads"


def measure(context: Context, most: float | None = None, within: float = WITHIN) -> bool:
    """Read every supply's net and rail until it is below `most` volts, one after the other; True when all are."""
    ceiling = SAFE_VOLTS if most is None else most
    limits = Limits(None, ceiling, "" if most is None else "step")
    started = context.now
    left: dict[str, str] = {}
    for net in context.points(context.power_nets):
        remaining = max(0.0, within - (context.now - started))
        seen = context.drained(lambda m: m.value <= ceiling - 2 * m.u, remaining)
        reading = context.record(net, "dc volts", seen, limits)
        left.pop(net, None)
        if reading.outcome != "pass":
            left[net] = f"{net} still at {seen.value:.2f} V"
    context.detail["discharged_s"] = context.now - started
    context.say(f"{'; '.join(left.values())}: do not touch; {WHY_STILL}" if left else "every rail discharged")
    return not left
