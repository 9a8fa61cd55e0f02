"""What to do: with each unit in order, by hand, and the note once it is done; then with the board as a whole."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from wakeboard.results.compare.compare import Comparison
from wakeboard.results.explanation import Repair
from wakeboard.results.report.explain_view import Concern, ExplanationView, SharedBodge, shared_bodges
from wakeboard.results.report.text import and_list, check_words, show

if TYPE_CHECKING:
    from wakeboard.results.ledger.records import Finding
    from wakeboard.results.records import RunRecord


APART: Final = ": do not connect both"  # said by a step that saw one supply feed another
FEW: Final = 6  # nets named in a sentence
NOT_GOOD: Final = ("fail", "marginal", "tripped")


@dataclass(frozen=True)
class ToDo:
    """One thing to do by hand, its cases where it has to be looked at first, and the commands that note it."""

    text: str
    cases: tuple[ToDo, ...] = ()
    note: str = ""


@dataclass(frozen=True)
class UnitToDo:
    """What to do with one unit, first things first; why: what is wrong with it."""

    serial: str
    why: str
    steps: tuple[ToDo, ...]


def units_to_do(
    comparison: Comparison,
    by_unit: Mapping[str, ExplanationView],
    short: Mapping[str, str],
    latest: Mapping[str, RunRecord],
) -> tuple[UnitToDo, ...]:
    """Of every unit that did not pass and that anything is known of. latest: unit -> its latest run."""
    plan = shared_bodges({short.get(u, u): e for u, e in by_unit.items()}, _without_bodge(comparison, by_unit, short))
    found = []
    for unit in comparison.units:
        explained = by_unit.get(unit)
        steps = list(_steps(unit, short.get(unit, unit), explained or ExplanationView(), plan))
        if steps:
            steps.append(ToDo(f"Run the same sequence on it again.{_left(comparison, plan)}"))
        if by_unit and explained is None and comparison.outcomes.get(unit) in NOT_GOOD:
            run = latest[unit].id[:8] if unit in latest else ""
            steps = [ToDo(f"Ask what explains it: wakeboard explain {run}".rstrip()), *steps]
        steps = [*_kept_apart(latest.get(unit)), *steps]
        best = explained.best if explained else None
        if steps:
            found.append(UnitToDo(unit, f"{best.words} ({best.sure})" if best else "", tuple(steps)))
    return tuple(found)


def _kept_apart(run: RunRecord | None) -> Iterator[ToDo]:
    """What a check for back-feed said of the supplies in this unit."""
    for step in run.steps if run is not None else ():
        for said in step.says.split("; "):
            if said.endswith(APART):
                yield ToDo(f"Until it is repaired, one supply at a time: {said.removesuffix(APART)}.")


def _left(comparison: Comparison, plan: Sequence[SharedBodge]) -> str:
    """What the design itself still shows in a unit that is as drawn."""
    decided = (text for text in comparison.common if not comparison.too_near(text))
    rows = [row for text in decided if (row := comparison.row(text)) is not None]
    nets = list(dict.fromkeys(row.check.of for row in rows if row.check.of not in {bodge.line for bodge in plan}))
    if not nets:
        return ""
    are = "is outside its limits in every unit" if len(nets) == 1 else "are outside their limits in every unit"
    return f" {and_list(nets)} {are} and stays so, by the design; anything else means that it is not done yet."


def _steps(unit: str, short: str, explained: ExplanationView, plan: Sequence[SharedBodge]) -> Iterator[ToDo]:
    yield from _repairs(unit, explained.repairs)
    if explained.next and not explained.best:
        yield ToDo(f"Measure next: {explained.next[0]}.")
    for bodge in plan:
        if bodge.ohms is None and short in bodge.units:
            yield ToDo(f"{bodge.text}.")
        elif short in bodge.units:
            yield ToDo(f"Solder {_fit(bodge)}.", note=_bodge_note(unit, bodge))
        elif short in bodge.others:
            then = "After that, solder" if explained.repairs else "Solder"
            yield ToDo(
                f"{then} {_fit(bodge)}: its own readings could not show it, and it carries the same parts.",
                note=_bodge_note(unit, bodge),
            )


def _repairs(unit: str, repairs: Sequence[Repair]) -> Iterator[ToDo]:
    open_ones = [each for each in repairs if each.share < 1]
    for each in repairs:
        if each.share == 1:
            yield ToDo(f"{_begun(each.does)}.", note=_repair_note(unit, each))
    if open_ones:
        cases = tuple(ToDo(f"{each.does}.", note=_repair_note(unit, each)) for each in open_ones)
        yield ToDo(
            "Look first which it is: the readings cannot tell these apart, your eyes and an ohmmeter can.", cases
        )


def _begun(text: str) -> str:
    return text[:1].upper() + text[1:]


def _repair_note(unit: str, repair: Repair) -> str:
    if not repair.done or not repair.fault:
        return ""
    return f'wakeboard rework {unit} "{repair.done}" --fault {repair.fault}'


def _fit(bodge: SharedBodge) -> str:
    return f"{show(bodge.ohms, 'Ω')} {bodge.where}, for {bodge.line} ({bodge.window})"


def _bodge_note(unit: str, bodge: SharedBodge) -> str:
    done = f"{show(bodge.ohms, 'Ω')} {bodge.where}"
    return f'wakeboard rework {unit} "{done}" --fault {bodge.rework}' if bodge.rework else ""


def unmeasured(records: Sequence[RunRecord]) -> tuple[str, ...]:
    """What steps were to measure and no point reached."""
    steps = [step for record in records for step in record.steps if step.outcome == "skipped"]
    nets = list(dict.fromkeys(net for step in steps for net in step.detail.get("not_reached") or ()))
    if not nets:
        return ()
    few = and_list(nets) if len(nets) <= FEW else f"{', '.join(nets[:FEW])} and {len(nets) - FEW} more"
    return (f"No point reaches {few}: nothing was measured there. Name their points in the board file and run again.",)


def board_to_do(
    c: Comparison, shared: ExplanationView, by_unit: Mapping[str, ExplanationView], found: Sequence[Concern],
    findings: Sequence[Finding],
) -> tuple[tuple[str, ...], tuple[str, ...]]:  # fmt: skip
    """(before any unit is touched, once the units are done)."""
    first = [f"Next measurement: {words}." for words in shared.next[:2]]
    if not by_unit:
        first += [f"Fit a bodge: {bodge.text}." for bodge in shared_bodges({"": shared})]
    if c.bench:
        first = ["The reference unit is outside its limits too: check the bench before blaming any board.", *first]
    after = _in_the_design(c, found)
    for text in filter(c.too_near, c.common):
        first.append(
            f"{check_words(text)} is too near a limit to decide: measure finer, or ask for what the design gives."
        )
    if any(not c.too_near(text) for text in c.common) and not any(finding.carried for finding in findings):
        after.append("Keep what is common as a finding (wakeboard finding), and carry it to the next revision.")
    if not first and not after and not by_unit and (c.common or c.single or c.several):
        first.append("Ask what explains it: wakeboard explain, for one of the runs below.")
    return tuple(first), tuple(after)


def _without_bodge(
    c: Comparison, by_unit: Mapping[str, ExplanationView], short: Mapping[str, str]
) -> dict[str, tuple[str, ...]]:
    """Line -> units whose own readings ask for no bodge there and in which no rework has mended it: where several units
    share a property of a part, these carry the part too."""
    lines = {line.line for explained in by_unit.values() for line in explained.bodges}
    found = {}
    for name in lines:
        mended = {u for text, units in c.mended.items() if text.startswith(f"{name} ") for u in units}
        asks = {u for u, explained in by_unit.items() if any(line.line == name for line in explained.bodges)}
        found[name] = tuple(short.get(u, u) for u in c.units if u not in asks | mended)
    return found


def _in_the_design(c: Comparison, found: Sequence[Concern]) -> list[str]:
    """What the review found and the units showed, once a net and rule; then what only one of the two knows of."""
    told: dict[tuple[str, str], str] = {}
    for concern in found:
        if concern.do and (concern.serious or _shown(c, concern)):
            seen = "the review found it and the units show it" if _shown(c, concern) else "found by the review"
            words = f"In the next revision, {concern.rule} at {concern.nets}: {concern.do} ({seen})."
            told.setdefault((concern.rule, concern.nets), words)
    named = " ".join(concern.nets for concern in found)
    loose = dict.fromkeys(
        row.check.of
        for text in c.common
        if (row := c.row(text)) is not None and row.check.of not in named and not c.too_near(text)
    )
    return [*told.values(), *(f"Find out why {net} is outside its limits in every unit." for net in loose)]


def _shown(c: Comparison, concern: Concern) -> bool:
    return any(text.split(" ", 1)[0] in concern.nets.replace(",", "").split() for text in c.common)
