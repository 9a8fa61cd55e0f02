"""Statistics of readings, collected: one name to import, one module per concern beneath.

==========  =================================================================
module      answers
==========  =================================================================
summary     what is the mean, the spread; do groups differ (one-way ANOVA)?
capability  does the process fit its limits: Cp, Cpk, Cpm with intervals
yields      what share of units passes, and how sure is that?
tolerance   which limits follow from the few units that were built?
outliers    which unit is unlike the others, and can so few units tell?
charts      does it drift: individuals chart, moving range, weighted average, chart constants
risk        what does a guard band cost: bad units passed, good ones refused?
gauge       is it the bench or the board: gauge R&R, two ways
==========  =================================================================

Everything takes plain sequences of floats in SI units and returns frozen dataclasses. scipy and pandas do
the arithmetic; they are imported inside functions, since the command line must start without them.
"""

from wakeboard.results.statistics.capability import Capability, capability
from wakeboard.results.statistics.charts import (
    ChartConstants,
    IndividualsChart,
    WeightedChart,
    chart_constants,
    individuals,
    weighted,
)
from wakeboard.results.statistics.gauge import GaugeStudy, GaugeStudyError, gauge_anova, gauge_ranges
from wakeboard.results.statistics.outliers import (
    GrubbsResult,
    OutlierResult,
    grubbs,
    outliers,
    power_of_few,
    rare_cut_off,
)
from wakeboard.results.statistics.risk import Risk, global_risk
from wakeboard.results.statistics.summary import OneWay, StatisticsError, Summary, one_way, summarise
from wakeboard.results.statistics.tolerance import (
    ProposedLimits,
    one_sided_factor,
    propose_limits,
    two_sided_factor,
    two_sided_factor_howe,
)
from wakeboard.results.statistics.yields import Proportion, YieldResult, proportion, yields

__all__ = [
    "Capability",
    "ChartConstants",
    "GaugeStudy",
    "GaugeStudyError",
    "GrubbsResult",
    "IndividualsChart",
    "OneWay",
    "OutlierResult",
    "Proportion",
    "ProposedLimits",
    "Risk",
    "StatisticsError",
    "Summary",
    "WeightedChart",
    "YieldResult",
    "capability",
    "chart_constants",
    "gauge_anova",
    "gauge_ranges",
    "global_risk",
    "grubbs",
    "individuals",
    "one_sided_factor",
    "one_way",
    "outliers",
    "power_of_few",
    "proportion",
    "propose_limits",
    "rare_cut_off",
    "summarise",
    "two_sided_factor",
    "two_sided_factor_howe",
    "weighted",
    "yields",
]
