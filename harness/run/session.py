"""One run from files to result: the bench opened, the store told, the operator asked, everything off at the end.

result = take_unit(sequence, unit="SK-A-001")                           the virtual bench, nothing kept
result = take_unit(sequence, unit="SK-A-001", described=bench, store=store, observer=observer)
"""

from __future__ import annotations

import contextlib
import getpass
import platform
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from wakeboard.harness.describe.sequence.steps import step_kinds
from wakeboard.harness.run import presses
from wakeboard.harness.run.bench.opening import open_real, open_virtual
from wakeboard.harness.run.errors import OperatorStop, OutputsOn, OwnStepFault, Refused
from wakeboard.harness.run.hand.clearance import WITHOUT, asked_each_time, nobody, settled
from wakeboard.harness.run.predict import CircuitLimits
from wakeboard.harness.run.record import NullRecorder, StoreRecorder
from wakeboard.harness.run.runner import Result, Runner
from wakeboard.instruments.errors import BenchError
from wakeboard.results.records import RunStart

if TYPE_CHECKING:
    from wakeboard.harness.describe.bench import Bench
    from wakeboard.harness.describe.board.board import Board
    from wakeboard.harness.describe.sequence.sequence import Sequence as StepSequence
    from wakeboard.harness.describe.sequence.step_model import StepModel
    from wakeboard.harness.run.bench.bench import OpenBench
    from wakeboard.harness.run.hand.byhand import SteadyHands
    from wakeboard.harness.run.hand.operator import Operator
    from wakeboard.harness.run.ports import Observer
    from wakeboard.results.store.store import Store

UNITS_FILE = "units.toml"


def take_unit(
    sequence: StepSequence,
    *,
    unit: str,
    described: Bench | None = None,
    plants: Sequence[str] = (),
    store: Store | None = None,
    observer: Observer | None = None,
    operator: Operator | None = None,
    before: Callable[[OpenBench], None] | None = None,
    predictor: CircuitLimits | None = None,
    prepared: object = None,
    operator_name: str | None = None,
    more: Callable[[Runner], StepModel | None] | None = None,
    energise: bool = False,
) -> Result:
    """Take one unit through a sequence. Raises BenchError where the bench cannot be opened; nothing is on then.

    described: the bench file; None: the virtual bench in process, with `plants` in the unit. before: called with the
    opened bench before the first step (cautions, confirmation); what it raises ends the run before it begins. more:
    gives further steps after the sequence's own. energise: stands for the key of a person at a real bench, where there
    is no `operator`.
    """
    board = sequence.board
    if described is not None and operator is None and not energise and _energises(sequence, more):
        raise Refused(f"the sequence switches power on, {WITHOUT}")
    reworked = rework_faults(store, unit, board)
    if described is not None and plants:
        raise Refused("faults can be planted in the virtual bench only, not in a board on a real one")
    opened = open_bench(sequence, unit, described, (*plants, *reworked), operator, prepared, energise)
    with presses.guarded(), _closed(opened) as bench:
        if before is not None:
            before(bench)
        start = run_start(sequence, bench, unit, plants, operator_name)
        runner = Runner(
            sequence,
            bench,
            start,
            recorder=StoreRecorder(store) if store is not None else NullRecorder(),
            observer=observer,
            predictor=predictor or CircuitLimits(board, in_force(reworked)),
            asker=operator.ask if operator is not None else None,
            more=more,
        )
        if operator is not None:
            operator.beat = runner.context.time.pulse
            operator.power = runner.context.power.says
        return runner.run()


@contextlib.contextmanager
def _closed(bench: OpenBench) -> Iterator[OpenBench]:
    """The bench is closed at the end, and what breaks the block off says whether the outputs are off. Raises OutputsOn
    where they are not seen to be."""
    try:
        yield bench
    except BaseException as error:
        presses.hold()
        bench.close()
        left = bench.guard.left
        if left is None or not left.confirmed:
            says = left.says() if left is not None else "outputs not confirmed off: the guard did not say"
            raise OutputsOn(f"{says}; {error or type(error).__name__}") from error
        error.add_note(left.says())
        raise
    finally:
        bench.close()


def _energises(sequence: StepSequence, more: object) -> bool:
    """Whether a step may switch an output on; those that an explanation adds do."""
    return more is not None or any(step_kinds()[model.do].needs.energises for model in sequence.steps)


def open_bench(
    sequence: StepSequence, unit: str, described: Bench | None, plants: Iterable[str], operator: Operator | None,
    prepared: Any, energise: bool,
) -> OpenBench:  # fmt: skip
    """The bench with the unit on it. Raises BenchError."""
    board = sequence.board
    if described is None:
        return open_virtual(board, unit=unit, plants=tuple(plants), prepared=prepared)
    _must_feed(sequence, described)
    if operator is None:
        return open_real(board, described, clear_hands=settled if energise else nobody)
    hands = steady_hands(operator)
    by_hand = described.probing.by == "hand"
    clear = asked_each_time(operator) if by_hand else settled  # relays: the key at the run's beginning

    def move_leads(supply: str) -> None:
        entry = board.supplies[supply]
        operator.move_leads(supply, f"{entry.place or 'place not given'}   net {entry.net}")

    bench = open_real(board, described, tell=operator.tell, hands=hands, clear_hands=clear, move_leads=move_leads)
    hands.attach(bench)
    return bench


def _must_feed(sequence: StepSequence, described: Bench) -> None:
    """Raises BenchError where the sequence switches a supply on that no output of the bench feeds."""
    wanted = dict.fromkeys(
        str(getattr(model, "supply", "")) for model in sequence.steps if step_kinds()[model.do].needs.energises
    )
    missing = [name for name in wanted if name and name not in {**described.supplies, **described.by_turns}]
    if missing:
        raise BenchError(f'no channel of the bench feeds {", ".join(missing)}: feeds = {{ 1 = "{missing[0]}" }}')


def steady_hands(operator: Operator) -> SteadyHands:
    """The operator's hands: one for a session, since it learns how this bench's open lead behaves."""
    if operator.hands is None:
        from wakeboard.harness.run.hand.byhand import SteadyHands

        operator.hands = SteadyHands(operator)
    hands: SteadyHands = operator.hands
    return hands


def rework_faults(store: Store | None, unit: str, board: Board) -> list[str]:
    """The fault texts of a unit's rework in force, oldest first."""
    done = store.rework_in_force(unit, board.name) if store is not None else []
    return [fault for each in done for fault in each.faults]


def in_force(texts: Sequence[str]) -> list[str]:
    """Without what was taken back by a later one."""
    from wakeboard.instruments.virtual.circuit import parse_fault
    from wakeboard.instruments.virtual.circuit.faults import fault

    return [str(each) for each in fault.in_force(map(parse_fault, texts))]


def run_start(
    sequence: StepSequence, bench: OpenBench, unit: str, plants: Sequence[str] = (), operator: str | None = None
) -> RunStart:
    """All that is known when the run begins."""
    board = sequence.board
    return RunStart(
        unit=unit,
        board_name=board.name,
        revision=board.revision,
        board_text=board.text,
        sequence_title=sequence.title,
        sequence_text=sequence.text,
        bench_text=bench.text,
        operator=operator if operator is not None else _user(),
        host=platform.node(),
        plants=tuple(plants),
        instruments=tuple(bench.instruments),
        virtual=bench.virtual is not None,
    )


def _user() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return ""


def planted(board: Board, unit: str, plants: Sequence[str] = ()) -> tuple[str, ...]:
    """What is planted in a unit of the virtual bench: what the units file beside the board says, then `plants`."""
    from wakeboard.harness.describe.load import load_units

    file = Path(board.file).parent / UNITS_FILE if board.file else None
    if file is None or not file.is_file():
        return tuple(plants)
    units = load_units(file)
    own = units.plants(unit) if unit in units.units else units.every.plant
    return (*own, *plants)


def exit_code(result: Result) -> int:
    """0 good, 1 the unit, 2 refused, 3 the bench, 4 the operator, 5 ourselves, 6 outputs not confirmed off."""
    if not result.off.confirmed:
        return 6
    error = result.error
    if isinstance(error, (KeyboardInterrupt, OperatorStop)):
        return 4
    if isinstance(error, BenchError):
        return 3
    if isinstance(error, (Refused, OwnStepFault)):
        return 2
    if error is not None and result.record.trip is None:
        return 5
    return {"pass": 0, "skipped": 0, "error": 3}.get(result.outcome, 1)


__all__ = ["Result", "exit_code", "planted", "run_start", "take_unit"]
