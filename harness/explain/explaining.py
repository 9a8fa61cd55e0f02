"""What accounts for a run's odd readings, what to measure next, which bodge mends it: the entry for all who ask.

    explanation = explain_run(store)                      the latest run
    explanation = explain_run(store, "3f2a")              a run by its first letters, or a unit's latest
    explanation.groups[0].says                            "inside U5 about 13 kΩ pulls RADIO_RST up to +3V3"
    explanation.as_json()                                 the document of `wakeboard explain --json`

Raises StoreError (no such run) and CannotExplain (nothing to explain with; the message says what is missing).
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from wakeboard.harness.explain.blame import Shown, blamed
from wakeboard.harness.explain.choose.least_effort import ENOUGH, Choice, Measurement
from wakeboard.harness.explain.choose.other_means import ways_to_part
from wakeboard.harness.explain.evidence.observe import CURRENT, VOLTS
from wakeboard.harness.explain.explanation import Explanation
from wakeboard.harness.explain.lines.of_run import findings
from wakeboard.harness.explain.naming import words
from wakeboard.harness.explain.naming.members import alternatives, likely, members
from wakeboard.harness.explain.naming.repair import CLEARLY, any_repair, repairs
from wakeboard.harness.explain.rank import rank
from wakeboard.harness.explain.rank.candidate import Candidate
from wakeboard.harness.explain.rank.structure import Lacks
from wakeboard.harness.explain.rank.weigh import Weighing
from wakeboard.harness.explain.unit import follow_ups as asked
from wakeboard.harness.explain.unit.cases import BoardModel, CannotExplain, Case, board_of_run, net_of
from wakeboard.harness.explain.unit.in_common import common
from wakeboard.harness.explain.unit.units import Common
from wakeboard.instruments.garbage import seldom_collected
from wakeboard.results import doubted
from wakeboard.results.explanation import Group, Repair
from wakeboard.results.records import ASKED

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Board
    from wakeboard.results.records import RunRecord
    from wakeboard.results.store.store import Store

SHOWN = 1e-4
"""Least probability of a group that is listed."""
CLEAR = 0.5
"""Probability from which the likeliest explanation is acted on."""
MOST_UNITS = 12
"""Other units that are weighed along, latest first."""


@seldom_collected()
def explain_run(
    store: Store,
    ref: str | None = None,
    *,
    board: Board | None = None,
    together: bool = True,
    pairs: bool = True,
    ask_next: bool = True,
    reference: str | None = None,
) -> Explanation:
    """Explain one run. ref: its id, its first letters, a unit (its latest run), None for the latest.

    board: the board file as it is now; where it differs from the run's own copy, that is said and the copy is used.
    together: weigh the latest runs of the board's other units too; pairs: look for two faults where one does not do;
    ask_next: work out the next measurement; reference: the serial number of a unit that is known to be good: what it
    shows too is blamed on the bench.
    """
    started = time.monotonic()
    run = asked.explained_run(store, ref)
    own = board_of_run(run)
    notes = (*_edited(run, board), *_by_key(run))
    if not run.readings():
        raise CannotExplain(f"run {run.id[:8]} of {run.unit} has no readings: there is nothing to explain")
    if not own.parts and reference is not None:
        raise CannotExplain(
            f"{own.name} has no [parts]: without a circuit nothing tells what a reference unit shows too"
        )
    if not own.parts:
        return _without_circuit(run, own, notes, started)
    model = BoardModel.of(own)
    others = other_runs(store, run) if together else []
    case = Case(run, model, asked.readings_since(store, run, model))
    known_good = Case(reference_run(store, run, reference), model) if reference is not None else None
    cases = [Case(other, model) for other in others if other.unit != reference]
    explained = explain_case(case, cases, pairs=pairs, ask_next=ask_next, reference=known_good)
    return replace(explained, notes=(*notes, *explained.notes), seconds=time.monotonic() - started)


def company(store: Store, refs: Sequence[str]) -> list[Case]:
    """Runs of different units of one board, of which each is explained beside the others (`explain_case`): what is
    solved for one serves all. Raises StoreError, and CannotExplain for a run with nothing to explain."""
    models: dict[str, BoardModel] = {}
    cases = []
    for run in (asked.explained_run(store, ref) for ref in refs):
        text = run.start.board_text
        if text not in models:
            models[text] = BoardModel.of(board_of_run(run))
        cases.append(Case(run, models[text], asked.readings_since(store, run, models[text])))
    return cases


def other_runs(store: Store, run: RunRecord) -> list[RunRecord]:
    """The latest run of each other unit of the same board, revision and board file."""
    found: dict[str, RunRecord] = {}
    for summary in store.runs(board=run.board):
        if summary.unit == run.unit or summary.unit in found or summary.revision != run.revision:
            continue
        if summary.sequence == ASKED:
            continue
        other = store.run(summary.id, blobs=False)
        if other.start.board_text == run.start.board_text and other.readings():
            found[summary.unit] = other
        if len(found) >= MOST_UNITS:
            break
    return list(found.values())


def reference_run(store: Store, run: RunRecord, reference: str) -> RunRecord:
    """The latest run of the reference unit that can be held against this one, of the same sequence where it has one.
    Raises CannotExplain, and StoreError with the names near to it where there is no such unit."""
    if run.unit == reference:
        raise CannotExplain(f"run {run.id[:8]} is one of the reference unit {reference} itself: explain another unit's")
    alike = [s for s in store.runs(board=run.board, unit=reference) if s.sequence != ASKED]
    if not alike:
        store.run(reference, blobs=False)
    for summary in sorted(alike, key=lambda s: s.sequence != run.sequence):
        found = store.run(summary.id, blobs=False)
        if found.start.board_text == run.start.board_text and found.readings():
            return found
    raise CannotExplain(
        f"the reference unit {reference} has no run with this board file: take it through the same sequence first"
    )


@seldom_collected()
def explain_case(
    case: Case,
    others: Sequence[Case] = (),
    *,
    pairs: bool = True,
    ask_next: bool = True,
    reference: Case | None = None,
) -> Explanation:
    """Explain one unit, in the company of others, and of the reference unit where one is given. Raises
    CannotExplain."""
    notes = []
    usable = []
    for other in others:
        if other.observations:
            usable.append(other)
        else:
            notes.append(f"unit {other.unit} is left out: its run has no reading that a circuit can be held against")
    group = [case, *usable] if reference is None else [case, *usable, reference]
    shared, lacks = _in_common(group, notes)
    teachers = usable if reference is None else [reference, *usable]

    def weigh(base: Sequence[Common]) -> Weighing:
        return case.weigh(pairs, teachers, base, trusted=int(reference is not None), lacks=lacks)

    own = [c for c in shared if case.unit not in c.without]
    shows = [c for c in own if case.unit in c.units]
    weighing = weigh(own)
    if len(shows) < len(own) and _leaves_something(weighing):  # most have it, but perhaps not this one
        weighing = max(weighing, weigh(shows), key=lambda w: w.best_score)
    found = _explanation(case, weighing, shared, notes, ask_next, _shown(reference, pairs))
    return replace(found, others=tuple(usable), reference=reference, repairs=_repairs(found))


def _leaves_something(weighing: Weighing) -> bool:
    """Whether nothing fits, or the likeliest leaves readings that it does not explain."""
    return weighing.p_other > CLEAR or any(bool(c.freed) for c in weighing.candidates[:1])


def _in_common(group: Sequence[Case], notes: list[str]) -> tuple[list[Common], Lacks]:
    """What a group has in common; a note where a state of the bench that most were in has no answer: who was not in it
    is explained without."""
    try:
        return common(group)
    except CannotExplain as error:
        notes.append(f"{error}; it is not looked for")
        return [], ()


def _repairs(found: Explanation) -> tuple[Repair, ...]:
    """What to do about the likeliest explanation, where it is likelier than not."""
    best = found.best
    if best is None or found.case is None or best.probability < CLEAR:
        return ()
    circuit = found.case.model.circuit
    if best.bench or not best.either:
        return tuple(repairs(circuit, best.faults))
    return tuple(r for each in best.either for r in any_repair(circuit, each))


def _shown(reference: Case | None, pairs: bool) -> Shown | None:
    """What the reference unit shows; None where there is none, or it cannot be weighed."""
    if reference is None or not reference.observations:
        return None
    weighing = reference.weigh(pairs)
    odd = [reference.observations[k].label for k in _odd(reference, weighing)]
    return Shown.of(reference.unit, weighing, _grouped(weighing), odd)


# --- putting it together --------------------------------------------------------------------------------------------
def _explanation(
    case: Case, weighing: Weighing, shared: Sequence[Common], notes: Sequence[str], ask_next: bool,
    shown: Shown | None = None,
) -> Explanation:  # fmt: skip
    from wakeboard.harness.explain.choose.proposal import entropy_of, propose

    grouped = _grouped(weighing)
    odd = _odd(case, weighing)
    groups = _groups(case, weighing, grouped, odd, shared)
    if shown is not None:
        groups = [_blamed(case, weighing, group, shown) for group in groups]
        shared = [c for c in shared if not shown.has(c.suspect.text, c.value)]
    drawn = _as_drawn(case, weighing)
    nets = dict.fromkeys(
        (case.observations[k].of for k in drawn),
        "the circuit as drawn gives this reading: a matter of the design (see the review), not of a hidden pull",
    )
    nets.update(_mended_elsewhere(case, groups, weighing))
    lines = findings(case.model.board, asked.with_readings(case.run, case.extra), case.fixed.faults, nets)
    return Explanation(
        run=case.run.id,
        unit=case.unit,
        board=case.run.board,
        groups=tuple(groups),
        lines=tuple(lines),
        next=tuple(propose(case, weighing, grouped)) if ask_next and not _settled(weighing, grouped) else (),
        odd=tuple(case.observations[k].label for k in odd),
        as_drawn=tuple(case.observations[k].label for k in drawn),
        readings=len(case.observations) + len(case.clues),
        common=tuple(shared),
        notes=tuple(notes),
        arithmetic=tuple(_arithmetic(case, weighing, odd)),
        seconds=0.0,
        bits=entropy_of(weighing, grouped),
        weighing=weighing,
        case=case,
    )


def next_choices(
    explanation: Explanation, count: int = 3, usable: Callable[[Measurement], bool] | None = None
) -> list[Choice]:
    """What to measure next, best first, among what is `usable`; none where nothing is left to tell apart."""
    from wakeboard.harness.explain.choose.proposal import propose

    case, weighing = explanation.case, explanation.weighing
    if case is None or weighing is None:
        return []
    grouped = _grouped(weighing)
    return [] if _settled(weighing, grouped) else propose(case, weighing, grouped, count, usable)


def _settled(weighing: Weighing, grouped: Sequence[Sequence[int]]) -> bool:
    """Whether nothing is left to tell apart: one group, and in it one place, stand clear of all others."""
    from wakeboard.harness.explain.choose.in_play import never_certain

    enough = ENOUGH * (1 - never_certain(weighing))
    if weighing.p_as_drawn > enough:
        return True
    found = members(weighing, grouped[0]) if grouped else []
    whole = sum(m.probability for m in found)
    return whole >= enough and found[0].probability > CLEARLY * whole


def _grouped(weighing: Weighing) -> list[list[int]]:
    hypotheses = [c.hypothesis() for c in weighing.candidates]
    shown = [k for k in range(len(hypotheses)) if k not in weighing.unshown]
    kept = [k for k in shown if weighing.probabilities[k] >= SHOWN / 10] or shown[:3]
    found = rank.group([hypotheses[k] for k in kept], weighing.probabilities[kept])
    return [[kept[k] for k in members] for members in found]


def _odd(case: Case, weighing: Weighing) -> list[int]:
    """Readings that the drawn board does not predict."""
    agrees = rank.agreement(weighing.none.hypothesis(), case.evidence.y)
    return [int(k) for k in np.flatnonzero(~agrees)]


def _as_drawn(case: Case, weighing: Weighing) -> list[int]:
    """Readings outside their limits that the drawn board predicts."""
    agrees = rank.agreement(weighing.none.hypothesis(), case.evidence.y)
    return [
        k for k, o in enumerate(case.observations)
        if agrees[k] and o.reading.outcome == "fail" and o.quantity in (VOLTS, CURRENT)
    ]  # fmt: skip


def _groups(
    case: Case, weighing: Weighing, grouped: Sequence[Sequence[int]], odd: Sequence[int], shared: Sequence[Common]
) -> list[Group]:
    labels = [o.label for o in case.observations]
    known = {c.suspect.text for c in shared}
    found = [_group(case, weighing, members, odd, labels, known) for members in grouped]
    none = weighing.none.hypothesis()
    agrees = rank.agreement(none, case.evidence.y)
    left = tuple(labels[k] for k in np.flatnonzero(~agrees).tolist())
    found.append(_no_fault(weighing, left))
    freed = {o.group for o in case.observations if o.group in weighing.freed}
    free = ", ".join(sorted({name for name, _ in freed}))
    says = "something that is not in this model" + (f" moves {free}" if free else "")
    if weighing.as_drawn_as_may_be:
        says = "a fault that these readings do not show, or something that is not in this model"
    accounts = tuple(labels[k] for k in odd if case.observations[k].group in freed)
    leaves = tuple(labels[k] for k in odd if case.observations[k].group not in freed)
    found.append(Group(words.OTHER, weighing.p_other, (), says, accounts, leaves))
    found.sort(key=lambda g: -g.probability)
    return [g for g in found if g.probability >= SHOWN or not g.faults]


def _no_fault(weighing: Weighing, left: tuple[str, ...]) -> Group:
    """The drawn board, and the faults for which no reading speaks."""
    unshown = members(weighing, weighing.unshown)
    same = tuple((" and ".join(m.texts), m.probability) for m in unshown)
    return Group(words.NONE, weighing.p_as_drawn, (), words.AS_DRAWN, (), left, same)


def _blamed(case: Case, weighing: Weighing, group: Group, shown: Shown) -> Group:
    """A group with the bench blamed for what the reference unit shows too."""
    best = weighing.candidates[group.place] if group.place is not None else None
    own = list(zip(best.texts_open, best.values, strict=True)) if best is not None else []
    return blamed(group, own, shown, case.model.circuit)


def _group(
    case: Case, weighing: Weighing, places: Sequence[int], odd: Sequence[int], labels: Sequence[str], known: set[str]
) -> Group:
    found = members(weighing, places)
    best, either = found[0], alternatives(found)
    place = weighing.candidates[best.place]
    agrees = rank.agreement(place.hypothesis(), case.evidence.y)
    circuit = case.model.circuit
    return Group(
        " and ".join(best.texts),
        float(weighing.probabilities[list(places)].sum()),
        best.texts,
        ", and ".join(words.describe_any(circuit, likely(each)) for each in either),
        tuple(labels[k] for k in odd if agrees[k]),
        tuple(labels[k] for k in np.flatnonzero(~agrees).tolist()),
        tuple((" and ".join(m.texts), m.probability) for m in found[1:]),
        tuple(t for t, s in zip(best.texts, place.suspects, strict=True) if s.text in known),
        u=place.spreads,
        between=place.ends,
        ends=_ends(place),
        either=tuple(tuple(each) for each in either),
        ways=tuple(way for each in either for way in ways_to_part(circuit, each)),
        place=best.place,
    )


def _ends(place: Candidate) -> str:
    """In words, where they were looked for."""
    if not place.ends:
        return ""
    fitted = [place.suspects[k] for k in place.fitted]
    return words.ends([s.text for s in fitted], [s.unit for s in fitted], place.ends, len(place.suspects))


def _mended_elsewhere(case: Case, groups: Sequence[Group], weighing: Weighing) -> dict[str, str]:
    """Net -> what to mend, for lines whose odd reading the likeliest explanation gives by other than a pull on them."""
    best = groups[0] if groups else None
    if best is not None and best.bench and best.probability >= CLEAR:
        accounted = set(best.accounts_for)
        return {o.of: f"look at the bench first: {best.says}" for o in case.observations if o.label in accounted}
    if best is None or not best.faults or best.probability < CLEAR or not weighing.candidates:
        return {}
    suspects = weighing.candidates[best.place or 0].suspects
    pulled = {s.same_as.partition(">")[0] for s in suspects if s.category == "pull"}
    others = [text for text, s in zip(best.faults, suspects, strict=True) if s.category != "pull"]
    if not others:
        return {}
    says = f"mend what is wrong first: {words.describe_all(case.model.circuit, others)}"
    accounted = set(best.accounts_for)
    return {o.of: says for o in case.observations if o.label in accounted and o.of not in pulled}


def _arithmetic(case: Case, weighing: Weighing, odd: Sequence[int]) -> list[str]:
    """What a person needs to check the ranking by hand: readings against predictions, then the sums."""
    from wakeboard.harness.explain.telling import plain, reading_text

    best = weighing.candidates[0] if weighing.candidates else None
    lines = []
    for k in odd:
        o = case.observations[k]
        drawn = weighing.none.hypothesis()
        text = f"{plain(o.label)}: read {reading_text(o, o.y)}; as drawn {reading_text(o, float(drawn.mean[k]))}"
        text += f" ± {_sigma_text(o.quantity, float(np.sqrt(drawn.covariance[k, k])))}"
        if best is not None:
            text += f"; with {' and '.join(best.texts)} {reading_text(o, float(best.mean[k]))}"
            text += f" ± {_sigma_text(o.quantity, float(np.sqrt(best.covariance[k, k])))}"
        lines.append(text)
    named = [("none", weighing.none), *((" and ".join(c.texts), c) for c in weighing.candidates[:5])]
    for name, c in named:
        lines.append(
            f"{name}: log prior {c.log_prior:.1f} + log likelihood {c.log_likelihood:.1f} + "
            f"for fitting {c.occam:.1f} = {c.score:.1f}"
        )
    return lines


def _sigma_text(quantity: str, sigma: float) -> str:
    from wakeboard.instruments.quantity import show

    if quantity == CURRENT:
        return show(sigma, "A", 2)
    return show(sigma, "V", 2) if quantity == VOLTS else f"{sigma:.2f} decades"


# --- without a circuit ----------------------------------------------------------------------------------------------
def _without_circuit(run: RunRecord, board: Board, notes: Sequence[str], started: float) -> Explanation:
    lines = findings(board, run)
    told = [
        *notes,
        f"{board.name} has no [parts], so no fault can be ranked; the lines are analysed from their readings alone, "
        "and a pull found includes what is fitted",
    ]
    find = net_of(board)
    odd = tuple(
        f"{r.of} {r.quantity} [{r.state}]" for _, r in run.readings()
        if r.outcome in ("fail", "marginal") and find(r.of) is not None
    )  # fmt: skip
    return Explanation(
        run=run.id,
        unit=run.unit,
        board=run.board,
        groups=(),
        lines=tuple(lines),
        next=(),
        odd=odd,
        as_drawn=(),
        readings=len(run.readings()),
        common=(),
        notes=tuple(told),
        arithmetic=(),
        seconds=time.monotonic() - started,
    )


def _by_key(run: RunRecord) -> tuple[str, ...]:
    """What may be the reading of another point."""
    return tuple(f"{said}: measure it again before you believe what follows from it" for said in doubted.of_run(run))


def _edited(run: RunRecord, board: Board | None) -> tuple[str, ...]:
    if board is None or board.text == run.start.board_text:
        return ()
    return (
        f"{board.file} was edited after this run: the run's own copy (revision {run.revision}) is used, since that is "
        "the board that was measured",
    )
