"""Group statistics against scipy and statsmodels called directly on the exported table."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy import stats
from statsmodels.stats.meta_analysis import effectsize_smd
from statsmodels.stats.multitest import multipletests

from canalwright.cohort.group_statistics import contrasts, model_terms, summaries


def table(pairs: bool) -> pd.DataFrame:
    rng = np.random.default_rng(4)
    rows = []
    for tooth in range(12):
        base = rng.normal(0.0, 0.3)
        for group in ("A", "B", "C"):
            age = 20.0 + 3.0 * tooth
            removed = 1.0 + 0.4 * (group == "B") + base + rng.normal(0.0, 0.2) + 0.01 * age
            pair = f"tooth{tooth}" if pairs else ""
            rows.append((f"{group}{tooth}", group, pair, age, removed, rng.normal(30.0, 5.0)))
    names = ["id", "group", "pair", "age", "removed_mm3", "untouched_percent"]
    frame = pd.DataFrame(rows, columns=names)
    frame.loc[3, "removed_mm3"] = np.nan
    return frame


MEASURES = ("removed_mm3", "untouched_percent")


def exported(frame: pd.DataFrame, tmp_path) -> pd.DataFrame:
    frame.to_csv(tmp_path / "results.csv", index=False)
    return pd.read_csv(tmp_path / "results.csv", keep_default_na=True)


def test_contrasts_are_those_of_the_libraries(tmp_path):
    frame = table(pairs=False)
    found = contrasts(frame, MEASURES)
    assert len(found) == 6
    again, p_values = exported(frame, tmp_path), []
    for one in found:
        first, second = (
            again[again["group"] == name][one.measure].dropna() for name in (one.first, one.second)
        )
        welch = stats.ttest_ind(first, second, equal_var=False)
        p_values.append(welch.pvalue)
        g, variance = effectsize_smd(
            first.mean(), first.std(), len(first), second.mean(), second.std(), len(second)
        )
        half = stats.norm.ppf(0.975) * np.sqrt(variance)
        assert one.p == pytest.approx(welch.pvalue, rel=1e-12)
        assert (one.low, one.high) == pytest.approx(tuple(welch.confidence_interval()), rel=1e-12)
        assert one.effect == pytest.approx(g, rel=1e-12)
        assert (one.effect_low, one.effect_high) == pytest.approx((g - half, g + half), rel=1e-9)
        assert one.p_rank == pytest.approx(stats.mannwhitneyu(first, second).pvalue, rel=1e-12)
    adjusted = multipletests(p_values, method="holm")[1]
    assert [one.p_adjusted for one in found] == pytest.approx(list(adjusted), rel=1e-12)


def test_pairs_get_a_mixed_model(tmp_path):
    frame = table(pairs=True)
    terms = [t for t in model_terms(frame, MEASURES[:1], ["age"]) if t.model == "mixed"]
    known = exported(frame, tmp_path).dropna(subset=["removed_mm3"])
    fit = smf.mixedlm("removed_mm3 ~ C(group) + age", known, groups=known["pair"]).fit(reml=True)
    limits = fit.conf_int()
    assert len(terms) == 3
    for one, name in zip(terms, ("C(group)[T.B]", "C(group)[T.C]", "age"), strict=True):
        assert one.value == pytest.approx(fit.params[name], rel=1e-6)
        assert (one.low, one.high) == pytest.approx(tuple(limits.loc[name]), rel=1e-5)
        assert one.p == pytest.approx(fit.pvalues[name], rel=1e-4, abs=1e-12)


def test_without_pairs_the_model_is_linear(tmp_path):
    frame = table(pairs=False)
    terms = model_terms(frame, MEASURES[:1], ["age"])
    fit = smf.ols("removed_mm3 ~ C(group) + age", exported(frame, tmp_path)).fit()
    assert {one.model for one in terms} == {"linear"}
    assert [one.value for one in terms] == pytest.approx(list(fit.params[1:]), rel=1e-9)


def test_summaries_leave_out_what_is_not_known():
    frame = table(pairs=False)
    first = summaries(frame, MEASURES)[0]
    known = frame[(frame["group"] == "A")]["removed_mm3"].dropna()
    assert (first.group, first.count) == ("A", len(known))
    assert first.mean == pytest.approx(known.mean(), rel=1e-12)


def test_constant_measures_and_single_specimens_give_nothing_rather_than_an_error():
    frame = table(pairs=False).assign(untouched_percent=30.0)
    assert not contrasts(frame, ["untouched_percent"])
    assert not model_terms(frame, ["untouched_percent"])
    assert not contrasts(frame.iloc[:2], ["removed_mm3"])
