"""A stuck output and a bridge of as many ohms are one thing to every reading: both are told.

Source: Ohm's law, and the densities of normal distributions by hand. The circuit is invented.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest

from wakeboard.harness.explain.evidence.freedom import prior
from wakeboard.harness.explain.evidence.readings import Evidence
from wakeboard.harness.explain.rank.candidate import Candidate, log_prior
from wakeboard.harness.explain.rank.likelihood import Likelihood
from wakeboard.harness.explain.rank.suspects import suspects
from wakeboard.harness.explain.rank.twins import twins
from wakeboard.instruments.virtual.circuit import Circuit, Part

DRIVES = {"type": "output", "drive": "low", "ohms": 40.0}
TWO = Circuit(
    [
        Part("U1", "chip", {"VDD": "V", "GND": "GND", "A": "X"}, {"io": {"A": DRIVES}, "supply": {"VDD": {}}}),
        Part("U2", "chip", {"VDD": "V", "GND": "GND", "B": "X"}, {"io": {"B": DRIVES}, "supply": {"VDD": {}}}),
    ],
    ground="GND",
)


class Flat:
    """Every board reads the same."""

    def predict(self, changes: Sequence[object], **_: object) -> np.ndarray:
        return np.full((len(changes), 1), 0.1)

    def shifts(self, changes: Sequence[object], unknowns: Sequence[object]) -> np.ndarray:
        return np.zeros((len(changes), 0, 1))

    def slack(self, changes: Sequence[object]) -> np.ndarray:
        return np.zeros((len(changes), 1))


@pytest.mark.parametrize(("ohms", "stuck"), [(0.5, False), (24.0, True), (40.0, True), (2e3, False)])
def test_a_bridge_of_an_outputs_ohms_may_be_a_stuck_output(ohms: float, stuck: bool) -> None:
    """25 Ω is what the library's stuck output has; by how much the ohms were known is 1 % here."""
    known = suspects(TWO)
    bridge = next(s for s in known if s.same_as == "GND+X")
    evidence = Evidence(np.array([0.1]), np.array([0.01]), [("X", "net")], np.ones(1))
    likelihood = Likelihood(Flat(), evidence, [], prior([], [], np.zeros(1), ["X"], 0.0))  # type: ignore[arg-type]
    found = Candidate(
        (bridge,), (ohms,), np.array([0.1]), np.eye(1) * 1e-4, log_prior([bridge]), 2.0, occam=-5.0, spreads=(0.01,)
    )
    others = list(twins(likelihood, [found], known))
    assert len(others) == stuck
    for other in others:
        (suspect,) = other.suspects
        assert {m.text for m in suspect.members} == {"U1.A:stuck=low", "U2.B:stuck=low"}
        assert (other.values, other.spreads) == ((None,), ())
        assert other.log_likelihood == pytest.approx(2.0)
        assert other.log_prior == pytest.approx(log_prior([suspect]))
        charged = math.log(math.sqrt(2 * math.pi) * 0.01 / bridge.log_range)
        off = math.log(ohms / 25) / 0.5
        assert other.occam == pytest.approx(-5.0 - charged + math.log(0.01 / 0.5) - 0.5 * off**2)
