"""Gauge R&R against AIAG, Measurement Systems Analysis, 4th edition (2010), as reprinted by McNeese (2015)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from wakeboard.results.statistics import GaugeStudyError, chart_constants, gauge_anova, gauge_ranges

DATA = Path(__file__).resolve().parent.parent / "data"


@pytest.fixture(scope="module")
def manual() -> pd.DataFrame:
    return pd.read_csv(DATA / "aiag_msa4_grr.csv", comment="#")


def test_analysis_of_variance_with_pooling(manual: pd.DataFrame) -> None:
    # AIAG tables III-B 7 and 8.
    study = gauge_anova(manual, tolerance=8.0)
    lines = {row.source: row for row in study.anova}
    published = {
        "appraiser": (2, 3.1673, 1.58363),
        "part": (9, 88.3619, 9.81799),
        "interaction": (18, 0.3590, 0.019943),
        "equipment": (60, 2.7589, 0.045982),
    }
    for source, (df, ss, ms) in published.items():
        assert lines[source].df == df
        assert lines[source].ss == pytest.approx(ss, abs=6e-5)
        assert lines[source].ms == pytest.approx(ms, abs=6e-6)
    assert (lines["total"].df, lines["total"].ss) == (89, pytest.approx(94.6471, abs=5e-5))
    assert lines["interaction"].f == pytest.approx(0.434, abs=5e-4)
    assert lines["interaction"].p == pytest.approx(0.974, abs=5e-4)
    assert lines["equipment, pooled"].ms == pytest.approx(0.0399733, abs=5e-8)
    # The manual prints F against the unpooled equipment: 34.44 and 213.52.
    assert lines["appraiser"].ms / lines["equipment"].ms == pytest.approx(34.44, abs=5e-3)
    assert lines["part"].ms / lines["equipment"].ms == pytest.approx(213.52, abs=5e-3)
    sds = {"EV": 0.199933, "AV": 0.226838, "INT": 0.0, "GRR": 0.302373, "PV": 1.042327, "TV": 1.085300}
    for source, sd in sds.items():
        assert study.share(source).sd == pytest.approx(sd, abs=2e-6)
    percents = {"EV": (18.4, 3.39), "AV": (20.9, 4.37), "GRR": (27.9, 7.76), "PV": (96.0, 92.24)}
    for source, (of_total, contribution) in percents.items():
        assert study.share(source).percent_of_total == pytest.approx(of_total, abs=0.05)
        assert study.share(source).contribution == pytest.approx(contribution, abs=0.005)
    assert study.share("GRR").percent_of_tolerance == pytest.approx(22.68, abs=0.005)
    assert study.share("PV").percent_of_tolerance == pytest.approx(78.17, abs=0.005)
    assert study.categories == pytest.approx(4.86, abs=0.005)
    assert study.ndc == 4
    assert "pooled with repeatability" in study.method
    assert "conditional" in study.says


def test_without_pooling_the_repeatability_is_larger_and_said(manual: pd.DataFrame) -> None:
    study = gauge_anova(manual, pooling="not pooled")
    assert study.share("EV").sd == pytest.approx(0.214435, abs=5e-7)
    assert "not pooled" in study.method


def test_average_and_range(manual: pd.DataFrame) -> None:
    study = gauge_ranges(manual)
    published = {"EV": 0.2019, "AV": 0.2297, "GRR": 0.3058, "PV": 1.1046, "TV": 1.1461}
    for source, sd in published.items():
        assert study.share(source).sd == pytest.approx(sd, abs=2e-4)  # the manual rounds its means and K factors
    percents = {"EV": 17.61, "AV": 20.04, "GRR": 26.68, "PV": 96.4}
    for source, percent in percents.items():
        assert study.share(source).percent_of_total == pytest.approx(percent, abs=0.03)
    assert study.categories == pytest.approx(5.09, abs=0.005)
    assert study.ndc == 5


def test_the_manuals_k_factors_are_reciprocal_constants() -> None:
    # AIAG: K1 0.5908 (3 trials), K2 0.5231 (3 appraisers), K3 0.3146 (10 parts).
    assert 1 / chart_constants(3).d2 == pytest.approx(0.5908, abs=5e-5)
    assert 1 / chart_constants(3).d2_one_group == pytest.approx(0.5231, abs=5e-5)
    assert 1 / chart_constants(10).d2_one_group == pytest.approx(0.3146, abs=5e-5)


def study_of(part_sd: float, bench_sd: float, cross_sd: float, noise: float, benches: int = 20) -> pd.DataFrame:
    rng = np.random.default_rng(3)
    parts = part_sd * rng.standard_normal(60)
    offset = bench_sd * rng.standard_normal(benches)
    cross = cross_sd * rng.standard_normal((60, benches))
    rows = [
        (p, b, parts[p] + offset[b] + cross[p, b] + noise * rng.standard_normal())
        for p in range(60)
        for b in range(benches)
        for _ in range(2)
    ]
    return pd.DataFrame(rows, columns=["part", "appraiser", "value"])


def test_a_known_mixture_is_taken_apart() -> None:
    study = gauge_anova(study_of(1.0, 0.5, 0.3, 0.2))
    assert "not pooled" in study.method  # the interaction is there, so it must not be pooled away
    assert study.share("EV").sd == pytest.approx(0.2, rel=0.05)
    assert study.share("INT").sd == pytest.approx(0.3, rel=0.05)
    assert study.share("AV").sd == pytest.approx(0.5, rel=0.4)
    assert study.share("PV").sd == pytest.approx(1.0, rel=0.25)


def test_one_bench_gives_repeatability_only() -> None:
    study = gauge_anova(study_of(1.0, 0.0, 0.0, 0.2, benches=1))
    assert study.share("EV").sd == pytest.approx(0.2, rel=0.3)
    assert study.share("AV").sd == 0.0
    assert "one appraiser" in study.method


def test_a_small_spread_on_a_large_value_keeps_its_digits(manual: pd.DataFrame) -> None:
    shifted = manual.assign(value=manual["value"] * 1e-3 + 1e4)
    assert gauge_anova(shifted).share("GRR").sd == pytest.approx(0.302373e-3, rel=1e-5)


def test_an_incomplete_study_is_refused_by_name(manual: pd.DataFrame) -> None:
    with pytest.raises(GaugeStudyError, match=r"part 1 by A: 2 trials where others have 3"):
        gauge_anova(manual.iloc[1:])
    with pytest.raises(GaugeStudyError, match="columns"):
        gauge_anova(manual.drop(columns=["part"]))
    with pytest.raises(GaugeStudyError, match="2 trials"):
        gauge_anova(manual[manual["trial"] == 1])
    with pytest.raises(GaugeStudyError, match="2 appraisers"):
        gauge_ranges(manual[manual["appraiser"] == "A"])
    with pytest.raises(GaugeStudyError, match="all are equal"):
        gauge_ranges(manual.assign(value=1.0))


@pytest.mark.parametrize(("parts", "appraisers", "trials"), [(10, 3, 3), (5, 2, 4), (7, 1, 3)])
def test_sums_of_squares_against_statsmodels(parts: int, appraisers: int, trials: int) -> None:
    """A reference library's analysis of variance, on values with a spread of 1e-8 of their mean."""
    from statsmodels.formula.api import ols
    from statsmodels.stats.anova import anova_lm

    draw = np.random.default_rng(parts)
    index = [(p, a) for p in range(parts) for a in range(appraisers) for _ in range(trials)]
    data = pd.DataFrame(index, columns=["part", "appraiser"])
    data["value"] = 10.0 + 1e-7 * (data["part"] + 0.3 * data["appraiser"] + draw.normal(size=len(index)))
    centred = data.assign(value=(data["value"] - data["value"].mean()) * 1e7)
    formula = "value ~ C(part) * C(appraiser)" if appraisers > 1 else "value ~ C(part)"
    table = anova_lm(ols(formula, data=centred).fit())
    names = {"C(part)": "part", "C(appraiser)": "appraiser", "Residual": "equipment"}
    lines = {row.source: row for row in gauge_anova(data, pooling="not pooled").anova}
    for key, row in table.iterrows():
        line = lines[names.get(str(key), "interaction")]
        assert line.df == round(row["df"])
        assert line.ss * 1e14 == pytest.approx(row["sum_sq"], rel=1e-6)


def test_nist_certified_analysis_of_variance() -> None:
    """NIST StRD SiRstv, one factor: certified sums of squares, as they stand in the head of the file."""
    data = pd.read_csv(DATA / "nist_strd_anova_SiRstv.csv", comment="#")
    data.columns = ["part", "value"]
    data["appraiser"] = "one"
    lines = {row.source: row for row in gauge_anova(data).anova}
    assert (lines["part"].df, lines["equipment"].df) == (4, 20)
    assert lines["part"].ss == pytest.approx(5.11462616000000e-02, rel=1e-9)
    assert lines["equipment"].ss == pytest.approx(2.16636560000000e-01, rel=1e-9)
