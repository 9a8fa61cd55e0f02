"""What tolerances do to net voltages: worst case by sensitivities, and a seeded Monte Carlo.

Worst case: the sign of each value's slope on a net (slopes.py) says to which end of its tolerance it goes in the corner
that lifts that net the most, and in the one that lowers it; both corners are then solved in full. Exact where each net
is monotone in each value, as resistor networks and regulators are. A value that acts only beyond a knee inside its own
tolerance has no slope here, and is not found; moving each value to its ends alone, as was done before, gave the same to
1e-12 V in all nets and states of the demo board.
What nobody states (`open_to`: forward voltages, leakages) bounds nothing: at the drawn point and at both corners, each
of these is moved by one standard deviation, and what they do together is added as the root of the squares, `DEVIATIONS`
(`LEAKS`) times, on the side that it acts on. A leakage flows one way only. Where slopes lead further than `FAR`, the
board is solved at the likeliest place so many deviations off instead. Knees count as far as the corners reach over
them: `leaky` is one more such corner.
What parts may lack of what is drawn (`may_lack`: a pin's diode to its rail) is no small change either: where its
absence moves a net, that net's worst case is that of both boards, the drawn one and the one that lacks it. One at a
time.
Monte Carlo: specimens drawn as `tolerance.draw` does (uniform within limits), for mean, deviation and covariance.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from wakeboard.instruments.virtual.circuit.solver.devices import Array
from wakeboard.instruments.virtual.circuit.solver.points import Points

from .shapes import ONSET
from .slopes import Moved, Slopes
from .unknowns import Unknown, bounded

if TYPE_CHECKING:
    from ..model import Model, Variant


@dataclass(frozen=True)
class Spread:
    """Of N nets, volts: nominal, low, high (worst case), mean, deviation (N,), covariance (N, N) of the specimens.

    sensitivity: "PART.value" -> change of each net (N,) for the value at its upper end.
    """

    nets: tuple[str, ...]
    nominal: Array
    low: Array
    high: Array
    mean: Array
    deviation: Array
    covariance: Array
    sensitivity: Mapping[str, Array]
    specimens: Array

    def of(self, net: str) -> tuple[float, float, float]:
        """(nominal, low, high) of one net."""
        k = self.nets.index(net)
        return float(self.nominal[k]), float(self.low[k]), float(self.high[k])


DEVIATIONS = 3.5
"""Standard deviations of values that nobody states, all of them together, by which a worst case is widened."""
LEAKS = 8.0
"""The same of currents beside what is drawn: their spread is even in the logarithm, so that far more than three
deviations are met (an input of 1 µA by its sheet, some nA in fact: spreads.toml)."""
SLICE = 128  # variants between two calls of `between`


def spread(
    model: Model,
    variant: Variant,
    nets: Sequence[str],
    n: int = 200,
    seed: int = 1,
    between: Callable[[], None] | None = None,
    open_to: Sequence[Unknown] = (),
    may_lack: Sequence[str] = (),
) -> Spread:
    """See the module. SolveError when a corner or a specimen has no answer; `variant.seed` is not looked at.

    may_lack: values ("PART.value") that are 0 on a board which lacks what they stand for.
    between: called before each piece of work, at most SLICE variants, for who has to give a sign of life.
    """
    base, alive = replace(variant, seed=None), between or _nobody_waits
    unknown = bounded(model.circuit.parts, base.values)
    worst = _Worst(model, [base], [(0, net) for net in nets], unknown, open_to, alive)
    worst.or_lacking(may_lack)
    drawn = [replace(base, seed=seed * 1_000_003 + k) for k in range(n)]
    specimens = _solved(model, drawn, worst.start, nets, alive) if n else worst.nominal[None]
    covariance = np.cov(specimens, rowvar=False).reshape(len(nets), len(nets)) if n > 1 else np.zeros((len(nets),) * 2)
    return Spread(
        tuple(nets),
        worst.nominal,
        worst.low,
        worst.high,
        specimens.mean(axis=0),
        np.sqrt(np.diag(covariance)),
        covariance,
        {each.path: worst.rise[k] for k, each in enumerate(unknown)},
        specimens,
    )


def worst_cases(
    model: Model,
    asked: Sequence[tuple[Variant, str]],
    between: Callable[[], None] | None = None,
    open_to: Sequence[Unknown] = (),
    may_lack: Sequence[str] = (),
) -> list[tuple[float, float]]:
    """(low, high) V in the worst case of one net in each variant, as `spread` has them: a hundred settings of the bench
    together cost little more than a few. SolveError where one of them has no answer."""
    parts = model.circuit.parts
    paths = {each.path for each in bounded(parts)}
    alike: dict[frozenset[str], list[int]] = {}
    for k, (variant, _) in enumerate(asked):  # what a variant sets has no tolerance in it
        alike.setdefault(frozenset(paths & variant.values.keys()), []).append(k)
    found: dict[int, tuple[float, float]] = {}
    for members in (some[a : a + SLICE // 2] for some in alike.values() for a in range(0, len(some), SLICE // 2)):
        bases = [replace(asked[k][0], seed=None) for k in members]
        nets = [(place, asked[k][1]) for place, k in enumerate(members)]
        worst = _Worst(model, bases, nets, bounded(parts, bases[0].values), open_to, between or _nobody_waits)
        worst.or_lacking(may_lack)
        found.update(zip(members, zip(worst.low.tolist(), worst.high.tolist(), strict=True), strict=True))
    return [found[k] for k in range(len(asked))]


LACK_SHARE: Final = 0.1
"""Of a net's worst case, by less than which it may move where something is lacking and is not looked at once more."""
STILL: Final = 1e-5
"""V that any net may move by for slopes to say that nothing happens where something is lacking."""


class _Worst:
    """Of K nets asked for, each in one of some variants, V: nominal, low, high (K,); rise (T, K): by each value at its
    upper end; start: the points of the variants."""

    def __init__(
        self, model: Model, bases: Sequence[Variant], asked: Sequence[tuple[int, str]], unknown: Sequence[Unknown],
        open_to: Sequence[Unknown], alive: Callable[[], None],
    ) -> None:  # fmt: skip
        """asked: (place of a variant, net)."""
        self._model, self._bases, self._asked, self._open_to, self._alive = model, bases, asked, open_to, alive
        alive()
        self.start = model.solve(bases).require()
        alive()
        self.rise = _rises(model, self.start, unknown, asked)
        ends = [_ends(each) for each in unknown]
        ways = [
            _corner(bases[place], ends, self.rise[:, k], way) for k, (place, _) in enumerate(asked) for way in (1, -1)
        ]
        places = [place for place, _ in asked]
        begin = [place for place in places for _ in range(2)]
        nets = list(dict.fromkeys(net for _, net in asked))
        column = np.array([nets.index(net) for _, net in asked], dtype=np.intp)
        corners = _solved(model, ways, self.start, nets, alive, begin)
        self.nominal: Array = _nets(self.start, nets)[places, column]
        rows = 2 * np.arange(len(asked))
        seen = np.vstack([self.nominal, corners[rows, column], corners[rows + 1, column]])
        down, up = _open_ended(model, bases, ways, self.start, asked, open_to, alive)
        self.low: Array = seen.min(axis=0) - down
        self.high: Array = seen.max(axis=0) + up

    def or_lacking(self, paths: Sequence[str]) -> None:
        """Widened to the worst cases of boards that lack one of these things each."""
        others = list(self._lacking(paths))
        asked = [(variant, self._asked[k][1]) for k, variant in others]
        found = worst_cases(self._model, asked, self._alive, self._open_to)
        for (k, _), (low, high) in zip(others, found, strict=True):
            self.low[k], self.high[k] = min(self.low[k], low), max(self.high[k], high)

    def _lacking(self, paths: Sequence[str]) -> Iterator[tuple[int, Variant]]:
        """Which net moves by more than a share of its worst case on which board that lacks something. One that has no
        answer then is none that there is."""
        if not paths:
            return
        self._alive()
        steps = Slopes(self._model, self.start).set_to([(path, 0.0) for path in paths])
        acts = [
            (place, path)
            for place, own in enumerate(steps)
            for path, step in zip(paths, own, strict=True)
            if not np.abs(step).max() <= STILL
        ]
        least = LACK_SHARE * (self.high - self.low)
        for first in range(0, len(acts), SLICE):
            self._alive()
            some = acts[first : first + SLICE]
            others = [replace(self._bases[at], values={path: 0.0, **self._bases[at].values}) for at, path in some]
            points = self._model.solve(others, start=_from(self.start, [at for at, _ in some]))
            for member, (at, _) in enumerate(some):
                for k, (place, net) in enumerate(self._asked):
                    if place == at and abs(points.net(net)[member] - self.nominal[k]) > least[k]:
                        yield k, others[member]


def _rises(model: Model, at: Points, unknown: Sequence[Unknown], asked: Sequence[tuple[int, str]]) -> Array:
    """(T, K) how far each value at its upper end moves each net, in the variant where it is asked for."""
    if not unknown:
        return np.zeros((0, len(asked)))
    moved = Slopes(model, at).moved(unknown)
    ends = np.full(len(unknown), math.sqrt(3))  # standard deviations of a rectangular spread
    return np.array([moved.net(net, [place])[0] * ends for place, net in asked]).T


LEAST_SIEMENS: Final = 1e-9  # S: 1 GΩ, beyond which no meter here is loaded


def leaky(unknown: Sequence[Unknown], ground: str) -> dict[str, float]:
    """Net -> Ω to ground, of all that nobody states at once: what an unpowered rail may conduct beside its knees.

    What sets in from some volts on counts as what it is in the middle of that, since a corner is solved with resistors.
    """
    squares: dict[str, float] = {}
    for u in unknown:
        if u.stray is not None and u.stray.end == ground and u.stray.shape != "reverse":
            middle = sum(ONSET) / 2
            siemens = float(u.stray.amps(np.array(middle))) / middle
            squares[u.stray.start] = squares.get(u.stray.start, 0.0) + siemens**2
    return {net: 1 / (LEAKS * math.sqrt(s)) for net, s in squares.items() if s > LEAST_SIEMENS**2}


def _open_ended(
    model: Model, bases: Sequence[Variant], ways: Sequence[Variant], start: Points, asked: Sequence[tuple[int, str]],
    unknown: Sequence[Unknown], alive: Callable[[], None],
) -> tuple[Array, Array]:  # fmt: skip
    """(K,) volts that what nobody states may lower and lift each net. ways: both corners of each."""
    down, up = np.zeros((2, len(asked)))
    if not unknown:
        return down, up
    variants, places = [*bases, *ways], [*range(len(bases)), *(place for place, _ in asked for _ in range(2))]
    for a in range(0, len(variants), SLICE):
        alive()
        points = model.solve(variants[a : a + SLICE], start=_from(start, places[a : a + SLICE])).require()
        moved = Slopes(model, points).moved(unknown)
        for k, (place, net) in enumerate(asked):
            first, at = len(bases) + 2 * k, _from(start, [place])
            for some in ((place,), (first, first + 1)):  # how far slopes are believed is asked as drawn, and at corners
                own = [m - a for m in some if a <= m < a + SLICE]
                if own:
                    lower, lift = unstated_volts(model, [variants[a + m] for m in own], at, moved, net, own)
                    down[k], up[k] = max(down[k], float(lower.max())), max(up[k], float(lift.max()))
    return down, up


def _from(start: Points, places: Sequence[int]) -> Points:
    """The points to begin at, one for each place; where there is but one it is begun at by all."""
    if len(start) == 1:
        return start
    return Points.gathered([(start, place) for place in places])


def unstated_volts(
    model: Model, variants: Sequence[Variant], start: Points, moved: Moved, net: str, members: Sequence[int]
) -> tuple[Array, Array]:
    """(M,) volts down, and up, by which what nobody states may move a net at some of the points that `moved` is of.

    variants: theirs. start: one point, from which they are solved anew where slopes lead too far to be believed.
    """
    by, apart = moved.net(net, members), _apart(moved)[list(members)]
    far = _far(by, moved.unknowns)
    lower, lift = _each_side(np.where(far, 0.0, by), apart)
    if far.any():
        volts, leads = moved.slopes.volts(net, members), np.where(far, by, 0.0)
        ends = _bent(model, variants, start, net, volts, leads, moved.unknowns)
        lower, lift = np.hypot(lower, ends[0]), np.hypot(lift, ends[1])
    return lower, lift


FAR: Final = 0.3
"""V by which the slope of a value that nobody states would move a net, from which it is not believed: a load that takes
ten times as much, or a tenth, moves a rail that leakage holds up, and bends on the way."""


def _far(by: Array, unknown: Sequence[Unknown]) -> Array:
    """(T,) values whose slopes lead far at any of some points: by (M, T)."""
    values = np.array([u.stray is None for u in unknown])
    out: Array = values & (DEVIATIONS * np.abs(by).max(axis=0, initial=0.0) > FAR)
    return out


def _bent(
    model: Model, variants: Sequence[Variant], start: Points, net: str, volts: Array, by: Array,
    unknown: Sequence[Unknown],
) -> tuple[Array, Array]:  # fmt: skip
    """(M,) volts down, and up, by which such values together move a net, solved where they are likeliest of all that
    are `DEVIATIONS` off: along their slopes, by (M, T). `FAR` where that has no answer."""
    ends = []
    for variant, each in zip(variants, by, strict=True):
        toward = np.nan_to_num(each)
        toward = DEVIATIONS * toward / max(float(np.linalg.norm(toward)), 1e-30)
        for way in (-1.0, 1.0):
            moved = {u.path: u.drawn * u.factor(way * t) for u, t in zip(unknown, toward.tolist(), strict=True) if t}
            ends.append(replace(variant, values={**moved, **variant.values}))
    found = model.solve(ends, start=start).net(net).reshape(-1, 2)
    off = np.where(np.isfinite(found), found, volts[:, None] + np.array([-FAR, FAR])) - volts[:, None]
    return np.maximum(-off.min(axis=1), 0.0), np.maximum(off.max(axis=1), 0.0)


def _apart(moved: Moved) -> Array:
    """(M, T) volts between the ends of each current beside what is drawn; infinite for what may go either way: values
    of parts, and a diode's reverse leakage, which is drawn and may be less."""
    either = [u.stray is None or u.stray.shape == "reverse" for u in moved.unknowns]
    return np.where(either, np.inf, moved.apart)


def unstated_amps(moved: Moved, supply: str, members: Sequence[int]) -> Array:
    """(M,) A by which it may move what a bench supply gives."""
    times = np.array([DEVIATIONS if u.stray is None else LEAKS for u in moved.unknowns])
    out: Array = np.linalg.norm(moved.current(supply, members) * times, axis=1)
    return out


def _each_side(by: Array, apart: Array) -> tuple[Array, Array]:
    """(M,) volts down, and up, of one net at some points: by (M, T), what a standard deviation of each unknown does.

    A current between two nets brings their volts together and no further: r of the way by its slope is r / (1 + r).
    """
    stray = np.isfinite(apart)
    both = np.linalg.norm(np.where(stray, 0.0, by), axis=1) * DEVIATIONS
    found = []
    for way in (-1, 1):
        own = np.where(stray & (way * by > 0), np.abs(by), 0.0)
        share = np.linalg.norm(np.divide(own, apart, out=np.zeros_like(own), where=own > 0), axis=1) * LEAKS
        reach = np.where(own > 0, apart, 0.0).max(axis=1, initial=0.0)
        slope = np.linalg.norm(own, axis=1) * LEAKS
        found.append(np.hypot(both, np.minimum(slope, reach * share / (1 + share))))
    return found[0], found[1]


def _solved(
    model: Model, variants: Sequence[Variant], start: Points, nets: Sequence[str], alive: Callable[[], None],
    places: Sequence[int] = (),
) -> Array:  # fmt: skip
    """Volts of the nets, (B, N). places: of each variant's beginning in `start`, where that has many."""
    parts = []
    for first in range(0, len(variants), SLICE):
        alive()
        begin = _from(start, places[first : first + SLICE])
        parts.append(_nets(model.solve(variants[first : first + SLICE], start=begin).require(), nets))
    return np.vstack(parts)


def _nobody_waits() -> None:
    """No sign of life is wanted."""


def _corner(base: Variant, ends: Sequence[tuple[str, float, float]], rise: Array, way: int) -> Variant:
    """Every value at the end that lifts the net (way 1), or lowers it (-1). ends: path, lower end, upper end."""
    values = {path: high if (r >= 0) == (way > 0) else low for (path, low, high), r in zip(ends, rise, strict=True)}
    return replace(base, values={**values, **base.values})


def _ends(each: Unknown) -> tuple[str, float, float]:
    assert each.ends is not None
    return each.path, *each.ends


def _nets(points: Points, nets: Sequence[str]) -> Array:
    return np.array([points.net(net) for net in nets]).T
