"""Run, review, rehearse, explain, compare, rework: each in one call.

>>> import wakeboard as wb
>>> folder = wb.skep("skep")
>>> wb.review(folder / "board.toml")[0].serious
True
>>> result = wb.run(folder / "first-power-on.toml", unit="SK-A-001", store=folder / "wakeboard.db")
>>> result.outcome, result.off.confirmed
('fail', True)
>>> wb.explain(result).best.faults
('U5.NRST:pull_up=...k',)
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

from wakeboard.harness.script.given import PathLike, a_bench, a_board, a_sequence, a_store, faults_of

if TYPE_CHECKING:
    from wakeboard.harness.describe.bench import Bench
    from wakeboard.harness.describe.board.board import Board
    from wakeboard.harness.describe.sequence.sequence import Sequence as StepSequence
    from wakeboard.harness.explain.explanation import Explanation
    from wakeboard.harness.rehearse.rehearsal import Rehearsal
    from wakeboard.harness.review.concern import Concern
    from wakeboard.harness.run.ports import Observer
    from wakeboard.harness.run.runner import Result
    from wakeboard.instruments.virtual.circuit import Fault
    from wakeboard.results.compare.compare import Comparison
    from wakeboard.results.records import Rework, RunRecord
    from wakeboard.results.store.store import Store


def run(
    sequence: StepSequence | PathLike,
    *,
    unit: str,
    bench: Bench | PathLike | None = None,
    plants: Sequence[str] | None = None,
    store: Store | PathLike | None = None,
    energise: bool = False,
    observer: Observer | None = None,
    operator: str | None = None,
) -> Result:
    """One unit through one sequence, everything off at its end.

    bench: None for the virtual one; plants: faults in the virtual board, None for what units.toml beside the board has;
    store: where the run is kept as it goes, None: nowhere; energise: stands for a person's key at a real bench.

    The result has `outcome` ("pass", "fail", "marginal", "tripped", "error"), `record` (steps with readings, numbers in
    base units), `off.confirmed`, and `error`: what broke it off. A unit that fails raises nothing. Raises FileProblems,
    Refused (a real bench without `energise`), BenchError (it cannot be opened), StoreError.
    """
    from wakeboard.harness.run.session import take_unit

    loaded = a_sequence(sequence)
    described = a_bench(bench, loaded.board)
    options: dict[str, Any] = {
        "unit": unit, "described": described, "plants": tuple(faults_of(loaded.board, unit, plants, described)),
        "energise": energise, "observer": observer, "operator_name": operator,
    }  # fmt: skip
    if store is None:
        return take_unit(loaded, **options)
    with a_store(store, create=True) as opened:
        return take_unit(loaded, store=opened, **options)


def review(board: Board | PathLike) -> list[Concern]:
    """The concerns of a design, serious ones first: rule, nets, path, state, value with unit, says, do.

    Raises FileProblems; ValueError for a board without parts; CircuitError where it cannot be solved.
    """
    from wakeboard.harness.review.review import review_board

    return review_board(a_board(board))


def rehearse(
    sequence: StepSequence | PathLike,
    faults: Iterable[str | Sequence[str]] | None = None,
    *,
    draw: int | None = None,
    at_once: int = 2,
    seed: int = 1,
    workers: int | None = None,
    on: str | None = None,
    keep: PathLike | None = None,
) -> Rehearsal:
    """Plant faults, run the sequence on each, and sort: caught, escaped, equivalent, burned.

    faults: texts such as "D3:reversed", or several together; None: every single fault. draw: so many sets of `at_once`
    faults instead, drawn from the library by `seed`. workers: processes, one a core by default. on: "local" or
    "tcp://host:port", a Dask scheduler; keep: a file that holds what is done, so that a rehearsal that was broken off
    goes on there. The answer is the same wherever it was computed.

    Raises FileProblems, CircuitError (a fault that the board cannot have), NoRehearsal, SpreadError.
    """
    from wakeboard.harness.rehearse.rehearsal import drawn_sets, rehearse

    loaded = a_sequence(sequence)
    planted = _sets(faults) if faults is not None else None
    if draw is not None:
        planted = drawn_sets(loaded.board, draw, at_once, seed)
    return rehearse(loaded, planted, workers=workers, on=on, keep=None if keep is None else os.fspath(keep))


def _sets(faults: Iterable[str | Sequence[str]]) -> list[list[Fault]]:
    from wakeboard.instruments.virtual.circuit import parse_fault

    return [[parse_fault(text) for text in ([each] if isinstance(each, str) else each)] for each in faults]


def explain(
    what: Result | RunRecord | Store | PathLike,
    run: str | None = None,
    *,
    others: Iterable[Result | RunRecord] = (),
    pairs: bool = True,
) -> Explanation:
    """What accounts for the odd readings of a run: `groups` of faults with probabilities, `lines` with their bodge,
    `next` measurements with their information in bits.

    what: a result or record, weighed together with `others` of the same board; or a store and, of its runs, `run` (an
    id, its first letters, a unit: its latest run, None: the latest), weighed together with the other units there.
    pairs: look for two faults where one does not do. Raises CannotExplain, StoreError.
    """
    from wakeboard.harness.explain.explaining import explain_case, explain_run
    from wakeboard.results.records import RunRecord
    from wakeboard.results.store.store import Store

    if isinstance(what, Store | str | os.PathLike):
        with a_store(what) as store:
            return explain_run(store, run, pairs=pairs)
    first, *rest = [_case(each if isinstance(each, RunRecord) else each.record) for each in (what, *others)]
    return explain_case(first, rest, pairs=pairs)


def _case(record: RunRecord) -> Any:
    from wakeboard.harness.explain.unit.cases import BoardModel, CannotExplain, Case, board_of_run

    if not record.readings():
        raise CannotExplain(f"the run of {record.unit} has no readings: there is nothing to explain")
    return Case(record, BoardModel.of(board_of_run(record)))


def compare(store: Store | PathLike, board: str | None = None, *, reference: str | None = None) -> Comparison:
    """Units side by side, as their latest runs left them: what is common, what is one unit's, outliers.

    board: its name, needed where a store has several. reference: a unit known to be good. Raises StoreError.
    """
    from wakeboard.results.compare.compare import compare_store

    with a_store(store) as opened:
        return compare_store(opened, board or _only(opened), reference=reference)


def _only(store: Store) -> str:
    from wakeboard.results.store.errors import StoreError

    boards = store.boards()
    if len(boards) != 1:
        raise StoreError(f"say which board: {', '.join(boards) or 'the store knows none yet'}", kind="usage")
    return boards[0]


def rework(
    store: Store | PathLike, unit: str, text: str, faults: Sequence[str] = (), *, board: str | None = None
) -> Rework:
    """Note what was done to a unit; its circuit follows in later runs. faults: what it does to the circuit, such as
    "RADIO_RST+GND:bridge=1.1k". Raises StoreError (no such unit), CircuitError (a text that is no fault)."""
    from wakeboard.instruments.virtual.circuit import parse_fault
    from wakeboard.results.ledger.ledger import Ledger

    texts = [str(parse_fault(each)) for each in ([faults] if isinstance(faults, str) else faults)]
    with a_store(store) as opened:
        return Ledger(opened).add_rework(unit, text, texts, board=board)
