"""How long the runner may be silent: short pieces, each asked for anew, so that a hang inside is a hang of seconds."""

from __future__ import annotations

from typing import Any

import pytest

from wakeboard.harness.describe.load import load_board, load_sequence
from wakeboard.harness.describe.state import BenchState
from wakeboard.harness.run.bench.opening import open_virtual
from wakeboard.harness.run.errors import Tripped, power_cut
from wakeboard.harness.run.guard.core import Cut
from wakeboard.harness.run.predict import CircuitLimits, OhmsTest
from wakeboard.harness.run.runner import Runner
from wakeboard.harness.run.services.timing import COMPUTE_LEASE, KEEP_LEASE, SLICE_LEASE
from wakeboard.harness.run.session import run_start
from wakeboard.instruments.virtual.circuit.bench import spread

STATE = BenchState({"USB": (5.0, 0.12)})


def test_no_run_asks_for_the_lease_of_an_explanation(toy: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    text = toy.board.read_text().replace('volts = "3.3 V ± 3 %"', 'volts = "3.3 V"')
    toy.board.write_text(text)
    sequence = load_sequence(toy.sequence)
    with open_virtual(sequence.board, unit="T-1") as bench:
        leases: list[float] = []
        beat = bench.guard.beat
        monkeypatch.setattr(bench.guard, "beat", lambda lease: (leases.append(lease), beat(lease)))
        Runner(sequence, bench, run_start(sequence, bench, "T-1")).run()
    assert SLICE_LEASE in leases
    assert max(leases) == KEEP_LEASE < COMPUTE_LEASE


def test_each_piece_of_a_computation_is_a_sign_of_life(toy: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(spread, "SLICE", 2)
    whole, pieces = CircuitLimits(load_board(toy.board)), CircuitLimits(load_board(toy.board))
    beats: list[int] = []
    nets = ["VIN", "+3V3"]
    pieces.prepare(STATE, nets, lambda: beats.append(1))
    whole.prepare(STATE, nets)
    assert len(beats) > 3
    for net in nets:
        one, other = whole.volts(STATE, net), pieces.volts(STATE, net)
        assert one is not None
        assert other is not None
        assert (one.low, one.high) == (pytest.approx(other.low), pytest.approx(other.high))
    beats.clear()
    pieces.loaded(STATE, "+3V3", 10e3, lambda: beats.append(1))
    pieces.ohms(OhmsTest("+3V3", 1e-4, 9.0), lambda: beats.append(1))
    assert len(beats) > 3


def test_a_cut_in_the_middle_of_a_computation_ends_it(toy: Any) -> None:
    def cut() -> None:
        raise power_cut("USB", Cut("over-current", 0.0, 5.0, 0.2, "too much"))

    with pytest.raises(Tripped):
        CircuitLimits(load_board(toy.board)).volts(STATE, "VIN", cut)
