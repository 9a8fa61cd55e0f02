"""How `explain` and the limits "from the circuit" hold on boards whose parts are not quite the drawn ones.

    python tests/benchmarks/worlds.py [--boards skep] [--worlds none mild realistic] [--scenes alone five good]
                                      [--seeds 1-4] [--faults 10] [--healthy 3] [--processes 2]

Boards, faults and decisions are the product's; what the instruments see comes from an independent truth (tests/truth:
own element equations, own solver), in which chips, diodes and regulators differ from the drawing as another maker's
parts would. Each seed is one world: its types. Units in it differ in their pieces.

alone   one unit, by itself
five    the fifth of five: four more units of the same world, each with a fault of its own or without
good    one unit, with a unit that is known to be good as reference

Runs are made once and kept (--cache), so that `explain` can be judged again without them. A run carries the limits and
decisions of the product that made it: after a change of limits, sequence or truth give --fresh. `--help` tells the
further tables (one kind of difference at a time, escapes of a rehearsal, next measurements).
"""

from __future__ import annotations

import argparse
import copy
import hashlib
import itertools
import math
import os
import pickle
import sys
import time
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from types import SimpleNamespace
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # matrices of a hundred rows: threads only wait for each other

import numpy as np
from scipy.stats import beta

HERE = Path(__file__).parent
sys.path[:0] = [str(path) for path in (HERE, HERE.parent) if str(path) not in sys.path]

from explain_trials import SKEP, Line, judge, not_equivalent, put, table, target  # noqa: E402
from truth.netlist import Specimen  # noqa: E402
from truth.solver import NoAnswer  # noqa: E402
from truth.stand_in import TruthPath, truth_bench  # noqa: E402
from truth.worlds import KINDS, World, uniform  # noqa: E402

from wakeboard.harness.explain.explaining import Explanation, explain_case  # noqa: E402
from wakeboard.harness.explain.naming import words  # noqa: E402
from wakeboard.harness.explain.rank.candidate import Candidate  # noqa: E402
from wakeboard.harness.explain.rank.interval import with_ends  # noqa: E402
from wakeboard.harness.explain.rank.suspects import chances, odds_of  # noqa: E402
from wakeboard.harness.explain.unit.cases import CannotExplain, Case  # noqa: E402
from wakeboard.harness.rehearse.direct import open_direct  # noqa: E402
from wakeboard.harness.rehearse.trial import Trial, read_trial  # noqa: E402
from wakeboard.harness.run.runner import Runner  # noqa: E402
from wakeboard.instruments.virtual.circuit import Fault, parse_fault  # noqa: E402
from wakeboard.results.records import RunRecord, RunStart  # noqa: E402

SURE = 0.99
BLAMED = 0.5
EDGES = (0.0, 0.01, 0.1, 0.3, 0.5, 0.7, 0.9, 0.99, 1.0 + 1e-9)
OTHERS = 4
SCENES = ("alone", "five", "good")
Array = np.ndarray[Any, Any]


# --- boards and their units -----------------------------------------------------------------------------------------
def sequence_of(board: str, folder: Path) -> Path:
    """The sequence file of a board by name; boards of the tests are written into the folder."""
    if board == "skep":
        return SKEP
    from truth.boards import write

    return write(board, folder)


@dataclass
class Production:
    """A board with its product side (drawing, limits, explanation) and its true units."""

    board: str
    folder: Path
    fresh: bool = False
    seconds: list[float] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.line = Line.of(sequence_of(self.board, self.folder))
        self.text = hashlib.blake2b(
            (self.line.sequence.board.text + self.line.sequence.text + _truth_text()).encode(), digest_size=8
        ).hexdigest()

    def run(self, world: World, serial: str, plants: Sequence[str] = ()) -> RunRecord | None:
        """One unit through the whole sequence, kept; None where the truth has no answer."""
        what = (world.level, world.seed, sorted(world.only), world.flat, world.drawn)  # a set's order is no key
        key = f"{what} {serial} {list(plants)} {self.text}"
        name = hashlib.blake2b(key.encode(), digest_size=12).hexdigest()
        file = self.folder / "runs" / self.board / f"{name}.pickle"
        if not self.fresh and file.exists():
            try:
                return pickle.loads(file.read_bytes())[1]  # type: ignore[no-any-return]
            except (AttributeError, TypeError, ModuleNotFoundError, EOFError):
                pass  # records are of another shape now: made again
        started = time.process_time()
        record = true_run(self.line, world, serial, plants)
        self.seconds.append(time.process_time() - started)
        file.parent.mkdir(parents=True, exist_ok=True)
        scratch = file.with_suffix(f".{os.getpid()}")
        scratch.write_bytes(pickle.dumps((key, record)))
        scratch.replace(file)
        return record

    @cached_property
    def beginning(self) -> Production:
        """The same, its units taken through the first steps only, to the rails on the first supply."""
        short = copy.copy(self)
        sequence = self.line.sequence
        last = next(k for k, step in enumerate(sequence.steps) if step.do == "rails")
        short.line = copy.copy(self.line)
        short.line.sequence = replace(sequence, steps=sequence.steps[: last + 1])
        short.text = f"{self.text} beginning"
        return short

    @cached_property
    def library(self) -> list[Fault]:
        """Faults that some reading within reach shows on the drawn board; listed once and kept."""
        drawing = hashlib.blake2b(self.line.sequence.board.text.encode(), digest_size=8).hexdigest()
        file = self.folder / f"library-{self.board}-{drawing}.txt"
        if file.exists():
            return [parse_fault(text) for text in file.read_text(encoding="utf-8").splitlines()]
        found = not_equivalent(self.line.sequence.board)
        file.write_text("\n".join(str(fault) for fault in found), encoding="utf-8")
        return found

    def fault(self, world: World, *what: object) -> str:
        """One fault of the library, drawn: first its class, by its square root's share, then one of the class."""
        classes: dict[str, list[Fault]] = defaultdict(list)
        for fault in self.library:
            classes[fault.category].append(fault)
        weights = np.cumsum([math.sqrt(len(each)) for each in classes.values()])
        place = int(np.searchsorted(weights / weights[-1], uniform("class", world.seed, *what)))
        members = list(classes.values())[min(place, len(classes) - 1)]
        return str(members[int(uniform("fault", world.seed, *what) * len(members))])

    @cached_property
    def flaws(self) -> frozenset[tuple[Any, ...]]:
        """What fails on the board as drawn: designed in, so no unit's fault."""
        record = self.run(World("none", drawn=False), "drawn")
        assert record is not None
        return frozenset(_key(step, reading) for step, reading in record.readings() if reading.outcome == "fail")

    @cached_property
    def faulty(self) -> float:
        """How likely a unit that somebody asks about has one fault or another, by the priors."""
        known = self.line.model.suspects
        odds = odds_of(known)
        return odds / (math.exp(chances(known).drawn) + odds)

    @cached_property
    def steps(self) -> int:
        record = self.run(World("none", drawn=False), "drawn")
        assert record is not None
        return len(record.steps)

    def failing(self, record: RunRecord, by_hand: bool = False) -> list[tuple[Any, ...]]:
        """Readings outside the limits that follow from the circuit, those of the design apart. by_hand: outside limits
        that the sequence's author has written, instead."""
        return [
            _key(step, reading)
            for step, reading in record.readings()
            if reading.outcome == "fail" and _key(step, reading) not in self.flaws
            and (reading.limits_from == "step") is by_hand
        ]  # fmt: skip


def _key(step: Any, reading: Any) -> tuple[Any, ...]:
    return step.number, reading.of, reading.quantity, reading.state, reading.range


def _truth_text() -> str:
    return "".join((HERE.parent / "truth" / f"{name}.py").read_text(encoding="utf-8")
                   for name in ("physics", "solver", "netlist", "worlds", "stand_in"))  # fmt: skip


def true_run(
    line: Line, world: World, serial: str, plants: Sequence[str], stressed: list[Any] | None = None
) -> RunRecord | None:
    """The real runner and the virtual instruments on a board of the truth. stressed: filled with what burned."""
    board, sequence = line.sequence.board, line.sequence
    start = RunStart(
        serial, board.name, board.revision, board.text, sequence.title, sequence.text, plants=list(plants), virtual=True
    )
    faults = [parse_fault(text) for text in plants]
    virtual = truth_bench(line.prepared, world.unit(serial), faults, line.target)
    try:
        with open_direct(line.built, virtual, line.facts) as bench:
            record = Runner(sequence, bench, start, predictor=line.limits).run().record
            if stressed is not None:
                stressed += virtual.overstress
            return record
    except NoAnswer:
        return None


# --- one trial ------------------------------------------------------------------------------------------------------
@dataclass
class Verdict:
    """One explained unit. rank: of the true group (of *none* for a healthy one; 0: not named); named: (probability,
    whether it is true) of every group; innocent: the most on a group of faults without the true one; fits: (what,
    held) of the first group's fitted value where it is the true one; outside: readings that failed their circuit limits
    and should not have; by_hand: the author's; early: the run ended before its last step; prior: how likely the priors
    have it that a unit of this board is faulty."""

    board: str
    world: str
    scene: str
    seed: int
    fault: str
    rank: int = 0
    probability: float = 0.0
    named: list[tuple[float, bool]] = field(default_factory=list)
    first: str = ""
    innocent: float = 0.0
    fits: list[tuple[str, bool]] = field(default_factory=list)
    outside: int = 0
    by_hand: int = 0
    early: bool = False
    seconds: float = 0.0
    why: str = ""
    prior: float = 0.5


def explained(production: Production, case: Case, others: Sequence[Case], good: Case | None) -> Explanation:
    return explain_case(case, list(others), ask_next=False, reference=good)


def verdict(production: Production, found: Explanation, fault: str, into: Verdict) -> Verdict:
    if fault:
        outcome = judge(production.line.model, parse_fault(fault), found, 0.0)
        into.rank, into.probability, into.named, into.first = (
            outcome.rank, outcome.probability, outcome.named, outcome.first
        )  # fmt: skip
        into.fits = fitted(found, fault)
    else:
        into.named = [(g.probability, not g.faults and g.name == words.NONE) for g in found.groups]
        into.rank = next((k for k, (_, true) in enumerate(into.named, 1) if true), 0)
        into.probability = next((p for p, true in into.named if true), 0.0)
        into.first = found.groups[0].name
    pairs = zip(found.groups, into.named, strict=True)
    into.innocent = max((p for group, (p, true) in pairs if group.faults and not true), default=0.0)
    return into


def fitted(found: Explanation, fault: str) -> list[tuple[str, bool]]:
    """Whether the 95 % interval of the first group's value holds the planted one."""
    group = found.groups[0]
    planted = parse_fault(fault)
    out: list[tuple[str, bool]] = []
    if not group.faults or found.weighing is None:
        return out
    best = next((c for c in found.weighing.candidates if c.texts == group.faults), None)
    if best is None or len(best.suspects) != 1 or best.values[0] is None or not best.ends:
        return out
    if target(best.texts[0]) != target(fault) or planted.kind not in ("pull_up", "pull_down", "bridge", "value"):
        return out
    return [(planted.category, holds(best, fault))]


def holds(candidate: Candidate, fault: str) -> bool:
    """Whether the 95 % interval of a single fault's fitted value holds the planted one."""
    from wakeboard.instruments.quantity import parse

    planted, (low, high) = parse_fault(fault), candidate.ends[0]
    true = planted.ohms if planted.kind != "value" else parse(planted.argument, candidate.suspects[0].unit)
    return low <= true <= high


@dataclass(frozen=True)
class Task:
    """All units of one world that are judged together."""

    board: str
    world: World
    scenes: tuple[str, ...]
    faults: int
    healthy: int


def trials(production: Production, task: Task) -> Iterator[Verdict]:
    world, line = task.world, production.line
    others = others_of(production, world) if "five" in task.scenes else []
    good = None
    if "good" in task.scenes:
        record = production.run(world, f"G{world.seed}")
        good = Case(record, line.model) if record is not None else None
    jobs = [(f"F{world.seed}-{k}", production.fault(world, k)) for k in range(task.faults)]
    jobs += [(f"H{world.seed}-{k}", "") for k in range(task.healthy)]
    for serial, fault in jobs:
        record = production.run(world, serial, [fault] if fault else [])
        for scene in task.scenes:
            blank = Verdict(task.board, world.name, scene, world.seed, fault, prior=production.faulty)
            if record is None:
                blank.why = "the truth has no answer"
                yield blank
                continue
            blank.outside, blank.by_hand = (len(production.failing(record, by_hand)) for by_hand in (False, True))
            blank.early = len(record.steps) < production.steps
            started = time.process_time()
            try:
                found = explained(production, Case(record, line.model), others if scene == "five" else [],
                                  good if scene == "good" else None)  # fmt: skip
                made = verdict(production, found, fault, blank)
            except CannotExplain as error:
                made = blank
                made.why = str(error)
            made.seconds = time.process_time() - started
            yield made


def others_of(production: Production, world: World) -> list[Case]:
    """Four more units of the world, those whose run came to an end."""
    return [case for k in range(OTHERS) if (case := other(production, world, k)) is not None]


def other(production: Production, world: World, k: int) -> Case | None:
    """Another unit of the world: every second with a fault of its own."""
    faulty = uniform("other", world.seed, k) < 0.5
    plants = [production.fault(world, "other", k)] if faulty else []
    record = production.run(world, f"O{world.seed}-{k}", plants)
    return Case(record, production.line.model) if record is not None else None


# --- rehearsal: what a world hides ------------------------------------------------------------------------------------
def escapes(production: Production, world: World, share: float) -> list[tuple[str, bool, bool]]:
    """(class, caught, burned) of a share of the library's faults, each in one and the same unit of the world."""
    serial = f"E{world.seed}"
    good, _ = trial_of(production, world, serial, "")
    if good is None:
        return []
    anyway = {(burn.part, burn.rating) for burn in good.burns}
    found = []
    for fault in production.library:
        if uniform("escape", world.seed, fault) >= share:
            continue
        trial, _ = trial_of(production, world, serial, str(fault))
        if trial is not None:
            burned = any((burn.part, burn.rating) not in anyway for burn in trial.burns)
            found.append((fault.category, trial.caught_at(good) is not None, burned))
    return found


def trial_of(production: Production, world: World, serial: str, fault: str) -> tuple[Trial | None, float]:
    """A run as a rehearsal reads it, with what burned; not kept."""
    started, stressed = time.process_time(), list[Any]()
    record = true_run(production.line, world, serial, [fault] if fault else [], stressed)
    if record is None:
        return None, 0.0
    faults = [parse_fault(fault)] if fault else []
    trial = read_trial(faults, SimpleNamespace(record=record, error=None), stressed)  # type: ignore[arg-type]
    return trial, time.process_time() - started


def escape_table(production: Production, worlds: Sequence[World], share: float) -> str:
    rows = []
    for level in dict.fromkeys(world.name for world in worlds):
        found = [each for world in worlds if world.name == level for each in escapes(production, world, share)]
        for name in ("all", *sorted({kind for kind, _, _ in found})):
            mine = [each for each in found if name in ("all", each[0])]
            caught, burned = sum(c for _, c, _ in mine), sum(b for _, _, b in mine)
            rows.append([production.board, level, name, of(caught, len(mine)), burned])
    return table(["board", "world", "class", "caught", "burned"], rows)


# --- fitted values ------------------------------------------------------------------------------------------------
VALUED = {"pull_up": "pull", "pull_down": "pull", "value": "value", "bridge": "bridge"}


def fit_of(production: Production, world: World, k: int) -> tuple[str, bool] | None:
    """(kind, held): whether the 95 % interval of a planted fault's value holds it, where that fault alone is weighed:
    so the interval is asked after, and not whether the fault is found. None where the truth has no answer."""
    kinds: dict[str, list[Fault]] = defaultdict(list)
    for fault in production.library:
        if fault.kind in VALUED:
            kinds[VALUED[fault.kind]].append(fault)
    members = list(kinds.values())[int(uniform("kind", world.seed, k) * len(kinds))]
    planted = str(members[int(uniform("valued", world.seed, k) * len(members))])
    record = production.run(world, f"V{world.seed}-{k}", [planted])
    return None if record is None else fit_in(production, record, planted)


def fit_in(production: Production, record: RunRecord, planted: str) -> tuple[str, bool] | None:
    """The same of a run."""
    case = Case(record, production.line.model)
    own = [s for s in case.model.suspects if any(target(m.text) == target(planted) for m, _ in s.named)]
    weigher = case._weigher(case.predictor, case.evidence, own, None)
    best = next((c for c in weigher.singles().candidates if c.suspects[0] in own and c.fitted), None)
    if best is None:
        return None
    return VALUED[parse_fault(planted).kind], holds(with_ends(weigher.likelihood, best), planted)


def fit_table(production: Production, worlds: Sequence[World], count: int) -> str:
    rows = []
    for level in dict.fromkeys(world.name for world in worlds):
        made = [fit_of(production, world, k) for world in worlds if world.name == level for k in range(count)]
        held: dict[str, list[bool]] = defaultdict(list)
        for kind, good in (each for each in made if each is not None):
            held[kind].append(good)
            held["all"].append(good)
        rows += [[production.board, level, kind, of(sum(each), len(each))] for kind, each in sorted(held.items())]
    return table(["board", "world", "fitted", "95 % interval holds the truth"], rows)


# --- next measurements --------------------------------------------------------------------------------------------
def asked(production: Production, world: World, k: int, others: Sequence[Case] = ()) -> Any:
    """As explain_next.trial, but what explain asks for is measured on the true unit; None, too, where the first steps
    show nothing of its fault, of which the bound says nothing then."""
    import explain_next as asking

    fault, serial = production.fault(world, "next", k), f"N{world.seed}-{k}"
    record = production.beginning.run(world, serial, [fault])
    if record is None:
        return None
    start = explain_case(Case(asking.beginning(record), production.line.model), others)
    place = asking.placed(start, (fault,))
    if start.bits < asking.DOUBT or start.weighing is None or not place:
        return None
    if not asking.next_choices(start, 1, asking.not_lifted):
        return start.bits
    in_play, offered = asking.offers(start)
    bits = asking.doubt(in_play, offered)
    most = max(asking.capacity(m.mean, m.sigma) for m in offered)
    after, taken = asking.pursue(start, Measured(production, world, serial, fault).answer)
    left = min(asking.doubt(*asking.offers(after)), bits)
    odds = start.groups[place - 1].probability
    return asking.Trial(fault, bits, left, most, len(taken), asking.placed(after, (fault,)), odds)


class Measured:
    """The true unit under a meter, in whatever state is asked for."""

    def __init__(self, production: Production, world: World, serial: str, fault: str) -> None:
        self.production, self.world = production, world
        self.unit, self.faults = world.unit(serial), [parse_fault(fault)]
        self.rng = np.random.default_rng(world.seed)

    def answer(self, choice: Any) -> float | None:
        """V or A; Ω, inf above the range, of both where the bench's resistor stands across. None where the truth has no
        answer."""
        from wakeboard.harness.explain.evidence.observe import CURRENT, OHMS
        from wakeboard.harness.explain.evidence.predict import Predictor, ohms_test
        from wakeboard.instruments.virtual.circuit.bench.parts import supply_name

        o = choice.measurement.detail["observation"]
        model = self.production.line.model
        predictor = Predictor(model.circuit, model.supplies, [o], stand=model.stand)
        scene = predictor._exact[0]
        path = TruthPath(Specimen(predictor.stand.model.circuit, self.unit, self.faults))
        try:
            point = path.point(scene.values, scene.moves, None)
        except NoAnswer:
            return None
        if o.quantity == CURRENT:
            return -point.current(supply_name(o.of), "P")
        volts = point.volts(o.of)
        if o.quantity == OHMS:
            decades = o.as_seen(ohms_test(o).ohms(volts))
            return math.inf if decades >= math.log10(o.top) else 10**decades * (1 + 2e-3 * float(self.rng.normal()))
        return volts * (1 + 2e-4 * float(self.rng.normal())) + 1e-3 * float(self.rng.normal())


def next_table(production: Production, worlds: Sequence[World], count: int, scene: str) -> str:
    rows = []
    for level in dict.fromkeys(world.name for world in worlds):
        made = []
        for world in (each for each in worlds if each.name == level):
            others = others_of(production, world) if scene == "five" else []
            made += [asked(production, world, k, others) for k in range(count)]
        trials, unasked = (
            [t for t in made if t is not None and not isinstance(t, float)],
            [t for t in made if isinstance(t, float)],
        )
        taken, bound, odds = (
            float(np.mean([getattr(t, name) for t in trials])) if trials else math.nan
            for name in ("taken", "bound", "odds")
        )
        rows.append([
            production.board, level, scene, len(trials), f"{taken:.2f}", f"{bound:.2f}", f"{taken / bound:.2f}",
            f"{odds:.0%}", of(sum(t.rank == 1 for t in trials), len(trials)), len(unasked),
        ])  # fmt: skip
    head = ["board", "world", "scene", "units", "taken", "entropy bound", "ratio", "true group at the start",
            "true first at the end", "nothing asked"]  # fmt: skip
    return table(head, rows)


# --- tables ---------------------------------------------------------------------------------------------------------
def interval(part: int, whole: int, share: float = 0.95) -> tuple[float, float]:
    """Clopper and Pearson."""
    low = 0.0 if part == 0 else float(beta.ppf((1 - share) / 2, part, whole - part + 1))
    high = 1.0 if part == whole else float(beta.ppf((1 + share) / 2, part + 1, whole - part))
    return low, high


def of(part: int, whole: int) -> str:
    if not whole:
        return "-"
    low, high = interval(part, whole)
    return f"{part}/{whole} {part / whole:.0%} ({low:.0%}-{high:.0%})"


def grouped(verdicts: Iterable[Verdict]) -> dict[tuple[str, str, str], list[Verdict]]:
    found: dict[tuple[str, str, str], list[Verdict]] = defaultdict(list)
    for v in verdicts:
        found[v.board, v.world, v.scene].append(v)
    return found


def headline(verdicts: Sequence[Verdict]) -> str:
    rows = []
    for (board, world, scene), each in grouped(verdicts).items():
        faulty = [v for v in each if v.fault and not v.why]
        healthy = [v for v in each if not v.fault and not v.why]
        sure = [true for v in (*faulty, *healthy) for p, true in v.named if p > SURE]
        rows.append([
            board, world, scene, of(sum(v.rank == 1 for v in faulty), len(faulty)),
            of(sum(0 < v.rank <= 3 for v in faulty), len(faulty)),
            of(sum(v.probability < 0.01 for v in faulty), len(faulty)),
            of(sum(v.innocent > BLAMED for v in healthy), len(healthy)),
            of(sum(v.rank == 1 for v in healthy), len(healthy)),
            of(sum(sure), len(sure)), of(sum(not v.outside and not v.early for v in healthy), len(healthy)),
            f"{np.mean([v.outside for v in healthy]) if healthy else 0:.1f}",
            of(sum(not v.outside and not v.by_hand and not v.early for v in healthy), len(healthy)),
            f"{np.median([v.seconds for v in each]):.2f}",
        ])  # fmt: skip
    head = ["board", "world", "scene", "first", "first three", "truth below 1 %", "healthy: innocent > 50 %",
            "healthy: none first", "stated > 99 %: right", "healthy passes its circuit limits", "outside",
            "healthy passes the author's too", "s"]  # fmt: skip
    return table(head, rows)


def reliability(verdicts: Sequence[Verdict]) -> str:
    """What is stated follows from priors by which few units are faulty; most of these are. So what was observed stands
    there as counted, and once more with faulty and healthy units weighted to be as many as the priors have."""
    rows = []
    for (board, world, scene), each in grouped(verdicts).items():
        weights = as_the_priors(each)
        named = [(p, true, weight) for v, weight in zip(each, weights, strict=True) for p, true in v.named]
        for low, high in itertools.pairwise(EDGES):
            inside = [(p, true, weight) for p, true, weight in named if low <= p < high]
            if not inside:
                continue
            true, stated = sum(t for _, t, _ in inside), float(np.mean([p for p, _, _ in inside]))
            least, most = interval(true, len(inside))
            fits = "yes" if least <= stated <= most else "NO"
            weighted = sum(w for _, t, w in inside if t) / sum(w for _, _, w in inside)
            rows.append([board, world, scene, f"{low:.0%} to {min(high, 1):.0%}", len(inside), f"{stated:.1%}",
                         f"{true / len(inside):.1%} ({least:.0%}-{most:.0%})", fits, f"{weighted:.1%}"])  # fmt: skip
    head = ["board", "world", "scene", "stated", "groups", "mean stated", "observed", "within",
            "observed, as many faulty as the priors have"]  # fmt: skip
    return table(head, rows)


def as_the_priors(verdicts: Sequence[Verdict]) -> list[float]:
    """A weight for each unit, by which faulty ones are together what the priors have of them; 1 each, where all are
    faulty or none is."""
    faulty = sum(bool(v.fault) for v in verdicts)
    healthy = len(verdicts) - faulty
    if not faulty or not healthy:
        return [1.0] * len(verdicts)
    return [v.prior / faulty if v.fault else (1 - v.prior) / healthy for v in verdicts]


def coverage(verdicts: Sequence[Verdict]) -> str:
    rows = []
    for (board, world, scene), each in grouped(verdicts).items():
        kinds: dict[str, list[bool]] = defaultdict(list)
        for v in each:
            for kind, held in v.fits:
                kinds[kind].append(held)
                kinds["all"].append(held)
        rows += [[board, world, scene, kind, of(sum(held), len(held))] for kind, held in sorted(kinds.items())]
    return table(["board", "world", "scene", "fitted", "95 % interval holds the truth"], rows)


def misses(verdicts: Sequence[Verdict]) -> str:
    rows = []
    for (board, world, scene), each in grouped(verdicts).items():
        by_class: dict[str, list[Verdict]] = defaultdict(list)
        for v in each:
            if v.fault and not v.why:
                by_class[parse_fault(v.fault).category].append(v)
        for name, members in sorted(by_class.items()):
            named = Counter(v.first.partition("=")[0] for v in members if v.rank != 1).most_common(3)
            said = "; ".join(f"{text} ({n})" for text, n in named)
            rows.append([board, world, scene, name, of(sum(v.rank == 1 for v in members), len(members)), said])
    return table(["board", "world", "scene", "class", "first", "named instead"], rows)


# --- running --------------------------------------------------------------------------------------------------------
_PRODUCTIONS: dict[str, Production] = {}


def production(board: str, folder: Path, fresh: bool = False) -> Production:
    if board not in _PRODUCTIONS:
        _PRODUCTIONS[board] = Production(board, folder, fresh)
    return _PRODUCTIONS[board]


def _work(task: Task, folder: Path, fresh: bool) -> tuple[list[Verdict], list[float]]:
    made = production(task.board, folder, fresh)
    made.seconds.clear()
    return list(trials(made, task)), list(made.seconds)


def judged(
    tasks: Sequence[Task], folder: Path, fresh: bool, processes: int, tell: Callable[[str], None]
) -> list[Verdict]:
    """Verdicts of all tasks. Worker processes inherit what was compiled."""
    import multiprocessing

    for board in dict.fromkeys(task.board for task in tasks):
        _ = production(board, folder, fresh).library
    found: list[Verdict] = []
    seconds: list[float] = []
    if processes <= 1:
        results: Iterable[tuple[list[Verdict], list[float]]] = (_work(task, folder, fresh) for task in tasks)
        for verdicts, took in results:
            _collect(verdicts, took, found, seconds, tell)
    else:
        context = multiprocessing.get_context("fork")
        with ProcessPoolExecutor(processes, mp_context=context) as pool:
            for future in [pool.submit(_work, task, folder, fresh) for task in tasks]:
                _collect(*future.result(), found, seconds, tell)
    if seconds:
        tell(f"{len(seconds)} runs made, median {np.median(seconds):.2f} s of processor each")
    return found


def _collect(verdicts: list[Verdict], took: list[float], found: list[Verdict], seconds: list[float],
             tell: Callable[[str], None]) -> None:  # fmt: skip
    found += verdicts
    seconds += took
    for v in verdicts:
        said = v.why or f"{v.rank} {v.probability:.3f} {v.fault or 'healthy'} -> {v.first}"
        tell(f"{v.board} {v.world} {v.scene} {v.seed}: {said} [{v.outside} outside, {v.seconds:.2f} s]")


def seeds_of(text: str) -> list[int]:
    """ "1-4,9" -> 1 2 3 4 9."""
    out: list[int] = []
    for piece in text.split(","):
        low, dash, high = piece.partition("-")
        out += range(int(low), int(high if dash else low) + 1)
    return out


def cache_folder() -> Path:
    import platformdirs

    return Path(platformdirs.user_cache_dir("wakeboard")) / "worlds"


def arguments() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--boards", nargs="+", default=["skep"])
    parser.add_argument("--worlds", nargs="+", default=["none", "mild", "realistic"],
                        choices=["none", "mild", "realistic", "harsh"])  # fmt: skip
    parser.add_argument("--scenes", nargs="+", default=["alone"], choices=SCENES)
    parser.add_argument("--seeds", type=seeds_of, default=[1, 2, 3, 4])
    parser.add_argument("--faults", type=int, default=10, help="faulty units a seed")
    parser.add_argument("--healthy", type=int, default=3, help="healthy units a seed")
    parser.add_argument("--flat", action="store_true", help="figures uniform up to the edges")
    parser.add_argument("--kinds", nargs="*", help="one kind of difference at a time (all, where none is named)")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--cache", type=Path, default=cache_folder())
    parser.add_argument("--fresh", action="store_true", help="make the runs again")
    parser.add_argument("--escapes", type=float, metavar="SHARE",
                        help="instead: what a rehearsal still catches, on this share of the faults")  # fmt: skip
    parser.add_argument("--next", type=int, metavar="UNITS",
                        help="instead: measurements that explain asks for, of so many units a seed")  # fmt: skip
    parser.add_argument("--fits", type=int, metavar="UNITS",
                        help="instead: intervals of fitted values, of so many units a seed")  # fmt: skip
    parser.add_argument("--quiet", action="store_true", help="tables only")
    parser.add_argument("--table", type=Path, help="a page to keep the tables in")
    return parser


def worlds_of(options: argparse.Namespace) -> list[World]:
    plain = [World(level, seed, flat=options.flat) for level in options.worlds for seed in options.seeds]
    if options.kinds is None:
        return plain
    return [world.with_only(kind) for kind in options.kinds or KINDS for world in plain]


def main(argv: Sequence[str] | None = None) -> None:
    options = arguments().parse_args(argv)
    options.cache.mkdir(parents=True, exist_ok=True)
    tasks = [
        Task(board, world, tuple(options.scenes), options.faults, options.healthy)
        for board in options.boards
        for world in worlds_of(options)
    ]
    begun = time.time()
    command = "python tests/benchmarks/worlds.py " + " ".join(argv if argv is not None else sys.argv[1:])
    if not (options.escapes is None and options.next is None and options.fits is None):
        for board in options.boards:
            made = production(board, options.cache, options.fresh)
            if options.escapes is not None:
                print(escape_table(made, worlds_of(options), options.escapes), flush=True)
            if options.next is not None:
                for scene in options.scenes:
                    print(next_table(made, worlds_of(options), options.next, scene), flush=True)
            if options.fits is not None:
                print(fit_table(made, worlds_of(options), options.fits), flush=True)
        print(f"Made by `{command}` in {time.time() - begun:.0f} s.")
        return

    def tell(text: str) -> None:
        if not options.quiet:
            print(text, flush=True)

    verdicts = judged(tasks, options.cache, options.fresh, options.processes, tell)
    text = "\n\n".join(part(verdicts) for part in (headline, reliability, coverage, misses))
    text = f"Made by `{command}` in {time.time() - begun:.0f} s.\n\n{text}"
    print(text)
    if options.table:
        put(options.table, "Worlds", text)


if __name__ == "__main__":
    main()
