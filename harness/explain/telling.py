"""An explanation as text for a terminal: a short table in plain words, and the arithmetic on request."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

from wakeboard.harness.describe.board.parts import value_unit
from wakeboard.harness.explain.evidence.observe import CURRENT, OHMS, Observation
from wakeboard.harness.explain.evidence.roughness import MISFIT, ROUGH
from wakeboard.harness.explain.naming import words
from wakeboard.harness.explain.naming.repair import CLEARLY
from wakeboard.instruments.quantity import show
from wakeboard.results.continued import COLUMNS, continued

if TYPE_CHECKING:
    from wakeboard.harness.explain.choose.least_effort import Choice
    from wakeboard.harness.explain.explanation import Explanation
    from wakeboard.results.explanation import Group

ROWS = 5  # of the table: an answer is read in a terminal of 24 lines
NAMED = 0.01
"""Share of a group from which a fault in it is named in the table; the JSON document has all."""
NAMES = 12  # of equivalent faults in a row; the JSON document has all
WAYS = 5  # to tell the causes apart, the best first
UNSHOWN = 3
"""Faults that no reading shows of which the likeliest are named; the JSON document has all."""
UNREAD = 1e-6
"""V or A below which nothing of ours reads anything: a prediction of 40 nV is 0 V (common practice, no source)."""


def reading_text(o: Observation, y: float) -> str:
    """An observation's number as a person reads it."""
    if o.quantity == OHMS:
        ohms = o.ohms_of(y)
        return f"more than {show(o.top, 'Ω', 2)}" if math.isinf(ohms) else show(ohms, "Ω", 3)
    seen = y if abs(y) >= UNREAD else 0.0
    return show(seen, "A" if o.quantity == CURRENT else "V", 4)


def plain(label: str) -> str:
    """A reading's label without what goes without saying, "10 kΩ load" for the resistor that was across."""
    from wakeboard.results.report.text import state_words

    what, _, state = label.removesuffix("]").partition(" [")
    words = state_words(state)
    return f"{what} [{words}]" if words else what


def percent(p: float) -> str:
    """A probability in as many digits as it deserves; never 100 % nor 0 %."""
    if p > 0.99:
        return "> 99 %"
    return "< 1 %" if p < 0.01 else f"{100 * p:.0f} %"


def tell(explanation: Explanation, why: bool = False) -> Iterator[str]:
    """Lines of text."""
    yield f"{explanation.unit}, run {explanation.run[:8]}: {_odd_words(explanation)}"
    yield from (f"note: {note}" for note in explanation.notes)
    if explanation.groups:
        yield ""
        for place, group in enumerate(_listed(explanation), start=1):
            yield from _group_lines(place, group, len(explanation.odd))
    yield from _as_drawn(explanation)
    yield from _common(explanation)
    yield from _model(explanation)
    yield from _repairs(explanation)
    yield from _lines(explanation, why)
    yield from _next(explanation)
    if why and explanation.arithmetic:
        yield ""
        yield "The arithmetic (one standard deviation behind ±; natural logarithms):"
        yield from (f"  {line}" for line in explanation.arithmetic)


def _odd_words(explanation: Explanation) -> str:
    count = len(explanation.odd)
    if not count:
        return f"all {explanation.readings} readings are as the drawn board gives them"
    return f"{count} of {explanation.readings} readings are odd: the drawn board does not give them"


def _listed(explanation: Explanation) -> list[Group]:
    """The likeliest, and always none and something else."""
    first = list(explanation.groups[:ROWS])
    return first + [g for g in explanation.groups[ROWS:] if not g.faults]


def _group_lines(place: int, group: Group, odd: int) -> Iterator[str]:
    accounts = f"; accounts for {len(group.accounts_for)} of {odd} odd readings" if odd and group.faults else ""
    yield f"{place:2}. {percent(group.probability):>6}  {group.says}{accounts}"
    if group.faults:
        yield f"            written {'  '.join(group.faults)}"
    if group.ends:
        yield f"            {group.ends}"
    if group.common:
        yield f"            in most units: {', '.join(group.common)} (the design, or a property of the part)"
    if group.same and not group.faults:
        yield f"            {_unshown(group)}"
    elif group.same:
        likely = [(fault, p) for fault, p in group.same if p >= NAMED * group.probability][:NAMES] or group.same[:1]
        shown = ", ".join(f"{fault} ({percent(p)})" for fault, p in likely)
        left = len(group.same) - len(likely)
        more = f", and {left} less likely" if left else ""
        yield f"            these readings cannot tell it from: {shown}{more}"
    if group.ways and place == 1:
        yield "            what would tell them apart:"
        yield from (f"              {way.does}" for way in group.ways[:WAYS])
    if group.leaves and group.probability > 0.01 and group.faults:
        more = f" and {len(group.leaves) - 3} more" if len(group.leaves) > 3 else ""
        yield f"            does not account for: {'; '.join(map(plain, group.leaves[:3]))}{more}"


def _unshown(group: Group) -> str:
    """Of the faults that stand with the drawn board how many, how likely, and the likeliest few."""
    whole = percent(sum(p for _, p in group.same))
    few = ", ".join(f"{fault} ({percent(p)})" for fault, p in group.same[:UNSHOWN])
    count = len(group.same)
    what = (
        "a fault that these readings do not show" if count == 1 else f"{count} faults that these readings do not show"
    )
    return f"{whole} of it is {what}: {few}{', …' if count > UNSHOWN else ''}"


def _as_drawn(explanation: Explanation) -> Iterator[str]:
    if explanation.as_drawn:
        yield ""
        yield "Outside their limits, but so the drawn board gives them (the design, not this unit; see the review):"
        yield from (f"  {plain(label)}" for label in explanation.as_drawn)


def _common(explanation: Explanation) -> Iterator[str]:
    if explanation.common:
        yield ""
        for each in explanation.common:
            yield (
                f"Common to {', '.join(each.units)}: {each.text}. "
                "What all units show is the design, the BOM, a reel or a hidden property of a part."
            )


def _model(explanation: Explanation) -> Iterator[str]:
    """How sure the model itself is, what other units taught, and which part's model is in doubt."""
    fit = explanation.fit
    if fit is None:
        return
    yield ""
    if fit.chi > MISFIT:
        yield f"The model does not fit: chi²/n = {fit.chi:.1f}. Measure more units before a part is lifted."
    elif fit.scale >= ROUGH:
        yield (
            f"The model is rough: parts differ from the drawing {fit.scale:g} times as far as data sheets have it. "
            "Measure more units before a part is lifted."
        )
    elif fit.strained:
        yield "The model fits only with a part that is no such part (in doubt, below). Nothing is certain by that."
    elif fit.scale < 0.5:
        yield "The model fits: the parts are much as drawn."
    else:
        yield "The model fits, with parts as far from the drawing as data sheets allow."
    if not fit.units:
        yield "  No other unit was read: what is the type's and what is this unit's is told apart by the model alone."
    circuit = explanation.case.model.circuit if explanation.case is not None else None
    for each in fit.learnt:
        part, _, tail = each.path.partition(".")
        unit = value_unit(circuit.part(part), tail) if circuit is not None else ""
        yield (
            f"  {fit.units} other unit{'s' if fit.units > 1 else ''}: {_said(each.path, each.says)} is "
            f"{show(each.value, unit, 2)}, drawn as {show(each.drawn, unit, 2)}"
        )
    for path in fit.lacks:
        part, _, rest = path.partition(".")
        yield f"  it seems that {part} has no diode from {rest.partition('.')[0]} to its rail: its data sheet tells"
    for doubt in fit.doubts:
        yield (
            f"  in doubt: {_said(doubt.path, doubt.says)}, {abs(doubt.deviations):.1f} deviations off: "
            "its data sheet, or a reading of it alone, tells"
        )


def _said(path: str, says: str) -> str:
    """An unknown's path, and what it is where that says more."""
    return path if path.endswith(says) else f"{path} ({says})"


def _repairs(explanation: Explanation) -> Iterator[str]:
    if explanation.repairs:
        yield ""
        either = any(repair.share < 1 for repair in explanation.repairs)
        yield "Repair, once it is known which it is:" if either else "Repair:"
    for repair in explanation.repairs:
        yield f"  {repair.does}"
        yield "    once done:"
        yield from _rework(f'wakeboard rework {explanation.unit} "{repair.done}" --fault {repair.fault}')


def _rework(command: str) -> Iterator[str]:
    return (f"      {line}" for line in continued(command, COLUMNS - 6))


def _lines(explanation: Explanation, why: bool) -> Iterator[str]:
    if explanation.lines:
        yield ""
        yield "Lines:"
    for finding in explanation.lines:
        yield f"  {finding.analysis.says}"
        if finding.bodge is not None:
            yield f"    bodge: {finding.bodge.says}"
            if finding.bodge.rework:
                fit = show(finding.bodge.fit_ohms or 0.0, "Ω")
                where = f"across {finding.bodge.across}" if finding.bodge.across else f"to {finding.bodge.to}"
                note = f'"{fit} {where}" --fault {finding.bodge.rework}'
                yield "    once done:"
                yield from _rework(f"wakeboard rework {explanation.unit} {note}")
        elif finding.why:
            yield f"    {finding.why}"
        if why:
            yield from (f"    {line}" for line in finding.analysis.arithmetic)
            yield from (f"    {line}" for line in (finding.bodge.arithmetic if finding.bodge else ()))
            if finding.bodge is not None and finding.bodge.step:
                yield "    a step that checks it afterwards:"
                yield from (f"      {line}" for line in finding.bodge.step.strip().splitlines())


def _next(explanation: Explanation) -> Iterator[str]:
    if explanation.next:
        yield ""
        settled = all(repair.share >= 1 for repair in explanation.repairs)
        little = "little doubt left" if settled else "which repair it is, is open"
        doubt = f"doubt left: {explanation.bits:.1f} bits" if explanation.bits >= 0.05 else little
        yield f"Measure next ({doubt}; each with the bits that it is worth):"
        yield from (f"  {choice_text(choice)}" for choice in explanation.next)
    elif explanation.best is not None and explanation.best.faults and explanation.best.probability > 0.9:
        yield ""
        yield _enough(explanation)


def _enough(explanation: Explanation) -> str:
    """What is left to measure: what cannot be told apart by any known measurement is not called settled."""
    best = explanation.best
    shares = [max((share for _, share in each), default=1.0) for each in best.either] if best is not None else []
    if any(share <= CLEARLY for share in shares):
        return "No measurement that the bench may take tells these apart: look at, or lift, the parts named."
    return "No further measurement is needed to tell the explanations apart."


def choice_text(choice: Choice) -> str:
    """One measurement, as an instruction."""
    return f"{choice.measurement.does} at {choice.measurement.point} ({choice.bits:.2f} bits)"


__all__ = ["choice_text", "percent", "reading_text", "tell", "words"]
