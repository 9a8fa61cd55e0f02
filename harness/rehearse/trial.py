"""One rehearsed run: the real runner, guard rules and decisions on virtual instruments, with faults planted."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Board
    from wakeboard.harness.describe.sequence.sequence import Sequence as StepSequence
    from wakeboard.harness.rehearse.followed import Followed
    from wakeboard.harness.run.runner import Result
    from wakeboard.instruments.virtual.bench import VirtualBench
    from wakeboard.instruments.virtual.circuit import Fault
    from wakeboard.instruments.virtual.time.instant import Heard, Instant, States
    from wakeboard.results.records import Step

UNIT: Final = "rehearsal"
"""The serial number of the rehearsed unit: its parts and instruments are the same in every trial."""

SEVERITY: Final = {"pass": 0, "skipped": 0, "marginal": 1, "fail": 2, "tripped": 3, "error": 4}


@dataclass(frozen=True)
class Burn:
    """A part past an absolute maximum: rating ("voltage", "current", "power"), V, A or W reached, allowed; the step."""

    part: str
    rating: str
    reached: float
    allowed: float
    step: int


@dataclass(frozen=True)
class Trial:
    """What a run showed. readings: (step, of, quantity, state) -> outcome; names: step -> name."""

    faults: tuple[str, ...]
    outcome: str
    readings: Mapping[tuple[int, str, str, str], str]
    steps: Mapping[int, str]
    names: Mapping[int, str]
    states: frozenset[str]
    burns: tuple[Burn, ...] = ()
    trip: tuple[int, str] | None = None
    error: str = ""
    ended: Mapping[int, float] = field(default_factory=dict)

    def caught_at(self, good: Trial) -> int | None:
        """The first step that shows more than the fault-free board's: a worse reading, a worse step, a trip."""
        found = [number for number, outcome in self.steps.items() if _worse(outcome, good.steps.get(number, "pass"))]
        found += [key[0] for key, outcome in self.readings.items() if _worse(outcome, good.readings.get(key, "pass"))]
        found += [self.trip[0]] if self.trip and good.trip is None else []
        missing = [number for number in good.steps if number not in self.steps]
        if not found and missing:
            found = missing
        return min(found) if found else None


def _worse(outcome: str, than: str) -> bool:
    return SEVERITY[outcome] > SEVERITY[than]


def read_trial(faults: Sequence[Fault], result: Result, overstress: Sequence[object]) -> Trial:
    """A finished run as a trial."""
    record = result.record
    ended = {step.number: step.ended for step in record.steps}
    return Trial(
        faults=tuple(str(fault) for fault in faults),
        outcome=record.outcome or "error",
        readings={
            (step.number, reading.of, reading.quantity, reading.state): reading.outcome
            for step in record.steps
            for reading in step.readings
        },
        steps={step.number: step.outcome for step in record.steps},
        names={step.number: step.name for step in record.steps},
        states=frozenset(reading.state for step in record.steps for reading in step.readings),
        burns=tuple(_burns(overstress, ended)),
        trip=(record.trip.step, record.trip.rule) if record.trip else None,
        error=str(result.error) if result.error and record.outcome == "error" else "",
        ended=ended,
    )


def _burns(overstress: Sequence[Any], ended: Mapping[int, float]) -> Iterator[Burn]:
    for found in overstress:
        later = [number for number, end in ended.items() if found.time <= end]
        step = min(later) if later else max(ended, default=0)
        yield Burn(found.part, found.rating, found.reached, found.allowed, step)


@dataclass(frozen=True)
class Course:
    """How the fault-free board went through a sequence. ahead: after each step, how the bench still came to stand."""

    trial: Trial
    ahead: Mapping[int, Sequence[Heard]]

    def shows(self, step: Step) -> bool:
        """Whether a step shows more than it did there."""
        good = self.trial
        readings = {(step.number, each.of, each.quantity, each.state): each.outcome for each in step.readings}
        return _worse(step.outcome, good.steps.get(step.number, "pass")) or any(
            _worse(outcome, good.readings.get(key, "pass")) for key, outcome in readings.items()
        )


class Shared:
    """What all trials of a board share in a process: the compiled circuit, and the readings predicted from it.

    begins: the states of the fault-free board, at which a faulty one's are looked for; set once, before any trial with
    faults, so that a trial is the same whichever was run before it.
    """

    def __init__(self, board: Board, planted: Sequence[Sequence[Fault]] = (), bleed: bool = True) -> None:
        """planted: every set of faults that will be asked for; room for the pins that they lift is made once. bleed:
        whether the bench has its known resistor."""
        from wakeboard.harness.rehearse.direct import Facts
        from wakeboard.harness.rehearse.specimen import settled_on
        from wakeboard.harness.run.bench.virtual import prepare_board, target_spec, virtual_bench
        from wakeboard.harness.run.predict import CircuitLimits
        from wakeboard.instruments.virtual.circuit import Variant

        self.prepared = settled_on(prepare_board(board), UNIT)
        self.prepared.model.lift([Variant(tuple(faults)) for faults in planted])
        self.predictor = CircuitLimits(board)
        self.target = target_spec(board)
        self.begins: States = {}
        self.facts = Facts.of(virtual_bench(board, unit=UNIT, prepared=self.prepared, drawn=False), bleed)


def run_trial(sequence: StepSequence, faults: Sequence[Fault], shared: Shared, course: Course | None = None) -> Trial:
    """One run with faults planted. Raises nothing of the run: what broke it off stands in the trial.

    course: how the fault-free board went. The run then ends with the first step that shows more than there, if in
    whatever was still to come there no part comes near a rating: nothing of it could change the judgement.
    """
    runner, virtual = _run(sequence, faults, shared, course)
    if runner.may_burn:
        runner, virtual = _run(sequence, faults, shared)
    return read_trial(faults, runner.result, virtual.overstress)


def fault_free(sequence: StepSequence, shared: Shared) -> Course:
    """The run of the fault-free board; its states are kept in `shared`."""
    runner, virtual = _run(sequence, [], shared)
    simulation = _settled(virtual)
    shared.begins = simulation.known
    ahead = {number: tuple(dict.fromkeys(simulation.course[past:])) for number, past in runner.past.items()}
    return Course(read_trial([], runner.result, virtual.overstress), ahead)


def _settled(virtual: VirtualBench) -> Instant:
    from wakeboard.instruments.virtual.time.instant import Instant

    assert isinstance(virtual.simulation, Instant)
    return virtual.simulation


def _run(
    sequence: StepSequence, faults: Sequence[Fault], shared: Shared, course: Course | None = None
) -> tuple[Followed, VirtualBench]:
    from wakeboard.harness.rehearse.direct import open_direct
    from wakeboard.harness.rehearse.followed import Followed
    from wakeboard.instruments.virtual.bench import VirtualBench
    from wakeboard.results.records import RunStart

    board, plants = sequence.board, [str(fault) for fault in faults]
    start = RunStart(
        UNIT, board.name, board.revision, board.text, sequence.title, sequence.text, plants=plants, virtual=True
    )
    virtual = VirtualBench(
        shared.prepared, unit=UNIT, faults=faults, target=shared.target, drawn=False, transients=False,
        begins=shared.begins,
    )  # fmt: skip
    with open_direct(board, virtual, shared.facts) as bench:
        runner = Followed(sequence, bench, start, shared.predictor, _settled(virtual), course)
        runner.result = runner.run()
    return runner, virtual
