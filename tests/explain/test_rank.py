"""Ranking and information gain against the published three-multiplier, two-adder example, and closed forms.

de Kleer and Williams, Diagnosing multiple faults, Artificial Intelligence 32 (1987) 97-130: X = A·C (M1), Y = B·D (M2),
Z = C·E (M3), F = X + Y (A1), G = Y + Z (A2); inputs 3, 2, 2, 3, 3; observed F = 10, G = 12 where 12 and 12 are right.
Entropies recomputed by exact enumeration for priors of 0.01 and 16 values of an unpredicted output. Other figures are
worked out by hand beside each check, from the textbook definitions of entropy, Bayes' theorem and the normal density.
"""

import itertools
import math

import numpy as np
import pytest

from wakeboard.harness.explain.choose import least_effort as nxt
from wakeboard.harness.explain.rank import rank
from wakeboard.harness.explain.rank.rank import Hypothesis

PARTS = ("M1", "M2", "M3", "A1", "A2")
INPUTS = {"A": 3, "B": 2, "C": 2, "D": 3, "E": 3}
VALUES = 16


def relations(broken: frozenset[str]) -> list[tuple[str, str, str]]:
    """Adders that work, as out = left + right."""
    return [(o, a, b) for part, o, a, b in (("A1", "F", "X", "Y"), ("A2", "G", "Y", "Z")) if part not in broken]


def propagate(broken: frozenset[str], observed: dict[str, int]) -> dict[str, int] | None:
    """Values that follow from the working parts and what was observed; None where they contradict."""
    known = dict(observed)
    for part, out, a, b in (("M1", "X", "A", "C"), ("M2", "Y", "B", "D"), ("M3", "Z", "C", "E")):
        if part not in broken:
            value = INPUTS[a] * INPUTS[b]
            if known.setdefault(out, value) != value:
                return None
    for _ in range(4):
        for out, a, b in relations(broken):
            follows = []
            if a in known and b in known:
                follows.append((out, known[a] + known[b]))
            if out in known and a in known:
                follows.append((b, known[out] - known[a]))
            if out in known and b in known:
                follows.append((a, known[out] - known[b]))
            for name, value in follows:
                if known.setdefault(name, value) != value:
                    return None
    return known


def log_likelihood(broken: frozenset[str]) -> float:
    """Observed F = 10, then G = 12: 1 if predicted, 0 if contradicted, 1/16 if nothing predicts it."""
    total, seen = 0.0, {}
    for name, value in (("F", 10), ("G", 12)):
        before = propagate(broken, seen)
        assert before is not None
        if name in before:
            if before[name] != value:
                return -math.inf
        else:
            total -= math.log(VALUES)
        seen[name] = value
        if propagate(broken, seen) is None:
            return -math.inf
    return total


def polybox() -> tuple[list[frozenset[str]], np.ndarray]:
    subsets = [frozenset(s) for n in range(6) for s in itertools.combinations(PARTS, n)]
    priors = [len(s) * math.log(0.01) + (5 - len(s)) * math.log(0.99) for s in subsets]
    return subsets, rank.posterior(priors, [log_likelihood(s) for s in subsets])


def outcome_table(subsets: list[frozenset[str]], probe: str) -> np.ndarray:
    table = np.zeros((len(subsets), 64))
    for row, broken in enumerate(subsets):
        known = propagate(broken, {"F": 10, "G": 12})
        if known is None:
            table[row, 0] = 1.0  # impossible already: weighs nothing
        elif probe in known:
            table[row, known[probe] + 20] = 1.0
        else:
            table[row, 20 : 20 + VALUES] = 1 / VALUES
    return table


def test_polybox_minimal_diagnoses() -> None:
    subsets, p = polybox()
    possible = [s for s, each in zip(subsets, p, strict=True) if each > 0]
    assert len(possible) == 27  # 27 of the 32 subsets are diagnoses
    expected = [{"A1"}, {"M1"}, {"A2", "M2"}, {"M2", "M3"}]
    least = [set(s) for s in possible if not any(other < s for other in possible)]
    assert sorted(least, key=lambda s: (len(s), sorted(s))) == expected


def test_polybox_posterior() -> None:
    subsets, p = polybox()
    by = {s: float(each) for s, each in zip(subsets, p, strict=True)}
    assert by[frozenset({"M1"})] == pytest.approx(0.49622, abs=5e-6)
    assert by[frozenset({"A1"})] == pytest.approx(0.49622, abs=5e-6)
    assert by[frozenset({"A1", "M1"})] == pytest.approx(0.00501, abs=5e-6)
    assert rank.entropy(p) == pytest.approx(1.0714, abs=5e-5)


@pytest.mark.parametrize(("probe", "after"), [("X", 0.0383), ("Y", 1.0635), ("Z", 1.0670)])
def test_polybox_expected_entropy(probe: str, after: float) -> None:
    subsets, p = polybox()
    joint = p[:, None] * outcome_table(subsets, probe)
    seen = [column for column in joint.T if column.sum() > 0]
    expected = sum(column.sum() * rank.entropy(column / column.sum()) for column in seen)
    assert expected == pytest.approx(after, abs=5e-5)


def normal(name: str, mean: list[float], sigma: float, prior: float = 0.5) -> Hypothesis:
    m = np.array(mean)
    return Hypothesis(name, math.log(prior), m, np.eye(len(m)) * sigma**2)


def test_information_of_a_perfect_reading_is_the_entropy() -> None:
    p = np.array([0.5, 0.25, 0.25])
    bits = nxt.information(p, np.array([0.0, 1.0, 2.0]), np.full(3, 1e-3))
    assert bits == pytest.approx(1.5, abs=1e-9)


def test_information_of_a_useless_reading_is_nothing() -> None:
    assert nxt.information(np.array([0.5, 0.5]), np.array([1.0, 1.0]), np.array([0.1, 0.1])) == pytest.approx(
        0, abs=1e-9
    )


def test_information_of_an_overlapping_pair() -> None:
    """Two equal hypotheses 2 sigma apart, against numerical integration of the definition."""
    from scipy.integrate import quad
    from scipy.stats import norm

    def integrand(y: float) -> float:
        own, other = norm.pdf(y, 1), norm.pdf(y, -1)
        return float(own * math.log2(own / (0.5 * own + 0.5 * other)))

    exact = quad(integrand, -8, 10)[0]
    bits = nxt.information(np.array([0.5, 0.5]), np.array([-1.0, 1.0]), np.array([1.0, 1.0]))
    assert bits == pytest.approx(exact, abs=5e-3)


def reading(point: str, mean: list[float], effort: float = 1.0, sigma: float = 0.1) -> nxt.Measurement:
    return nxt.Measurement(point, "dc volts", "as now", effort, np.array(mean), np.full(len(mean), sigma))


def test_what_ends_the_matter_goes_before_what_is_cheaper_for_a_bit() -> None:
    """2 bits for an effort of 1.9 against 0.81 for 1: three times in four another reading must follow the cheap one."""
    p = np.full(4, 0.25)
    cheap = reading("TP1", [0.0, 0.0, 0.0, 3.0])
    ends = reading("TP2", [0.0, 3.0, 6.0, 9.0], 1.9)
    bits = {c.measurement.point: c.bits for c in nxt.rank_measurements(p, [cheap, ends])}
    assert bits["TP1"] == pytest.approx(0.8113, abs=1e-3)  # the entropy of one in four
    assert bits["TP2"] == pytest.approx(2.0, abs=1e-6)
    ranked = nxt.rank_measurements(p, [cheap, ends])
    assert [c.measurement.point for c in ranked] == ["TP2", "TP1"]
    assert ranked[0].ahead == pytest.approx(1.9)
    # three times in four the cheap one leaves three, and then the other must follow (rare outcomes are not followed)
    assert ranked[1].ahead == pytest.approx(1 + 0.75 * 1.9, abs=3e-3)


def test_one_step_deeper_sees_that_no_single_reading_is_worth_the_price_of_the_best() -> None:
    """Eight places, four by four or two by two: TP4 and TP0 together end it; TP1 and TP2 leave halves, and a third
    reading must follow."""
    p = np.full(8, 0.125)
    halves = reading("TP0", [0, 0, 0, 0, 3, 3, 3, 3], 1.2)
    other = reading("TP1", [0, 3, 0, 3, 0, 3, 0, 3])
    by_pairs = reading("TP2", [0, 0, 3, 3, 0, 0, 3, 3])
    quarters = reading("TP4", [0, 3, 6, 9, 0, 3, 6, 9])
    ranked = nxt.rank_measurements(p, [halves, other, by_pairs, quarters])
    ahead = {c.measurement.point: c.ahead for c in ranked}
    assert [c.measurement.point for c in ranked][:2] == ["TP4", "TP0"]
    assert ahead["TP4"] == pytest.approx(1 + 1.2, abs=0.02)
    assert ahead["TP0"] == pytest.approx(1.2 + 1, abs=0.02)
    assert ahead["TP1"] > 2.5


def test_what_no_measurement_tells_apart_is_one_group_and_ends_it() -> None:
    p = np.array([0.6, 0.39, 0.01])
    near = [reading("TP1", [0.0, 0.1, 3.0]), reading("TP2", [0.0, 0.0, 2.0])]
    assert nxt.told_apart(p, near) == [[0, 1], [2]]
    assert nxt.rank_measurements(p, near) == []
    apart = [*near, reading("TP3", [0.0, 1.0, 0.0])]
    assert nxt.told_apart(p, apart) == [[0], [1], [2]]
    assert [c.measurement.point for c in nxt.rank_measurements(p, apart)][:1] == ["TP3"]


def test_effort_can_outweigh_information() -> None:
    p = np.array([0.5, 0.5])
    touch = nxt.Measurement("TP1", "dc volts", "as now", 1.0, np.array([0.0, 0.2]), np.array([0.1, 0.1]))
    lift = nxt.Measurement("U5", "lift", "off", 30.0, np.array([0.0, 9.0]), np.array([0.1, 0.1]))
    useless = nxt.Measurement("TP2", "dc volts", "as now", 1.0, np.array([1.0, 1.0]), np.array([0.1, 0.1]))
    ranked = nxt.rank_measurements(p, [lift, useless, touch])
    assert [c.measurement.point for c in ranked] == ["TP1", "U5"]
    assert ranked[1].bits > ranked[0].bits


def test_posterior_of_gaussians_is_bayes() -> None:
    y = np.array([0.3, 0.1])
    hypotheses = [normal("none", [0, 0], 0.1, 0.9), normal("pull", [0.3, 0.1], 0.1, 0.1)]
    logs = [rank.log_gaussian(y, h.mean, h.covariance) for h in hypotheses]
    p = rank.posterior([h.log_prior for h in hypotheses], logs)
    odds = 0.1 / 0.9 * math.exp(0.5 * (0.3**2 + 0.1**2) / 0.01)
    assert p[1] / p[0] == pytest.approx(odds)


def test_log_gaussian_agrees_with_scipy() -> None:
    from scipy.stats import multivariate_normal

    rng = np.random.default_rng(5)
    a = rng.normal(size=(6, 6))
    covariance, y, mean = a @ a.T + np.eye(6), rng.normal(size=6), rng.normal(size=6)
    assert rank.log_gaussian(y, mean, covariance) == pytest.approx(multivariate_normal(mean, covariance).logpdf(y))


def test_indistinguishable_hypotheses_are_one_group() -> None:
    hypotheses = [normal("a", [1, 2], 0.1), normal("b", [1.05, 2], 0.1), normal("c", [3, 2], 0.1)]
    assert rank.group(hypotheses, np.array([0.2, 0.5, 0.3])) == [[1, 0], [2]]


def test_something_else_takes_what_nothing_predicts() -> None:
    nominal = normal("none", [3.3, 1.8, 0.0, 0.0], 0.02)
    groups, widths = ["+3V3", "+1V8", "RST", "RST"], np.full(4, 1.5)
    quiet, freed = rank.log_something_else(np.array([3.31, 1.8, 0.0, 0.01]), nominal, groups, widths)
    assert not freed
    assert quiet < rank.log_gaussian(np.array([3.31, 1.8, 0.0, 0.01]), nominal.mean, nominal.covariance)
    odd = np.array([3.31, 1.8, 1.2, 1.25])
    loud, freed = rank.log_something_else(odd, nominal, groups, widths)
    assert freed == {"RST"}
    assert loud > rank.log_gaussian(odd, nominal.mean, nominal.covariance)
    fitting = normal("pull", [3.3, 1.8, 1.21, 1.24], 0.02)
    assert rank.log_gaussian(odd, fitting.mean, fitting.covariance) > loud


def test_a_fitted_parameter_is_charged() -> None:
    """Flat prior over 1 % .. 100 %: a parameter known to 1 % of its range costs about log(0.025)."""
    sigma = 0.01 * math.log(100)
    assert rank.occam_factor(math.log(100), 1 / sigma**2) == pytest.approx(math.log(0.01 * math.sqrt(2 * math.pi)))
    assert rank.occam_factor(math.log(100), 0.0) == 0.0


def test_agreement_names_each_reading() -> None:
    assert rank.agreement(normal("a", [0, 0], 0.1), np.array([0.29, 0.31])).tolist() == [True, False]


def test_a_reading_a_little_off_agrees_where_the_others_put_it_there() -> None:
    """Two readings that one unknown moves alike: both 3.3 deviations off are one surprise, the second none beside it;
    at 4.5 each is odd all the same."""
    alike = rank.Hypothesis("a", 0.0, np.zeros(2), np.array([[1.0, 0.99], [0.99, 1.0]]))
    assert rank.agreement(alike, np.array([3.3, 3.3])).all()
    assert not rank.agreement(alike, np.array([4.5, 4.5])).any()
    assert rank.agreement(alike, np.array([3.3, 2.8])).tolist() == [False, True]


def test_nothing_possible_is_an_error() -> None:
    with pytest.raises(ValueError, match="no hypothesis is possible"):
        rank.posterior([0.0, 0.0], [-math.inf, -math.inf])
