"""How soon the power is off, by what the supplies of this bench take to answer.

    timed = time_supply(psu, ["1", "2"])      measured on the instrument; nothing is switched
    for bound in budget([timed]): ...         over-current, runner killed, runner hung, guard killed

The bounds add up what was measured and what the guard's own loop waits for (harness/run/guard); they are what this
bench can be relied on for, not what it does on average. What an output needs to discharge comes on top.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from wakeboard.instruments.scpi.psu import Psu

ASKS = 7  # of each question
GREETINGS = 3  # replies that a fresh session takes: identity twice, errors


@dataclass(frozen=True, slots=True)
class Timed:
    """One supply, seconds: sample of one output as the guard polls it, of which cpu; state question, identity; outputs
    that feed the board; open: making a session, None where it was not measured."""

    name: str
    outputs: int
    sample: float
    state: float
    identity: float
    cpu: float = 0.0
    open: float | None = None
    timeout: float = 3.0  # of its link


@dataclass(frozen=True, slots=True)
class Bound:
    """From an event to the off command at the last output of the bench, s; how it is made up, in words."""

    event: str
    seconds: float
    says: str

    def as_json(self) -> dict[str, object]:
        return {"event": self.event, "seconds": self.seconds, "says": self.says}


def time_supply(psu: Psu, channels: Sequence[str], *, opened: float | None = None) -> Timed:
    """Measured with questions only. Raises BenchError."""
    first = channels[0] if channels else psu.channels[0]
    cpu = time.thread_time()
    sample = _median(lambda: psu.sample(first))
    cpu = (time.thread_time() - cpu) / ASKS
    state = _median(lambda: psu.is_on(first))
    identity = _median(lambda: psu.link.query(psu.link.manners.identify))
    return Timed(psu.link.name, max(len(channels), 1), sample, state, identity, cpu, opened, psu.link.timeout)


def _median(ask: Callable[[], object]) -> float:
    times = []
    for _ in range(ASKS):
        began = time.perf_counter()
        ask()
        times.append(time.perf_counter() - began)
    return statistics.median(times)


def round_s(supplies: Sequence[Timed]) -> float:
    """One round of the guard: each output that is on sampled once, and a pause that keeps it to its share of a core."""
    from wakeboard.harness.run.guard.process import CORE_SHARE

    asked = sum(each.outputs * each.sample for each in supplies)
    cpu = sum(each.outputs * each.cpu for each in supplies)
    return max(asked, cpu / CORE_SHARE)


def off_s(supplies: Sequence[Timed]) -> float:
    """Every output commanded off and asked whether it is: about two replies an output where the command gets one."""
    return sum(each.outputs * 2 * each.state for each in supplies)


def budget(supplies: Sequence[Timed]) -> list[Bound]:
    """The bounds of a bench; none without a supply."""
    if not supplies:
        return []
    from wakeboard.harness.run.guard.client import SILENCE
    from wakeboard.harness.run.services.timing import LEASE, SLICE_LEASE

    around, off = round_s(supplies), off_s(supplies)
    silence = SILENCE + 1.5 * max(each.timeout for each in supplies)
    fresh = sum((each.open or 0.0) + GREETINGS * each.identity for each in supplies)
    return [
        Bound("a sample breaks a rule", around + off, "one round of samples, then every output off and asked"),
        Bound("the runner is killed", around + off, "its pipe ends; seen within one round"),
        Bound("the runner hangs", LEASE + around + off,
              f"after its lease of {LEASE:g} s; {SLICE_LEASE:g} s while it computes limits"),
        Bound("the guard is killed", fresh + off, "the runner opens sessions of its own"),
        Bound("the guard hangs", silence + fresh + off, f"after {silence:g} s of silence"),
    ]  # fmt: skip
