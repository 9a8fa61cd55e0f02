"""Fitted values: a step that slopes mislead is not kept. Figures are made up; the expectation is arithmetic."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from wakeboard.harness.explain.evidence.uncertainty import Array
from wakeboard.harness.explain.evidence.whiten import Whitener
from wakeboard.harness.explain.rank.candidate import Candidate, log_prior
from wakeboard.harness.explain.rank.fitting import Fitter
from wakeboard.harness.explain.rank.pairs import _of_one_pin
from wakeboard.harness.explain.rank.suspects import suspects
from wakeboard.instruments.virtual.circuit import Circuit, Part
from wakeboard.instruments.virtual.circuit.bench.change import Change

KNEE = 2000.0
READ = math.log(3000.0)
IO = {"SDA": {"type": "open_drain", "rail": "VDD"}}
BUS = Circuit(
    [
        Part("U1", "chip", {"VDD": "V", "GND": "GND", "SDA": "SDA"}, {"io": IO, "supply": {"VDD": {"draws": 1e-3}}}),
        Part("R1", "resistor", {"1": "V", "2": "SDA"}, {"value": 4700.0}),
    ],
    ground="GND",
)


def reads(change: Change) -> float:
    """Rises with the pull's ohms up to a knee, and falls ten times as fast from there: nothing reads READ."""
    over = math.log(change.faults[0].ohms / KNEE)
    return math.log(KNEE) + (over if over < 0 else -10 * over)


class Knee:
    """A likelihood of one reading."""

    evidence = SimpleNamespace(y=np.array([READ]))

    def nearly(
        self, changes: Sequence[Change], only: Sequence[int] | None = None, near: Sequence[Change] | None = None
    ) -> Array:
        return np.array([[reads(change)] for change in changes])

    def scored(self, c: Candidate) -> Candidate:
        return replace(c, log_likelihood=-0.5 * float((c.mean[0] - READ) ** 2))


def test_a_value_that_slopes_lead_past_a_knee_stays_where_it_fitted() -> None:
    suspect = next(s for s in suspects(BUS, control_nets=["SDA"]) if s.text.startswith("U1.SDA:pull_down"))
    begun = Candidate((suspect,), (1900.0,), np.zeros(1), np.eye(1), log_prior([suspect]))
    fitter = Fitter(Knee(), Whitener(np.eye(1)), [0])  # type: ignore[arg-type]
    (led,) = fitter.step([begun], [fitter.white])
    assert led.values[0] is not None
    assert led.values[0] > KNEE
    assert abs(reads(led.change) - READ) > 3
    (kept,) = fitter.refine([begun])
    assert kept.values[0] == pytest.approx(1900.0)
    assert kept.spreads


def test_one_pin_is_on_one_net() -> None:
    assert _of_one_pin("R14.1:net=GND", "R14.1:net=+1V8")
    assert not _of_one_pin("R14.1:net=GND", "R14.2:net=GND")
    assert not _of_one_pin("U1.SDA:pull_up={}", "U1.SDA:pull_down={}")
