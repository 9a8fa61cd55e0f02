"""What a start-up's times say, in sentences: what was read beside the drawing, and which faults would make it so."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from wakeboard.harness.explain.evidence.in_time import InTime, TimedFault, TimeRead
from wakeboard.harness.explain.naming.words import describe
from wakeboard.instruments.quantity import show

if TYPE_CHECKING:
    from wakeboard.instruments.virtual.circuit import Circuit


def tell_first(found: Sequence[InTime]) -> Iterator[str]:
    """Before the ranking, which says nothing of it."""
    odd = [one for each in found for one in each.seen if one.outcome != "pass"]
    if odd:
        yield f"Outside its limits in time, which the ranking does not weigh (see the end): {_seen(odd[0])}" + (
            f", and {len(odd) - 1} more" if len(odd) > 1 else ""
        )
        yield ""


def tell_in_time(found: Sequence[InTime], circuit: Circuit) -> Iterator[str]:
    for each in found:
        yield ""
        yield f"In time, when {each.supply} came on (the ranking does not weigh it):"
        yield from (f"  {_seen(one)}" for one in each.seen)
        if each.fits:
            yield "  It would be so with:"
            yield from (f"    {_fit(fit, each, circuit)}" for fit in each.fits)
        elif each.nearest:
            yield f"  None of the {each.tried} faults that only time shows makes it so. The nearest:"
            yield from (f"    {_fit(fit, each, circuit)}" for fit in each.nearest)


def _seen(seen: TimeRead) -> str:
    word = "" if seen.outcome == "pass" else f", {seen.outcome}"
    return f"{seen.net} at {_at(seen.value)}, as drawn {_at(seen.drawn)}{word}"


def _fit(fit: TimedFault, found: InTime, circuit: Circuit) -> str:
    times = ", ".join(f"{each.net} {_at(fit.times.get(each.net))}" for each in found.seen)
    return f"{describe(circuit, fit.fault)} ({times})"


def _at(seconds: float | None) -> str:
    return "no time" if seconds is None else show(seconds, "s", digits=3)
