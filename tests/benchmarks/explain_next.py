"""How many further measurements `explain` needs until one group is left, against the least that there can be.

    python tests/benchmarks/explain_next.py [--faults 40] [--seeds 1 2 3] [--table FILE]

Each trial: a unit of Skep with one fault planted, parts drawn within tolerance, through the first steps of the bring-up
only (unpowered shorts, first power, rails), so that doubt is left. One of the explanations that are left is then taken
to be true, drawn by its probability (the bound speaks of these), with that unit's parts; its circuit answers what
`explain` asks for (what a meter would show, with a meter's noise) until it asks no more. Units about which it asks
nothing, though bits of doubt are left, are counted apart: one group holds 97 % there already, or nothing that may be
measured tells the rest.

The bound: n readings tell at most n times what one can tell. So on average n >= (bits of doubt at the start - bits at
the end) / most, and at least one where any is needed. Two things were put right since the first measurements:

- Doubt is counted between the groups that readings on offer can tell apart, since to these `explain` goes on. Between
  the groups that the readings so far tell apart was too much where nothing tells the rest (a lost resistor behind a
  junction), and too little where one such group falls apart at the next reading.
- `most` is the capacity of the best reading on offer: what it tells at most, whatever is thought likely before it. What
  it tells at the start is no bound, since the next question is chosen by the last answer. By this the bound is lower.
"""

from __future__ import annotations

import argparse
import dataclasses
import math
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from explain_trials import Line, not_equivalent, put, table

from wakeboard.harness.explain.ask.loop import pursue
from wakeboard.harness.explain.choose.in_play import Live, live
from wakeboard.harness.explain.choose.least_effort import Choice, Measurement, divergences, told_apart
from wakeboard.harness.explain.choose.proposal import on_offer
from wakeboard.harness.explain.evidence.observe import OHMS, Observation
from wakeboard.harness.explain.evidence.predict import Predictor
from wakeboard.harness.explain.evidence.uncertainty import Array
from wakeboard.harness.explain.explaining import _grouped, explain_case, next_choices
from wakeboard.harness.explain.explanation import Explanation
from wakeboard.harness.explain.naming import words
from wakeboard.harness.explain.rank.rank import entropy
from wakeboard.harness.explain.unit.cases import BoardModel, Case
from wakeboard.instruments.virtual.bench import unit_seed
from wakeboard.instruments.virtual.circuit import Fault
from wakeboard.instruments.virtual.circuit.bench.change import Change
from wakeboard.results.records import RunRecord

KEPT = ("resistance", "power on", "back-feed", "rails")
LEFT_OUT = ("clamp diodes", "pulls")
DOUBT = 0.3
"""Bits of doubt from which there is anything to ask."""


def beginning(run: RunRecord) -> RunRecord:
    """The run as if it had ended with the rails on its first supply."""
    steps = []
    for step in run.steps:
        if step.kind not in KEPT or step.name in LEFT_OUT:
            continue
        steps.append(step)
        if step.kind == "rails":
            break
    return dataclasses.replace(run, steps=tuple(steps))


@dataclass(frozen=True)
class Trial:
    fault: str
    bits: float
    left: float
    most: float
    taken: int
    rank: int
    odds: float = 1.0  # probability of the true group at the start

    @property
    def bound(self) -> float:
        return max(1.0, (self.bits - self.left) / self.most)


def answer(model: BoardModel, truth: Change, choice: Choice, rng: np.random.Generator) -> float:
    """What the meter shows at the unit: V, or Ω (inf above the range), of both where the bench's resistor stands
    across."""
    o: Observation = choice.measurement.detail["observation"]
    y = float(Predictor(model.circuit, model.supplies, [o], stand=model.stand).predict([truth], exact=True)[0, 0])
    if o.quantity == OHMS:
        return math.inf if y >= math.log10(o.top) - 1e-6 else 10**y * (1 + 2e-3 * rng.normal())
    return y * (1 + 2e-4 * rng.normal()) + 1e-3 * rng.normal()


def trial(line: Line, fault: Fault, unit: str) -> Trial | float | None:
    """None where there is no doubt; the bits of it where nothing is asked."""
    model = line.model
    start = explain_case(Case(beginning(line.run([str(fault)], unit)), model))
    if start.bits < DOUBT or start.weighing is None:
        return None
    if not next_choices(start, 1, not_lifted):
        return start.bits
    in_play, offered = offers(start)
    bits = doubt(in_play, offered)
    most = max(capacity(m.mean, m.sigma) for m in offered)
    rng = np.random.default_rng(unit_seed(unit))
    drawn = int(rng.choice(len(in_play.changes), p=known(in_play)))
    taken_as = in_play.changes[drawn]
    truth = dataclasses.replace(taken_as, seed=unit_seed(unit))
    after, taken = pursue(start, lambda choice: answer(model, truth, choice, rng))
    left = min(doubt(*offers(after)), bits)
    return Trial(
        " and ".join(in_play.suspects[drawn]) or "none",
        bits,
        left,
        most,
        len(taken),
        placed(after, in_play.suspects[drawn]),
    )


def known(in_play: Live) -> Array:
    """Probabilities of the hypotheses that a circuit can be made of: something else is none."""
    p = in_play.probabilities.copy()
    if in_play.other is not None:
        p[in_play.other] = 0.0
    return p / p.sum()


def not_lifted(m: Measurement) -> bool:
    return "lifted" not in m.state


def offers(found: Explanation) -> tuple[Live, list[Measurement]]:
    """The hypotheses in play, and what may be measured without lifting a part."""
    assert found.weighing is not None
    assert found.case is not None
    in_play = live(found.case, found.weighing, _grouped(found.weighing))
    return in_play, on_offer(found.case, in_play, not_lifted)


def doubt(in_play: Live, offered: Sequence[Measurement]) -> float:
    """Bits between the groups that these measurements can tell apart."""
    groups = told_apart(in_play.probabilities, offered)
    return entropy(np.array([in_play.probabilities[list(g)].sum() for g in groups]))


def capacity(mean: Array, sigma: Array) -> float:
    """The most bits that a reading can tell about these hypotheses, whatever their probabilities (an upper bound).

    Blahut and Arimoto: p_h is raised by exp(D_h), the divergence of what h predicts from what all predict, until all
    are alike; the largest D_h is never below the capacity (Cover and Thomas, Elements of Information Theory, 10.8).
    """
    p = np.full(len(mean), 1 / len(mean))
    least = math.inf
    for _ in range(60):
        told = divergences(p, mean, sigma)
        least = min(least, float(told.max()))
        p = p * np.exp2(told - told.max()) + 1e-12
        p /= p.sum()
    return least


def placed(found: Explanation, truth: tuple[str, ...]) -> int:
    """The rank of the group that holds the explanation taken to be true, values aside; 0: none does."""
    wanted = sorted(text.partition("=")[0] for text in truth)
    for k, group in enumerate(found.groups, start=1):
        members = [group.faults, *(tuple(text.split(" and ")) for text, _ in group.same)]
        own = group.faults or group.name == words.NONE
        if own and any(sorted(text.partition("=")[0] for text in each) == wanted for each in members):
            return k
    return 0


def trials(faults: int, seed: int) -> Iterator[Trial | float]:
    """Trials, and the bits of doubt of each unit about which nothing is asked."""
    line = Line.of()
    library = not_equivalent(line.sequence.board)
    order = np.random.default_rng(seed).permutation(len(library))
    found = 0
    for k in order:
        made = trial(line, library[int(k)], f"N{k}-{seed}")
        if made is not None:
            found += isinstance(made, Trial)
            yield made
        if found >= faults:
            return


def section(done: list[Trial], unasked: list[float], command: str, seconds: float) -> str:
    taken, bound = float(np.mean([t.taken for t in done])), float(np.mean([t.bound for t in done]))
    rows = [
        [count, sum(t.taken == count for t in done), f"{np.mean([t.bits for t in done if t.taken == count]):.2f}"]
        for count in sorted({t.taken for t in done})
    ]
    rest = (
        f", with {np.mean(unasked):.2f} bits on average: one group holds 97 %, or nothing on offer tells the rest"
        if unasked
        else ""
    )
    return (
        f"Made by `{command}`: {len(done)} units of Skep with a fault, known by the first steps of\n"
        f"the bring-up only; what is asked is answered by the unit's own circuit ({seconds:.0f} s of processor).\n\n"
        f"- bits of doubt at the start {np.mean([t.bits for t in done]):.2f}, at the end"
        f" {np.mean([t.left for t in done]):.2f}\n"
        f"- measurements taken on average {taken:.2f}; entropy bound {bound:.2f}; ratio {taken / bound:.2f}\n"
        f"- the true group first at the end: {sum(t.rank == 1 for t in done)} of {len(done)}\n"
        f"- units with doubt about which nothing was asked: {len(unasked)}{rest}\n\n"
        + table(["measurements", "units", "mean bits at the start"], rows)
    )


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--faults", type=int, default=40)
    parser.add_argument("--seeds", type=int, nargs="+", default=[1])
    parser.add_argument("--table", type=Path)
    options = parser.parse_args()
    started = time.process_time()
    done: list[Trial] = []
    unasked: list[float] = []
    for seed in options.seeds:
        for t in trials(options.faults, seed):
            if isinstance(t, float):
                print(f"nothing asked, {t:.2f} bits", flush=True)
                unasked.append(t)
                continue
            text = f"{t.taken} taken, bound {t.bound:.2f}, {t.bits:.2f} -> {t.left:.2f} bits, rank {t.rank}: {t.fault}"
            print(text, flush=True)
            done.append(t)
    seeds = " ".join(str(seed) for seed in options.seeds)
    command = f"python tests/benchmarks/explain_next.py --faults {options.faults} --seeds {seeds}"
    text = section(done, unasked, command, time.process_time() - started)
    print(text)
    if options.table:
        put(options.table, "Next measurements", text)
