"""A rehearsal is the same as `run --plant`: settled against transients, instruments driven straight against their
command languages. Forty faults of the demo board are compared by tests/benchmarks/rehearse.py --same; here a few of it
and a few of a small board, so that the suite stays quick."""

from __future__ import annotations

import random
from dataclasses import replace
from pathlib import Path

import wren

from wakeboard.harness.describe.load import load_sequence
from wakeboard.harness.rehearse.reach import fault_library
from wakeboard.harness.rehearse.trial import UNIT, Shared, run_trial
from wakeboard.harness.run.bench.virtual import prepare_board
from wakeboard.harness.run.session import take_unit
from wakeboard.instruments.virtual.circuit import Fault
from wakeboard.instruments.virtual.circuit.faults.alike import alike

FAULTS = 12
SKEP = Path(__file__).parents[2] / "sequences" / "demo" / "skep" / "first-power-on.toml"


def test_outcomes_of_every_step_are_those_of_a_run_with_the_fault_planted(tmp_path: Path) -> None:
    sequence = load_sequence(wren.write(tmp_path))
    shared = Shared(sequence.board)
    picked = random.Random(5).sample(fault_library(sequence.board), FAULTS)
    trials = [run_trial(sequence, [fault], shared) for fault in picked]
    assert len({tuple(trial.steps.values()) for trial in trials}) > 2  # not all of a kind, or nothing is compared
    for fault, trial in zip(picked, trials, strict=True):
        alone = take_unit(sequence, unit=UNIT, plants=[str(fault)], predictor=shared.predictor)
        assert {step.number: step.outcome for step in alone.record.steps} == dict(trial.steps), str(fault)
        assert alone.outcome == trial.outcome


def test_the_demo_boards_outcomes_are_those_of_a_run_as_well() -> None:
    """A few of the forty that the benchmark compares: each run with transients takes seconds."""
    sequence = load_sequence(SKEP)
    shared, prepared = Shared(sequence.board), prepare_board(sequence.board)
    picked = random.Random(3).sample(fault_library(sequence.board), 6)
    trials = [run_trial(sequence, [fault], shared) for fault in picked]
    assert len({tuple(trial.steps.values()) for trial in trials}) > 1
    for fault, trial in zip(picked, trials, strict=True):
        alone = take_unit(sequence, unit=UNIT, plants=[str(fault)], prepared=prepared, predictor=shared.predictor)
        assert {step.number: step.outcome for step in alone.record.steps} == dict(trial.steps), str(fault)


def test_faults_that_are_run_once_for_all_of_a_kind_give_the_same_when_each_is_run(tmp_path: Path) -> None:
    sequence = load_sequence(wren.write(tmp_path))
    shared = Shared(sequence.board)
    kinds: dict[object, list[tuple[Fault, ...]]] = {alike(shared.prepared.circuit, []): [()]}
    for fault in fault_library(sequence.board):
        kinds.setdefault(alike(shared.prepared.circuit, [fault]), []).append((fault,))
    groups = [group for group in kinds.values() if len(group) > 1]
    assert sum(len(group) for group in groups) >= 5  # both capacitors: missing, smaller, larger
    for group in groups:
        first, *others = (run_trial(sequence, planted, shared) for planted in group)
        for other in others:
            assert replace(other, faults=first.faults) == first


def test_the_rehearsed_unit_is_the_unit_of_that_serial_number(tmp_path: Path) -> None:
    """Values written in once give the same operating point as values drawn by the serial number."""
    from wakeboard.harness.rehearse.specimen import settled_on
    from wakeboard.instruments.virtual.bench import unit_seed
    from wakeboard.instruments.virtual.circuit import Variant

    prepared = prepare_board(load_sequence(wren.write(tmp_path)).board)
    on = {"bench_USB.on": True, "bench_USB.volts": 5.0, "bench_USB.limit": 0.1}
    drawn = prepared.model.solve([Variant(values=on, seed=unit_seed(UNIT))]).require()
    written = settled_on(prepared, UNIT).model.solve([Variant(values=on)]).require()
    nominal = prepared.model.solve([Variant(values=on)]).require()
    assert float(written.net("+3V3")[0]) == float(drawn.net("+3V3")[0])
    assert float(written.net("+3V3")[0]) != float(nominal.net("+3V3")[0])
