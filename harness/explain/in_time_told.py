"""What a start-up's times say, in sentences: what was read beside the drawing, and which faults would make it so.

late = late_of(explanation)                  [] for a run that came up in time
document_of(explanation, late)               what `explain --json` writes and reports show, these sentences with it
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from wakeboard.harness.explain.evidence.in_time import InTime, TimedFault, TimeRead
from wakeboard.harness.explain.naming.words import describe
from wakeboard.instruments.quantity import show
from wakeboard.results.counted import count

if TYPE_CHECKING:
    from wakeboard.harness.explain.explanation import Explanation
    from wakeboard.instruments.virtual.circuit import Circuit


def late_of(explanation: Explanation) -> list[InTime]:
    """What the times of an explanation's run say, where one was outside its limits: some seconds then."""
    from wakeboard.harness.explain.evidence.in_time import in_time
    from wakeboard.harness.explain.unit.cases import rework_change

    case = explanation.case
    if case is None:
        return []
    rework = [str(fault) for fault in rework_change(case.run, case.model.circuit).faults]
    return in_time(case.run, case.model.board, rework)


def document_of(explanation: Explanation, late: Sequence[InTime] | None = None) -> dict[str, object]:
    """The document of an explanation, with what its run's times say. late: where that is known already."""
    found = late_of(explanation) if late is None else late
    if explanation.case is None or not found:
        return explanation.as_json()
    circuit = explanation.case.model.circuit
    return {
        **explanation.as_json(),
        "in_time": [{**each.as_json(), "says": _sentences(each, circuit)} for each in found],
    }


def _sentences(found: InTime, circuit: Circuit) -> list[str]:
    """A heading and what stands under it."""
    return [line.strip() for line in tell_in_time([found], circuit) if line]


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
            yield f"  {_not_so(each)} The nearest:"
            yield from (f"    {_fit(fit, each, circuit)}" for fit in each.nearest)


def _seen(seen: TimeRead) -> str:
    word = "" if seen.outcome == "pass" else f", {seen.outcome}"
    return f"{seen.net} at {_at(seen.value)}, as drawn {_at(seen.drawn)}{word}"


def _not_so(found: InTime) -> str:
    values = (
        f", nor any value of {count(found.sought, 'part')} from a hundredth to a hundred times" if found.sought else ""
    )
    return f"None of the {found.tried} faults that only time shows makes it so{values}; two at once were not tried."


def _fit(fit: TimedFault, found: InTime, circuit: Circuit) -> str:
    times = ", ".join(f"{each.net} {_at(fit.times.get(each.net))}" for each in found.seen)
    return f"{describe(circuit, fit.fault)} ({times})"


def _at(seconds: float | None) -> str:
    return "no time" if seconds is None else show(seconds, "s", digits=3)
