"""Stuck outputs and pulls beside bridges: each joins a net to a rail or to ground by some ohms, and no reading tells
them apart. Where the bridge was fitted, the stuck output was perhaps screened away for ohms that are not quite its own,
and the pull for those at which it was tried.

A bridge beside a part that is shorted between its nets: the fit of its ohms may have ended at some that are more.

And a part that is missing beside the same part at the upper end of the values that it could have: between the empty
pads some megohms may stay (flux, moisture), which the missing part's own prediction has not."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from typing import Final

from wakeboard.harness.explain.rank import rank
from wakeboard.harness.explain.rank.candidate import Candidate, log_prior
from wakeboard.harness.explain.rank.likelihood import Likelihood
from wakeboard.harness.explain.rank.suspects import Suspect

OHMS_SPREAD: Final = 0.5
"""Standard deviation, in the natural logarithm, of a stuck output's ohms (estimate, no source)."""
FURTHEST: Final = 2.0
"""Of these, how far off the usual ohms it may be."""
RESIDUE: Final = 0.3
"""Probability that enough stays between the pads of a part that is missing to be seen where it looks so (estimate, no
source)."""
BROAD: Final = 1.0
"""Natural logarithms of its ohms over which a bridge does as a short does, until that is looked into (estimate)."""
NEAR_THE_END: Final = 0.5
"""Of the highest value that is fitted, from which on the part may as well be missing."""

_Make = Callable[[Likelihood, Candidate, int, Suspect], Candidate | None]


def twins(likelihood: Likelihood, found: Iterable[Candidate], suspects: Sequence[Suspect]) -> Iterator[Candidate]:
    """For each candidate that bridges two nets by some ohms the stuck outputs and the pulls that would do the same, for
    each with a shorted part the bridge; for each with a value that ends where values end the missing part."""
    bridges = {each.same_as: each for each in suspects if each.category == "bridge"}
    joining: dict[str, list[Suspect]] = {}
    missing = {each.text.partition(":")[0]: each for each in suspects if each.text.endswith(":missing")}
    for each in suspects:
        if each.joins:
            joining.setdefault(each.joins, []).append(each)
        elif each.category == "pull":
            joining.setdefault("+".join(sorted(each.same_as.split(">"))), []).append(each)
    for c in found:
        for k, short in enumerate(c.suspects):
            if short.category == "short" and (bridge := bridges.get(short.joins)) is not None:
                yield _bridged(likelihood, c, k, bridge)
        for k in c.fitted[: len(c.spreads)]:
            fitted = c.suspects[k]
            others: list[tuple[_Make, Suspect]] = []
            if fitted.category == "bridge":
                others = [(_pulled if each.fitted else _stuck, each) for each in joining.get(fitted.same_as, ())]
            elif fitted.category == "value" and (gone := missing.get(fitted.text.partition(":")[0])) is not None:
                others = [(_missing, gone)]
            for made, other in others:
                if (twin := made(likelihood, c, k, other)) is not None:
                    yield twin


def _bridged(likelihood: Likelihood, c: Candidate, k: int, bridge: Suspect) -> Candidate:
    """A candidate with a bridge of the least ohms in the place of a short."""
    assert bridge.low is not None
    place = sum(1 for each in c.fitted if each < k)
    suspects = (*c.suspects[:k], bridge, *c.suspects[k + 1 :])
    twin = replace(
        c, suspects=suspects, values=(*c.values[:k], bridge.low, *c.values[k + 1 :]),
        occam=c.occam + math.log(BROAD / bridge.log_range), log_prior=log_prior(suspects),
        spreads=(*c.spreads[:place], BROAD / math.sqrt(2 * math.pi), *c.spreads[place:]),
    )  # fmt: skip
    return likelihood.lent(replace(c, occam=twin.occam, values=twin.values, spreads=twin.spreads), twin)


def _missing(likelihood: Likelihood, c: Candidate, k: int, gone: Suspect) -> Candidate | None:
    """A candidate with a part missing in the place of its value; None where that is not near its end."""
    ohms, high = c.values[k], c.suspects[k].high
    if ohms is None or high is None or c.suspects[k].unit != "Ω" or ohms < NEAR_THE_END * high:
        return None
    return _unfitted(likelihood, c, k, gone, math.log(RESIDUE))


def _pulled(likelihood: Likelihood, c: Candidate, k: int, pull: Suspect) -> Candidate | None:
    """A candidate with a pull in the place of its bridge, by the same ohms; None where no pull has so few, or many."""
    ohms = c.values[k]
    if ohms is None or pull.low is None or pull.high is None or not pull.low <= ohms <= pull.high:
        return None
    its_own = _charged(c, k, pull)
    suspects = (*c.suspects[:k], pull, *c.suspects[k + 1 :])
    occam = c.occam - _charged(c, k, c.suspects[k]) + its_own
    twin = replace(c, suspects=suspects, occam=occam, log_prior=log_prior(suspects))
    return likelihood.lent(replace(c, occam=twin.occam), twin)


def _stuck(likelihood: Likelihood, c: Candidate, k: int, stuck: Suspect) -> Candidate | None:
    """A candidate with an output stuck in the place of its bridge; None where the ohms are not an output's."""
    ohms = c.values[k]
    if ohms is None:
        return None
    off = math.log(ohms / stuck.ohms) / OHMS_SPREAD
    if abs(off) > FURTHEST:
        return None
    its_own = min(0.0, math.log(c.spreads[c.fitted.index(k)] / OHMS_SPREAD)) - 0.5 * off**2
    return _unfitted(likelihood, c, k, stuck, its_own)


def _charged(c: Candidate, k: int, suspect: Suspect) -> float:
    """What fitting a suspect's value costs where it is as sharp as that of a candidate's (natural logarithm)."""
    return rank.occam_factor(suspect.log_range, c.spreads[c.fitted.index(k)] ** -2)


def _unfitted(likelihood: Likelihood, c: Candidate, k: int, other: Suspect, its_own: float) -> Candidate:
    """A candidate with a suspect that has no value in the place of one that has; its_own: what that costs (natural
    logarithm)."""
    place = c.fitted.index(k)
    suspects = (*c.suspects[:k], other, *c.suspects[k + 1 :])
    twin = replace(
        c, suspects=suspects, values=(*c.values[:k], None, *c.values[k + 1 :]),
        occam=c.occam - _charged(c, k, c.suspects[k]) + its_own,
        spreads=(*c.spreads[:place], *c.spreads[place + 1 :]), log_prior=log_prior(suspects),
    )  # fmt: skip
    return likelihood.lent(replace(c, occam=twin.occam, values=twin.values, spreads=twin.spreads), twin)
