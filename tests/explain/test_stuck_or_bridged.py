"""A stuck output or a pull, and a bridge of as many ohms, are one thing to every reading: both are told. So are a part
that is missing and the same part with so high a value that what stays between its pads may have it.

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
from wakeboard.harness.explain.rank.suspects import Suspect, suspects
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


def bridged(known: Sequence[Suspect], ohms: float) -> tuple[Likelihood, Candidate]:
    """A bridge from X to ground, its ohms known to 1 %."""
    bridge = next(s for s in known if s.same_as == "GND+X")
    evidence = Evidence(np.array([0.1]), np.array([0.01]), [("X", "net")], np.ones(1))
    likelihood = Likelihood(Flat(), evidence, [], prior([], [], np.zeros(1), ["X"], 0.0))  # type: ignore[arg-type]
    return likelihood, Candidate(
        (bridge,), (ohms,), np.array([0.1]), np.eye(1) * 1e-4, log_prior([bridge]), 2.0, occam=-5.0, spreads=(0.01,)
    )


@pytest.mark.parametrize(("ohms", "stuck"), [(0.5, False), (24.0, True), (40.0, True), (2e3, False)])
def test_a_bridge_of_an_outputs_ohms_may_be_a_stuck_output(ohms: float, stuck: bool) -> None:
    """25 Ω is what the library's stuck output has; by how much the ohms were known is 1 % here."""
    known = suspects(TWO)
    likelihood, found = bridged(known, ohms)
    (bridge,) = found.suspects
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


@pytest.mark.parametrize(("ohms", "pulled"), [(500.0, False), (5e3, True)])
def test_a_bridge_of_a_pulls_ohms_may_be_a_pull(ohms: float, pulled: bool) -> None:
    """A pull is searched from 1 kΩ to 600 kΩ, a bridge from 0.1 Ω to 10 kΩ (priors.toml): what fitting cost differs by
    the ratio of the logarithms of these ranges."""
    known = suspects(TWO, control_nets=["X"])
    likelihood, found = bridged(known, ohms)
    others = [c for c in twins(likelihood, [found], known) if c.suspects[0].category == "pull"]
    assert len(others) == pulled
    for other in others:
        assert {m.text for m in other.suspects[0].members} == {"U1.A:pull_down={}", "U2.B:pull_down={}"}
        assert (other.values, other.spreads) == ((ohms,), (0.01,))
        assert other.log_likelihood == pytest.approx(2.0)
        assert other.log_prior == pytest.approx(log_prior(other.suspects))
        assert other.occam == pytest.approx(-5.0 + math.log(math.log(1e5) / math.log(600)))


@pytest.mark.parametrize(("ohms", "gone"), [(4.7e3, False), (500e3, False), (1.5e6, True), (2.2e6, True)])
def test_a_resistor_at_the_end_of_its_values_may_be_missing(ohms: float, gone: bool) -> None:
    """Values are searched up to 2.2 MΩ (priors.toml), or ten times the drawn one where that is more."""
    board = Circuit([Part("R1", "resistor", {"1": "X", "2": "GND"}, {"value": 4.7e3})], ground="GND")
    known = suspects(board)
    (value,) = (s for s in known if s.text == "R1:value={}")
    assert value.high == pytest.approx(2.2e6)
    likelihood, _ = bridged(suspects(TWO), 1.0)
    found = Candidate(
        (value,), (ohms,), np.array([0.1]), np.eye(1) * 1e-4, log_prior([value]), 2.0, occam=-5.0, spreads=(0.01,)
    )
    others = list(twins(likelihood, [found], known))
    assert len(others) == gone
    for other in others:
        assert other.texts == ("R1:missing",)
        assert (other.values, other.spreads) == ((None,), ())
        assert other.log_likelihood == pytest.approx(2.0)
        assert other.log_prior == pytest.approx(log_prior(other.suspects))
        charged = math.log(math.sqrt(2 * math.pi) * 0.01 / value.log_range)
        assert other.occam == pytest.approx(-5.0 - charged + math.log(0.3))


def test_a_short_may_be_a_bridge_beside_the_part() -> None:
    """0.1 Ω, the least that is looked for (priors.toml), as likely over a factor of e."""
    board = Circuit(
        [
            Part("R1", "resistor", {"1": "X", "2": "Y"}, {"value": 120.0}),
            Part("R2", "resistor", {"1": "Y", "2": "GND"}, {"value": 680.0}),
        ],
        ground="GND",
    )
    known = suspects(board, adjacent=[("X", "Y")])
    (short,) = (s for s in known if s.text == "R1:short")
    assert (short.joins, short.ohms) == ("X+Y", pytest.approx(0.01))
    likelihood, _ = bridged(suspects(TWO), 1.0)
    found = Candidate((short,), (None,), np.array([0.1]), np.eye(1) * 1e-4, log_prior([short]), 2.0, occam=-1.0)
    (twin,) = twins(likelihood, [found], known)
    assert twin.texts == ("X+Y:bridge=0.1Ω",)
    assert twin.values == (pytest.approx(0.1),)
    assert len(twin.spreads) == 1
    assert twin.log_likelihood == pytest.approx(2.0)
    assert twin.log_prior == pytest.approx(log_prior(twin.suspects))
    assert twin.occam == pytest.approx(-1.0 + math.log(1 / math.log(1e5)))
    nowhere = suspects(board)  # no bridge between these is in the library
    assert not list(twins(likelihood, [found], nowhere))
