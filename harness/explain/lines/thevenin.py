"""Two loads give the source behind a line; what is fitted is taken out; what remains is the unknown pull.

Kirchhoff at the line, with conductances G = 1/R and every known load j going to V_j:

    source:   a - b V_i = I_i        I_i = sum_j (V_i - V_j) G_j      a = V_s G_s, b = G_s
    pull:     b' = b - sum_fitted G,  a' = a - sum_fitted G V,   R_pull = 1/b',  V_pull = a'/b'
    by rail:  G_pull = (I_i + sum_fitted (V_i - V) G - leak) / (V_rail - V_i)     from one reading alone

Every input is drawn once by name (JCGM 101), so what two readings share - the meter's gain, a resistor's tolerance -
cancels where it does cancel. Several readings of one rail are joined by generalised least squares.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from wakeboard.harness.explain.evidence.uncertainty import Array, Estimate, Input, draw, estimate
from wakeboard.harness.explain.lines.line_model import GROUND_RAIL, LineReading, Rail, Resistor

LEAST_OHMS, MOST_OHMS = 50.0, 20e6
"""What can be a pull at all: below is a driver or a short, above is leakage."""


@dataclass(frozen=True, slots=True)
class Source:
    """Thevenin source behind a line, loads taken out: volts and ohms."""

    volts: Estimate
    ohms: Estimate


@dataclass(frozen=True, slots=True)
class Pull:
    """An unknown pull: its ohms and where it goes (`to`: a rail, or "" where it goes to `volts`, which is no rail).

    A part that sources a current, whatever the volts, has `amps` instead of ohms. `misfit` is chi-square over `spare`
    degrees of freedom; `probability` is among the candidates for this line.
    """

    to: str
    volts: Estimate
    ohms: Estimate | None = None
    amps: Estimate | None = None
    misfit: float = 0.0
    spare: int = 0
    probability: float = 1.0


@dataclass(frozen=True, slots=True)
class Known:
    """All that is known, for every draw: true volts (m, N), load currents (m, N), fitted conductances, rail volts."""

    volts: Array
    currents: Array
    loads: Array  # conductance of the known loads at the best values (m,)
    fitted: list[tuple[Array, Array]]  # (conductance, volts) of each fitted resistor
    rails: Mapping[str, Array]
    leak: Array

    @property
    def total(self) -> Array:
        """Known conductance at the line in each reading, best values (m,)."""
        total: Array = self.loads + sum(float(g[0]) for g, _ in self.fitted)
        return total

    def unexplained(self, i: int) -> Array:
        """Current that an unknown must bring into the line in reading i, beyond what is fitted (A)."""
        known: Array = sum(((self.volts[i] - v) * g for g, v in self.fitted), start=np.zeros_like(self.leak))
        current: Array = self.currents[i] + known - self.leak
        return current


def _inputs(
    readings: Sequence[LineReading], fitted: Sequence[Resistor], rails: Iterable[Rail], leak: float
) -> list[Input]:
    inputs = [Input("leak", 0.0, leak)]
    for rail in rails:
        inputs += rail.inputs
    for i, reading in enumerate(readings):
        inputs += [*reading.meter.inputs, Input(f"scatter {i}", 0.0, reading.scatter, "normal")]
        inputs += [load.input for load in reading.loads]
    return inputs + [resistor.input for resistor in fitted]


def known(
    readings: Sequence[LineReading],
    fitted: Sequence[Resistor],
    rails: Mapping[str, Rail],
    leak_amps: float = 0.0,
    count: int = 4000,
    seed: int = 1,
) -> Known:
    """Draw everything known. KeyError names a load or pull that goes to an unknown rail."""
    rails = {**rails, GROUND_RAIL.name: GROUND_RAIL}
    drawn = draw(_inputs(readings, fitted, rails.values(), leak_amps), count, seed)
    at = {name: rail.true_volts(drawn) for name, rail in rails.items()}
    volts = np.array([r.meter.true_volts(r.volts, drawn) - drawn[f"scatter {i}"] for i, r in enumerate(readings)])
    currents = np.array(
        [sum((volts[i] - at[x.to]) / drawn[x.input.name] for x in r.loads) for i, r in enumerate(readings)]
    ).reshape(volts.shape)
    loads = np.array([1 / r.load_ohms for r in readings])
    return Known(volts, currents, loads, [(1 / drawn[x.input.name], at[x.to]) for x in fitted], at, drawn["leak"])


def _intercept_slope(known: Known) -> tuple[Array, Array]:
    """(a, b) of I = a - b V for every draw, by least squares weighted with how well each point is known."""
    v, i = known.volts, known.currents
    drop = float(v[0, 0] - v[-1, 0])
    first = (i[-1, 0] - i[0, 0]) / drop if drop else 0.0
    weight = 1 / np.maximum(np.var(i + first * v, axis=1), 1e-30)[:, None]
    total = weight.sum()
    mean_v, mean_i = (weight * v).sum(axis=0) / total, (weight * i).sum(axis=0) / total
    spread = (weight * (v - mean_v) ** 2).sum(axis=0)
    slope = -(weight * (v - mean_v) * (i - mean_i)).sum(axis=0) / np.maximum(spread, 1e-30)
    return mean_i + slope * mean_v, slope


def _inverse(conductance: Array) -> Estimate:
    """Ohms from conductance; a draw at or below zero siemens is an open circuit."""
    with np.errstate(divide="ignore"):
        ohms = np.where(conductance > 0, 1 / np.where(conductance > 0, conductance, 1.0), np.inf)
    best = estimate(ohms)
    g = float(conductance[0])
    u = float(np.std(conductance[1:])) / g**2 if g > 0 else math.inf
    return replace(best, u=u)


def _ratio(a: Array, b: Array) -> Array:
    """a/b, infinite where b is zero."""
    ratio: Array = np.divide(a, b, out=np.full_like(a, np.inf), where=b != 0)
    return ratio


def told_apart(readings: Sequence[LineReading]) -> bool:
    """Whether the loads differ enough that two voltages say something about the source."""
    conductances = [1 / r.load_ohms for r in readings]
    return len(readings) > 1 and max(conductances) > 1.5 * min(conductances)


def source(known: Known) -> Source:
    """The Thevenin source behind the line, all that is fitted included."""
    a, b = _intercept_slope(known)
    return Source(estimate(_ratio(a, b)), _inverse(b))


def free_pull(known: Known) -> Pull | None:
    """The unknown pull from two loads alone, wherever it goes; None where nothing but the fitted parts is seen."""
    a, b = _intercept_slope(known)
    rest_b = b - sum((g for g, _ in known.fitted), start=np.zeros_like(b))
    rest_a = a - sum((g * v for g, v in known.fitted), start=np.zeros_like(a)) - known.leak
    ohms, volts = _inverse(rest_b), estimate(_ratio(rest_a, rest_b))
    if not (ohms.value < MOST_OHMS and math.isfinite(ohms.high)):
        return None
    return Pull("", volts, ohms)


def _join(each: Array) -> tuple[Array, float, float]:
    """Joins (m, N) estimates of one quantity: (N,) joined, chi-square of their disagreement, log evidence."""
    m = len(each)
    covariance = np.atleast_2d(np.cov(each[:, 1:]))
    scale = float(np.mean(np.diag(covariance))) or 1e-30
    covariance = covariance + np.eye(m) * scale * 1e-9
    inverse = np.linalg.inv(covariance)
    information = float(inverse.sum())
    joined = inverse.sum(axis=0) @ each / information
    miss = each[:, 0] - joined[0]
    chi2 = float(miss @ inverse @ miss)
    log_det = float(np.linalg.slogdet(covariance)[1])
    log_evidence = -0.5 * (chi2 + log_det + math.log(information) + (m - 1) * math.log(2 * math.pi))
    return joined, chi2, log_evidence


def pull_to(known: Known, rail: str) -> tuple[Pull, float] | None:
    """The pull if it goes to `rail`, and its log evidence (the prior being flat in the logarithm of the ohms)."""
    headroom = known.rails[rail] - known.volts
    if np.any(np.abs(headroom[:, 0]) < 1e-3 * max(1.0, abs(known.rails[rail][0]))):
        return None
    each = np.array([known.unexplained(i) for i in range(len(known.volts))]) / headroom
    joined, chi2, log_evidence = _join(each)
    if not 1 / MOST_OHMS < joined[0] < 1 / LEAST_OHMS:
        return None
    slopes = known.total + joined[0]
    jacobian = float(np.sum(np.log(np.abs(slopes / headroom[:, 0]))))
    found = Pull(rail, estimate(known.rails[rail]), _inverse(joined), misfit=chi2, spare=len(each) - 1)
    return found, log_evidence + jacobian - math.log(joined[0])


def constant_current(known: Known) -> tuple[Pull, float] | None:
    """The unknown as a source of current, whatever the volts (a leaking or latched input)."""
    each = np.array([known.unexplained(i) for i in range(len(known.volts))])
    joined, chi2, log_evidence = _join(each)
    if abs(joined[0]) < 1e-7:
        return None
    jacobian = float(np.sum(np.log(known.total + 1e-12)))
    found = Pull("", estimate(known.volts[0]), amps=estimate(joined), misfit=chi2, spare=len(each) - 1)
    return found, log_evidence + jacobian - math.log(abs(joined[0]))


CURRENT_SOURCE_PRIOR = 0.03
"""How much rarer than a resistor inside a part a constant current is (estimate, no source)."""


def candidates(known: Known, rails: Iterable[str]) -> list[Pull]:
    """The unknown pull by rail, likeliest first, probabilities adding to 1. Empty where no rail explains the sign."""
    found = [pair for rail in rails if (pair := pull_to(known, rail))]
    if len(known.volts) > 1 and (steady := constant_current(known)):
        found.append((steady[0], steady[1] + math.log(CURRENT_SOURCE_PRIOR)))
    if not found:
        return []
    best = max(log for _, log in found)
    weights = [math.exp(log - best) for _, log in found]
    scored = [replace(pull, probability=w / sum(weights)) for (pull, _), w in zip(found, weights, strict=True)]
    return sorted(scored, key=lambda pull: -pull.probability)
