"""Stuck outputs and pulls beside bridges: each joins a net to a rail or to ground by some ohms, and no reading tells
them apart. Where the bridge was fitted, the stuck output was perhaps screened away for ohms that are not quite its own,
and the pull for those at which it was tried.

And a part that is missing beside the same part at the upper end of the values that it could have: between the empty
pads some megohms may stay (flux, moisture), which the missing part's own prediction has not."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
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
NEAR_THE_END: Final = 0.5
"""Of the highest value that is fitted, from which on the part may as well be missing."""


def twins(likelihood: Likelihood, found: Iterable[Candidate], suspects: Sequence[Suspect]) -> Iterator[Candidate]:
    """For each candidate that bridges two nets by some ohms the stuck outputs and the pulls that would do the same; for
    each with a value that ends where values end the missing part."""
    joining: dict[str, list[Suspect]] = {}
    missing = {each.text.partition(":")[0]: each for each in suspects if each.text.endswith(":missing")}
    for each in suspects:
        if each.joins:
            joining.setdefault(each.joins, []).append(each)
        elif each.category == "pull":
            joining.setdefault("+".join(sorted(each.same_as.split(">"))), []).append(each)
    for c in found:
        for k, bridge in enumerate(c.suspects):
            if bridge.category == "bridge" and c.fitted.index(k) < len(c.spreads):
                for each in joining.get(bridge.same_as, ()):
                    twin = (_pulled if each.fitted else _stuck)(likelihood, c, k, each)
                    if twin is not None:
                        yield twin
            if bridge.category == "value" and k in c.fitted and c.fitted.index(k) < len(c.spreads):
                gone = missing.get(bridge.text.partition(":")[0])
                if gone is not None and (twin := _missing(likelihood, c, k, gone)) is not None:
                    yield twin


def _missing(likelihood: Likelihood, c: Candidate, k: int, gone: Suspect) -> Candidate | None:
    """A candidate with a part missing in the place of its value; None where that is not near its end."""
    ohms, high, place = c.values[k], c.suspects[k].high, c.fitted.index(k)
    if ohms is None or high is None or c.suspects[k].unit != "Ω" or ohms < NEAR_THE_END * high:
        return None
    return _unfitted(likelihood, c, k, gone, math.log(RESIDUE) - _charged(c, k, place))


def _pulled(likelihood: Likelihood, c: Candidate, k: int, pull: Suspect) -> Candidate | None:
    """A candidate with a pull in the place of its bridge, by the same ohms; None where no pull has so few, or many."""
    ohms = c.values[k]
    if ohms is None or pull.low is None or pull.high is None or not pull.low <= ohms <= pull.high:
        return None
    information = c.spreads[c.fitted.index(k)] ** -2
    charged, its_own = (rank.occam_factor(each.log_range, information) for each in (c.suspects[k], pull))
    suspects = (*c.suspects[:k], pull, *c.suspects[k + 1 :])
    twin = replace(c, suspects=suspects, occam=c.occam - charged + its_own, log_prior=log_prior(suspects))
    return likelihood.lent(replace(c, occam=twin.occam), twin)


def _stuck(likelihood: Likelihood, c: Candidate, k: int, stuck: Suspect) -> Candidate | None:
    """A candidate with an output stuck in the place of its bridge; None where the ohms are not an output's."""
    ohms = c.values[k]
    place = c.fitted.index(k)
    if ohms is None:
        return None
    off = math.log(ohms / stuck.ohms) / OHMS_SPREAD
    if abs(off) > FURTHEST:
        return None
    its_own = min(0.0, math.log(c.spreads[place] / OHMS_SPREAD)) - 0.5 * off**2
    return _unfitted(likelihood, c, k, stuck, its_own - _charged(c, k, place))


def _charged(c: Candidate, k: int, place: int) -> float:
    """What a candidate was charged for a value that was fitted (natural logarithm)."""
    return rank.occam_factor(c.suspects[k].log_range, c.spreads[place] ** -2)


def _unfitted(likelihood: Likelihood, c: Candidate, k: int, other: Suspect, by: float) -> Candidate:
    """A candidate with a suspect that has no value in the place of one that has; by: how much likelier that is."""
    place = c.fitted.index(k)
    suspects = (*c.suspects[:k], other, *c.suspects[k + 1 :])
    twin = replace(
        c, suspects=suspects, values=(*c.values[:k], None, *c.values[k + 1 :]), occam=c.occam + by,
        spreads=(*c.spreads[:place], *c.spreads[place + 1 :]), log_prior=log_prior(suspects),
    )  # fmt: skip
    return likelihood.lent(replace(c, occam=twin.occam, values=twin.values, spreads=twin.spreads), twin)
