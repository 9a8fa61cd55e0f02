"""What to do: with each unit in order, by hand, and the note once it is done; then with the board as a whole."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from wakeboard.results.compare.compare import Comparison
from wakeboard.results.explanation import Repair
from wakeboard.results.report.afterwards import by_design, should_read
from wakeboard.results.report.explain_view import Concern, ExplanationView, SharedBodge, shared_bodges
from wakeboard.results.report.scope import never_powered
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
    """What to do with one unit, first things first; why: what is wrong with it; else_: what it may be as well."""

    serial: str
    why: str
    steps: tuple[ToDo, ...]
    else_: str = ""


@dataclass(frozen=True)
class Plan:
    """What to do. once: what holds for several units, said once for all of them; units: each by itself."""

    once: tuple[str, ...] = ()
    units: tuple[UnitToDo, ...] = ()


def plan_of(
    comparison: Comparison,
    by_unit: Mapping[str, ExplanationView],
    short: Mapping[str, str],
    latest: Mapping[str, RunRecord],
) -> Plan:
    """Of every unit that did not pass and that anything is known of. latest: unit -> its latest run."""
    bodges = shared_bodges({short.get(u, u): e for u, e in by_unit.items()}, _without_bodge(comparison, by_unit, short))
    found = []
    for unit in comparison.units:
        explained, record = by_unit.get(unit), latest.get(unit)
        steps = list(_steps(unit, short.get(unit, unit), explained or ExplanationView(), bodges))
        if steps:
            steps += _again(comparison, unit, record, bodges)
        if by_unit and explained is None and comparison.outcomes.get(unit) in NOT_GOOD:
            ident = record.id[:8] if record else ""
            steps = [ToDo(f"Ask what explains it: wakeboard explain {ident}".rstrip()), *steps]
        steps = [*_kept_apart(record), *steps]
        best = explained.best if explained else None
        if steps:
            why = f"{best.words} ({best.sure})" if best else ""
            found.append(UnitToDo(unit, why, tuple(steps), _or_else(explained)))
    once = [_once(bodge) for bodge in bodges if bodge.ohms is not None and len((*bodge.units, *bodge.others)) > 1]
    left = by_design(comparison, {bodge.line for bodge in bodges}, short) if found else ""
    return Plan((*once, *filter(None, [left])), tuple(found))


def _kept_apart(run: RunRecord | None) -> Iterator[ToDo]:
    """What a check for back-feed said of the supplies in this unit."""
    for step in run.steps if run is not None else ():
        for said in step.says.split("; "):
            if said.endswith(APART):
                yield ToDo(f"Until it is repaired, one supply at a time: {said.removesuffix(APART)}.")


def _or_else(explained: ExplanationView | None) -> str:
    """What the rest of the probability stands for."""
    best = explained.best if explained else None
    if explained is None or best is None:
        return ""
    others = [each for each in explained.candidates if each is not best and each.share >= 1]
    return f"Or else: {'; '.join(f'{each.words} ({each.sure})' for each in others[:3])}." if others else ""


def _again(c: Comparison, unit: str, record: RunRecord | None, bodges: Sequence[SharedBodge]) -> Iterator[ToDo]:
    """The run that shows whether it is done."""
    named = f" ({record.sequence})" if record is not None else ""
    words = f"Run the same sequence{named} on it again."
    if record is not None and never_powered(record):
        words += " That is its first power-on: it was never powered, so further faults may be waiting."
    if told := should_read(c, unit, {bodge.line for bodge in bodges}):
        words += f" {told}"
    yield ToDo(words, note=f"wakeboard run SEQUENCE.toml --unit {unit}")


def _once(bodge: SharedBodge) -> str:
    """A bodge for several units, with its range, what the line reads then, and what it costs."""
    words = f"{_begun(_fit(bodge))}, in units {and_list(sorted([*bodge.units, *bodge.others]))}; {bodge.window}"
    if bodge.others and bodge.units:
        words += f" (worked out from {and_list(sorted(bodge.units))}; the others carry the same parts)"
    words += "."
    if bodge.after:
        words += f" {bodge.line} then reads {show(bodge.after[0], 'V', 3)} to {show(bodge.after[-1], 'V', 3)}."
    return f"{words} {_cost(bodge)}" if bodge.amps else words


def _cost(bodge: SharedBodge) -> str:
    against = "high" if bodge.hold == "low" else "low"
    open_drain = (
        "an open-drain output cannot lift the line against it" if bodge.hold == "low"
        else "an output that only pulls up cannot bring it down"
    )  # fmt: skip
    return (
        f"It costs up to {show(bodge.amps, 'A', 2)} for as long as the driver holds the line {against}, and it takes a "
        f"push-pull driver: {open_drain}."
    )


def _steps(unit: str, short: str, explained: ExplanationView, bodges: Sequence[SharedBodge]) -> Iterator[ToDo]:
    yield from _repairs(unit, explained.repairs)
    if explained.next and not explained.best:
        yield ToDo(f"Measure next: {explained.next[0]}.")
    for bodge in bodges:
        if bodge.ohms is None and short in bodge.units:
            yield ToDo(f"{bodge.text}.")
        elif short in bodge.units:
            alone = f" ({bodge.window})" if len((*bodge.units, *bodge.others)) == 1 else ""
            yield ToDo(f"Solder {_fit(bodge)}{alone}.", note=_bodge_note(unit, bodge))
        elif short in bodge.others:
            then = "After that, solder" if explained.repairs else "Solder"
            yield ToDo(f"{then} {_fit(bodge)}: {_taken_over(explained, bodge)}.", note=_bodge_note(unit, bodge))


def _taken_over(explained: ExplanationView, bodge: SharedBodge) -> str:
    """Why a unit gets a bodge that its own readings did not ask for."""
    if explained.best and f"pulls {bodge.line} " in explained.best.words:
        return "its readings fit the same pull; the value is that of the other units, since its own rail was not good"
    return "taken from the other units, which carry the same parts; its own readings could not show it"


def _repairs(unit: str, repairs: Sequence[Repair]) -> Iterator[ToDo]:
    open_ones = [each for each in repairs if each.share < 1]
    for each in repairs:
        if each.share == 1:
            yield ToDo(f"{_begun(each.does)}.{_how(each)}", note=_repair_note(unit, each))
    if open_ones:
        cases = tuple(ToDo(f"{each.does}.", note=_repair_note(unit, each)) for each in open_ones)
        yield ToDo(
            "Look first which it is: the readings cannot tell these apart, your eyes and an ohmmeter can.", cases
        )


def _how(repair: Repair) -> str:
    """Where to look for what joins two nets, and how (common practice, no source)."""
    if ":bridge=" not in repair.cause:
        return ""
    return (
        " Power off, look along both with a magnifier: between neighbouring pads and pins, under parts, at capacitors. "
        "If nothing shows, feed at most 0.3 V and 100 mA from the bench supply between the two and follow the "
        "millivolts along each: they stop changing where the current leaves it. A milliohmmeter does the same."
    )


def _begun(text: str) -> str:
    return text[:1].upper() + text[1:]


def _repair_note(unit: str, repair: Repair) -> str:
    if not repair.done or not repair.fault:
        return ""
    return f'wakeboard rework {unit} "{repair.done}" --fault {repair.fault}'


def _fit(bodge: SharedBodge) -> str:
    return f"{show(bodge.ohms, 'Ω')} {bodge.where}, for {bodge.line}"


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
            told.setdefault((concern.rule, concern.nets), words + _meanwhile(concern))
    named = " ".join(concern.nets for concern in found)
    loose = dict.fromkeys(
        row.check.of
        for text in c.common
        if (row := c.row(text)) is not None and row.check.of not in named and not c.too_near(text)
    )
    return [*told.values(), *(f"Find out why {net} is outside its limits in every unit." for net in loose)]


def _meanwhile(concern: Concern) -> str:
    """What may be done with the units that there are."""
    match concern.rule:
        case "phantom power":
            return (
                " With present units: lift those resistors, or let the firmware hold the lines low while that rail is "
                f"off; until then {concern.nets} is never off, and what hangs on it is not reset by switching it."
            )
        case "weak pull":
            return (
                " With present units the measured pull counts (the bodge above); the next revision must hold against "
                "the strongest that such parts are known to hide, and so takes less."
            )
    return ""


def _shown(c: Comparison, concern: Concern) -> bool:
    return any(text.split(" ", 1)[0] in concern.nets.replace(",", "").split() for text in c.common)
