"""Gauge repeatability and reproducibility: how much of the variation is the bench, how much the boards?

A crossed study: every appraiser (operator, bench or fixture) measures every part (unit) the same number of times.
Two methods as in AIAG, Measurement Systems Analysis, 4th edition (2010), chapter III: analysis of variance, with or
without pooling an interaction that is not significant, and average-and-range. The result says which was used, since
the repeatability differs (7 % in the manual's own example).

Terms: EV equipment variation (repeatability), AV appraiser variation (reproducibility), INT their interaction with the
parts, GRR all of these, PV part variation, TV total; ndc the number of distinct categories the gauge can tell apart.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from wakeboard.results.statistics.charts import chart_constants
from wakeboard.results.statistics.summary import StatisticsError

if TYPE_CHECKING:
    import pandas as pd

Pooling = Literal["auto", "pooled", "not pooled"]
ALPHA = 0.05  # an interaction less significant than this is pooled with the repeatability when pooling is "auto"


class GaugeStudyError(StatisticsError):
    """The study is not crossed and balanced; the text says which cell is short."""


@dataclass(frozen=True)
class AnovaRow:
    """One line of the analysis of variance table; F and p are None where nothing is tested."""

    source: str
    df: int
    ss: float
    ms: float
    f: float | None
    p: float | None


@dataclass(frozen=True)
class Share:
    """One source of variation: its sd in the unit of the values and its shares of total variation and tolerance."""

    source: str
    sd: float
    percent_of_total: float
    contribution: float
    percent_of_tolerance: float | None


@dataclass(frozen=True)
class GaugeStudy:
    """The standard table of a study. `anova` is empty for average-and-range."""

    method: str
    parts: int
    appraisers: int
    trials: int
    shares: tuple[Share, ...]
    anova: tuple[AnovaRow, ...]
    categories: float
    tolerance: float | None

    def share(self, source: str) -> Share:
        """The row of EV, AV, INT, GRR, PV or TV."""
        return next(row for row in self.shares if row.source == source)

    @property
    def ndc(self) -> int:
        """Number of distinct categories, rounded down, at least 1."""
        return max(1, math.floor(self.categories))

    @property
    def says(self) -> str:
        """The verdict by the manual's own marks: GRR below 10 % good, to 30 % conditional; ndc 5 or more."""
        percent = self.share("GRR").percent_of_total
        verdict = "good" if percent < 10 else "conditional" if percent <= 30 else "not acceptable"
        return (
            f"gauge R&R {percent:.1f} % of the total variation: {verdict}; {self.ndc} distinct categories "
            f"({'enough' if self.ndc >= 5 else 'fewer than 5: it cannot grade the parts'}); method: {self.method}"
        )


def _balanced(data: pd.DataFrame) -> tuple[int, int, int]:
    """(parts, appraisers, trials) of a crossed study; refused when a cell is missing or short."""
    wanted = {"part", "appraiser", "value"}
    if not wanted <= set(data.columns):
        raise GaugeStudyError(f"a gauge study needs the columns {', '.join(sorted(wanted))}")
    if data["value"].isna().any():
        raise GaugeStudyError("a gauge study needs a value in every row")
    counts = data.groupby(["part", "appraiser"], observed=True)["value"].size().unstack(fill_value=0)
    trials = int(counts.to_numpy().max()) if counts.size else 0
    for part, row in counts.iterrows():
        for appraiser, count in row.items():
            if count != trials:
                raise GaugeStudyError(f"part {part} by {appraiser}: {count} trials where others have {trials}")
    parts, appraisers = counts.shape
    if parts < 2 or trials < 2:
        raise GaugeStudyError(f"a gauge study needs 2 parts and 2 trials or more, found {parts} and {trials}")
    return int(parts), int(appraisers), trials


def _table(
    ev: float, av: float, interaction: float, pv: float, tolerance: float | None
) -> tuple[tuple[Share, ...], float]:
    """Rows of the standard table from the standard deviations, and 1.41·PV/GRR."""
    grr = math.sqrt(ev**2 + av**2 + interaction**2)
    total = math.hypot(grr, pv)
    if total == 0:
        raise GaugeStudyError("a gauge study needs values that differ; all are equal")
    pairs = (("EV", ev), ("AV", av), ("INT", interaction), ("GRR", grr), ("PV", pv), ("TV", total))
    shares = tuple(
        Share(name, sd, 100 * sd / total, 100 * (sd / total) ** 2, 600 * sd / tolerance if tolerance else None)
        for name, sd in pairs
    )
    return shares, (1.41 * pv / grr if grr else math.inf)


def gauge_anova(data: pd.DataFrame, pooling: Pooling = "auto", tolerance: float | None = None) -> GaugeStudy:
    """Study by analysis of variance. data: columns part, appraiser, value (one row a trial).

    tolerance: width of the limits in the unit of the values, for the share of tolerance at 6 sd. One appraiser gives
    repeatability and part variation only. Without pooling, parts and appraisers are tested against the interaction,
    as a model with random effects asks; the manual prints their F against the equipment.
    """
    parts, appraisers, trials = _balanced(data)
    lines = _anova(data, appraisers)
    error, between = lines["equipment"], lines["part"]
    method = "analysis of variance, one appraiser: no reproducibility"
    av = interaction = 0.0
    if appraisers == 1:
        tests = {"part": error}
    else:
        cross = lines["interaction"]
        pool = pooling == "pooled" or (pooling == "auto" and _significance(cross, error) > ALPHA)
        method = f"analysis of variance, interaction {'pooled with repeatability' if pool else 'not pooled'}"
        if pool:
            error = _pool(cross, error)
            tests = {"part": error, "appraiser": error}
        else:
            interaction = _sd(cross, error, trials)
            tests = {"part": cross, "appraiser": cross, "interaction": error}
        av = _sd(lines["appraiser"], tests["appraiser"], parts * trials)
    pv = _sd(between, tests["part"], appraisers * trials)
    shares, categories = _table(math.sqrt(error[1] / error[0]), av, interaction, pv, tolerance)
    return GaugeStudy(method, parts, appraisers, trials, shares, _rows(lines, tests, error), categories, tolerance)


_Line = tuple[int, float]  # degrees of freedom, sum of squares


def _anova(data: pd.DataFrame, appraisers: int) -> dict[str, _Line]:
    """Sums of squares of a crossed and balanced study, from the means of its rows, columns and cells.

    Textbook formulas (NIST/SEMATECH e-Handbook, 7.4.3.6 and 7.4.3.7, from memory). Deviations are squared, not sums:
    digits are lost otherwise when the spread is small.
    """
    by = data["value"] - data["value"].mean()
    part = by.groupby(data["part"], observed=True)
    cell = by.groupby([data["part"], data["appraiser"]], observed=True)
    parts, rows = part.ngroups, len(data)
    between = float((part.transform("mean") ** 2).sum())
    if appraisers == 1:
        within = float(((by - part.transform("mean")) ** 2).sum())
        return {"part": (parts - 1, between), "equipment": (rows - parts, within)}
    column = by.groupby(data["appraiser"], observed=True).transform("mean")
    crossed = cell.transform("mean") - part.transform("mean") - column
    return {
        "part": (parts - 1, between),
        "appraiser": (appraisers - 1, float((column**2).sum())),
        "interaction": ((parts - 1) * (appraisers - 1), float((crossed**2).sum())),
        "equipment": (rows - parts * appraisers, float(((by - cell.transform("mean")) ** 2).sum())),
    }


def _pool(one: _Line, other: _Line) -> _Line:
    return one[0] + other[0], one[1] + other[1]


def _ms(line: _Line) -> float:
    return line[1] / line[0]


def _significance(line: _Line, error: _Line) -> float:
    from scipy import stats

    return 0.0 if _ms(error) == 0 else float(stats.f.sf(_ms(line) / _ms(error), line[0], error[0]))


def _sd(line: _Line, error: _Line, repeats: int) -> float:
    """Standard deviation component; a negative variance estimate is taken as none, as the manual does."""
    return math.sqrt(max(0.0, (_ms(line) - _ms(error)) / repeats))


def _rows(lines: dict[str, _Line], tests: dict[str, _Line], error: _Line) -> tuple[AnovaRow, ...]:
    rows = []
    for source in ("appraiser", "part", "interaction", "equipment"):
        if source not in lines:
            continue
        line, against = lines[source], tests.get(source)
        if source == "interaction" and against is None:
            against = lines["equipment"]  # pooled away: show the test that allowed it
        tested = against is not None and _ms(against) > 0
        f = _ms(line) / _ms(against) if tested and against else None
        p = _significance(line, against) if tested and against else None
        rows.append(AnovaRow(source, line[0], line[1], _ms(line), f, p))
    if error != lines["equipment"]:
        rows.append(AnovaRow("equipment, pooled", error[0], error[1], _ms(error), None, None))
    total = (sum(line[0] for line in lines.values()), sum(line[1] for line in lines.values()))
    return (*rows, AnovaRow("total", total[0], total[1], _ms(total), None, None))


def gauge_ranges(data: pd.DataFrame, tolerance: float | None = None) -> GaugeStudy:
    """Study by average-and-range: quick, blind to the interaction. Same data as `gauge_anova`, 2 appraisers or more."""
    parts, appraisers, trials = _balanced(data)
    if appraisers < 2:
        raise GaugeStudyError("average-and-range needs 2 appraisers or more; use analysis of variance")
    cells = data.groupby(["part", "appraiser"], observed=True)["value"]
    mean_range = float((cells.max() - cells.min()).mean())
    ev = mean_range / chart_constants(trials).d2
    av2 = (_range_of_means(data, "appraiser") / chart_constants(appraisers).d2_one_group) ** 2
    av = math.sqrt(max(0.0, av2 - ev**2 / (parts * trials)))
    pv = _range_of_means(data, "part") / chart_constants(parts).d2_one_group
    shares, categories = _table(ev, av, 0.0, pv, tolerance)
    return GaugeStudy("average and range", parts, appraisers, trials, shares, (), categories, tolerance)


def _range_of_means(data: pd.DataFrame, by: str) -> float:
    means: Sequence[float] = data.groupby(by, observed=True)["value"].mean().tolist()
    return max(means) - min(means)
