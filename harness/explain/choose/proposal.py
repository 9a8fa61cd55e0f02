"""Which measurement is best made next: what each hypothesis predicts for those that could be made, and what is left.

Not on the list: what was read already or would read the same, whatever is true; any state in which a live candidate
would burn a part. A part is lifted only where nothing else tells.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from wakeboard.harness.describe.state import BenchState
from wakeboard.harness.explain.choose.foresee import foreseen
from wakeboard.harness.explain.choose.in_play import Live, live
from wakeboard.harness.explain.choose.least_effort import Choice, Measurement, rank_measurements, shortest_distinct
from wakeboard.harness.explain.choose.possible import Idea, ideas
from wakeboard.harness.explain.choose.safety import unsafe
from wakeboard.harness.explain.evidence.observe import OHMS, Observation, sigma_at
from wakeboard.harness.explain.evidence.predict import Predictor
from wakeboard.harness.explain.evidence.uncertainty import Array
from wakeboard.harness.explain.rank import rank
from wakeboard.harness.explain.rank.weigh import Weighing
from wakeboard.harness.explain.unit.cases import Case, states_seen
from wakeboard.instruments.virtual.circuit.bench.change import Change

WORTH = 0.01
"""Bits below which a measurement is not worth its while: little doubts still lead to a short not seen yet."""
SAME_VOLTS, SAME_DECADES = 2e-3, 5e-3
"""By how much less than this two readings differ more under one hypothesis than another where both tell the same."""
FINER = 0.5
"""Share of an uncertainty below which a reading of the same tells more."""

Usable = Callable[[Measurement], bool]


def propose(
    case: Case, weighing: Weighing, groups: Sequence[Sequence[int]], count: int = 3, usable: Usable | None = None
) -> list[Choice]:
    """The best measurements, best first; none where one group is left or nothing tells the rest apart.

    usable: leaves out what cannot be measured on the bench at hand. Where no reading is worth it a part or a pin is
    lifted: then each fault counts by its own name, whatever readings say of it.
    """
    in_play = live(case, weighing, groups)
    found = rank_measurements(in_play.probabilities, on_offer(case, in_play, usable, lift=False), WORTH)
    if not found:
        named = live(case, weighing, groups, by_name=True)
        found = rank_measurements(named.probabilities, on_offer(case, named, usable, lift=True), WORTH)
    return shortest_distinct(found, count)


def on_offer(
    case: Case, in_play: Live, usable: Usable | None = None, lift: bool | None = None
) -> list[Measurement]:  # fmt: skip
    """What may be measured, with what each hypothesis predicts. lift: whether parts are lifted; None: only where
    nothing else is `WORTH` it."""
    if len(in_play.changes) < 2:
        return []
    found = list(ideas(case, [text for texts in in_play.suspects for text in texts]))
    seen = [*case.observations, *(i.observation for i in found)]
    predictor = Predictor(case.model.circuit, case.model.supplies, seen, case.fixed, stand=case.model.stand)
    forbidden = unsafe(predictor, states_seen([i.observation for i in found]), in_play.changes)
    allowed = [i for i in found if _bare(i.observation.state).key not in forbidden]
    at = {id(i): len(case.observations) + k for k, i in enumerate(found)}
    if lift:
        return _lifted(predictor, [(at[id(i)], i) for i in allowed if i.lift], in_play, usable)
    offered = _plain(case, predictor, [(at[id(i)], i) for i in allowed if not i.lift], in_play, usable)
    if lift is False or (offered and rank_measurements(in_play.probabilities, offered, WORTH)):
        return offered
    return offered + _lifted(predictor, [(at[id(i)], i) for i in allowed if i.lift], in_play, usable)


def _bare(state: BenchState) -> BenchState:
    return BenchState(state.supplies, state.pins)


# --- predictions ----------------------------------------------------------------------------------------------------
def _plain(
    case: Case, predictor: Predictor, asked: Sequence[tuple[int, Idea]], in_play: Live, usable: Usable | None
) -> list[Measurement]:
    taken = len(case.observations)
    means = predictor.predict(in_play.changes, only=[*range(taken), *(k for k, _ in asked)])
    at_hand = [
        (idea, means[:, taken + j]) for j, (_, idea) in enumerate(asked)
        if np.all(np.isfinite(means[:, taken + j]))
        and (usable is None or usable(_measurement(idea, means[:, taken + j])))
    ]  # fmt: skip
    known = [(o, means[:, k]) for k, o in enumerate(case.observations)]
    left = _new(at_hand, known)
    mean, sigma = foreseen(case, in_play, [idea.observation for idea in left])
    good = np.all(np.isfinite(mean) & np.isfinite(sigma), axis=0)
    return [_measurement(idea, mean[:, k], sigma[:, k]) for k, idea in enumerate(left) if good[k]]


def _new(asked: Sequence[tuple[Idea, Array]], known: Sequence[tuple[Observation, Array]]) -> list[Idea]:
    """Those that tell something which no reading and no measurement of less effort tells as finely: another state may
    not move what a point reads, or move it alike whatever is true."""
    seen: dict[tuple[str, bool], list[tuple[float, Array]]] = {}
    for o, mean in known:
        if np.all(np.isfinite(mean)):
            seen.setdefault((o.of, o.quantity == OHMS), []).append((o.sigma, mean))
    kept = []
    for idea, mean in sorted(asked, key=lambda each: each[0].effort):
        o = idea.observation
        sigma = float(np.mean([sigma_at(o, float(y)) for y in mean]))
        before = seen.setdefault((o.of, o.quantity == OHMS), [])
        near = SAME_DECADES if o.quantity == OHMS else SAME_VOLTS
        if not any(np.ptp(mean - other) < near and FINER * coarse < sigma for coarse, other in before):
            before.append((sigma, mean))
            kept.append(idea)
    return kept


def _lifted(
    predictor: Predictor, asked: Sequence[tuple[int, Idea]], in_play: Live, usable: Usable | None
) -> list[Measurement]:
    out = []
    for name in dict.fromkeys(idea.lift for _, idea in asked):
        own = [(k, idea) for k, idea in asked if idea.lift == name]
        means = predictor.predict([_without(c, name) for c in in_play.changes], only=[k for k, _ in own])
        made = [_measurement(idea, m) for (_, idea), m in zip(own, means.T, strict=True) if np.all(np.isfinite(m))]
        out += [m for m in made if usable is None or usable(m)]
    return out


def _without(change: Change, part: str) -> Change:
    """The board with a part lifted, or one pin of it ("U8.SDA"): what was wrong inside it goes with it."""
    from wakeboard.instruments.virtual.circuit import parse_fault

    if "." in part:
        return change.plus(Change((parse_fault(f"{part}:open"),)))
    kept = tuple(f for f in change.faults if f.part != part)
    values = {path: v for path, v in change.values.items() if path.partition(".")[0] != part}
    return Change((*kept, parse_fault(f"{part}:missing")), values)


def _measurement(idea: Idea, mean: Array, sigma: Array | None = None) -> Measurement:
    """sigma: by the reading's own uncertainty where not given."""
    o = idea.observation
    if sigma is None:
        sigma = np.array([sigma_at(o, float(y)) for y in mean])
    state = o.state.key + (f"; {idea.lift} lifted" if idea.lift else "")
    detail = {"observation": o, "net": o.of, "range": o.reading.range}
    return Measurement(idea.point, o.reading.quantity, state, idea.effort, mean, sigma, idea.does, detail)


def entropy_of(weighing: Weighing, groups: Sequence[Sequence[int]]) -> float:
    """Bits of doubt between the groups, no fault that the readings show, and something else."""
    p = [weighing.p_as_drawn, weighing.p_other, *(float(weighing.probabilities[list(g)].sum()) for g in groups)]
    return rank.entropy(np.array(p))
