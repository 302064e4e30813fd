"""Groups of specimens compared: effect sizes with confidence limits, linear and mixed models.

Everything is what scipy and statsmodels return when called directly on the exported table; the
calls are in this module and nowhere hidden.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import combinations
from typing import Any, Final

from canalwright.cohort.libraries import needed

__all__ = ["Contrast", "GroupSummary", "ModelTerm", "contrasts", "model_terms", "summaries"]

PURPOSE: Final = "Comparing groups"
_Z95: Final = 1.959963984540054
LEAST_PER_GROUP: Final = 2
LEAST_PAIRS: Final = 3


@dataclass(frozen=True, slots=True)
class GroupSummary:
    """One measure in one group; NaN where it has too few values."""

    measure: str
    group: str
    count: int
    mean: float
    sd: float
    median: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Contrast:
    """Two groups in one measure, the first less the second.

    Attributes
    ----------
    measure, first, second : str
    difference, low, high : float
        Of the means, with 95 % limits that allow different variances (Welch).
    p : float
        Two-sided, of the same test.
    p_adjusted : float
        After Holm, over all contrasts of all measures.
    effect, effect_low, effect_high : float
        Hedges' g with 95 % limits.
    p_rank : float
        Of the Mann-Whitney test.
    """

    measure: str
    first: str
    second: str
    difference: float
    low: float
    high: float
    p: float
    p_adjusted: float
    effect: float
    effect_low: float
    effect_high: float
    p_rank: float


@dataclass(frozen=True, slots=True)
class ModelTerm:
    """One term of a model of one measure.

    Attributes
    ----------
    measure : str
    model : {"mixed", "linear"}
        A mixed model with a random intercept for every pair where specimens pair, else a linear
        one.
    term : str
    value, low, high, p : float
    note : str
        Why there is no value, or what the fit complained about.
    """

    measure: str
    model: str
    term: str
    value: float
    low: float
    high: float
    p: float
    note: str = ""


def summaries(frame: Any, measures: Iterable[str]) -> tuple[GroupSummary, ...]:
    """Return count, mean, spread and quartiles of every measure in every group."""
    found = []
    for measure in measures:
        for group, values in _by_group(frame, measure):
            spread = float(values.std(ddof=1)) if len(values) > 1 else math.nan
            low, middle, high = values.quantile([0.25, 0.5, 0.75])
            mean, count = float(values.mean()), len(values)
            found.append(
                GroupSummary(
                    measure, group, count, mean, spread, float(middle), float(low), float(high)
                )
            )
    return tuple(found)


def contrasts(frame: Any, measures: Iterable[str]) -> tuple[Contrast, ...]:
    """Compare every two groups in every measure.

    Parameters
    ----------
    frame : pandas.DataFrame
        With a column ``group`` and one for every measure; rows without a value are left out.
    measures : iterable of str

    Raises
    ------
    MissingExtra
        If pandas or statsmodels is not installed.
    """
    multiple = needed("statsmodels.stats.multitest", PURPOSE)
    found = [
        _contrast(measure, *first, *second)
        for measure in measures
        for first, second in combinations(_by_group(frame, measure), 2)
        if _comparable(first[1], second[1])
    ]
    if not found:
        return ()
    adjusted = multiple.multipletests([one["p"] for one in found], method="holm")[1]
    return tuple(
        Contrast(**one, p_adjusted=float(p)) for one, p in zip(found, adjusted, strict=True)
    )


def _by_group(frame: Any, measure: str) -> list[tuple[str, Any]]:
    known = frame[(frame["group"] != "") & frame[measure].notna()]
    return [(str(name), part[measure]) for name, part in known.groupby("group", sort=False)]


def _comparable(first: Any, second: Any) -> bool:
    return (
        min(len(first), len(second)) >= LEAST_PER_GROUP
        and first.std(ddof=1) + second.std(ddof=1) > 0.0
    )


def _contrast(measure: str, name: str, first: Any, other: str, second: Any) -> dict[str, Any]:
    from scipy import stats

    meta = needed("statsmodels.stats.meta_analysis", PURPOSE)
    welch = stats.ttest_ind(first, second, equal_var=False)
    limits = welch.confidence_interval(0.95)
    g, variance = meta.effectsize_smd(
        *(value for part in (first, second) for value in (part.mean(), part.std(ddof=1), len(part)))
    )
    half = _Z95 * math.sqrt(float(variance))
    return {
        "measure": measure,
        "first": name,
        "second": other,
        "difference": float(first.mean() - second.mean()),
        "low": float(limits.low),
        "high": float(limits.high),
        "p": float(welch.pvalue),
        "effect": float(g),
        "effect_low": float(g) - half,
        "effect_high": float(g) + half,
        "p_rank": float(stats.mannwhitneyu(first, second).pvalue),
    }


def model_terms(
    frame: Any, measures: Iterable[str], covariates: Iterable[str] = ()
) -> tuple[ModelTerm, ...]:
    """Model every measure by group and covariates.

    Parameters
    ----------
    frame : pandas.DataFrame
        With ``group``, ``pair``, the covariates and the measures. Columns of numbers count as
        numbers, others as categories.
    measures, covariates : iterable of str

    Notes
    -----
    Where at least three pairs have two specimens or more: `statsmodels` ``mixedlm`` with a random
    intercept for each pair, by restricted maximum likelihood. Specimens without a pair form one of
    their own. Else ordinary least squares.
    """
    names = tuple(covariates)
    return tuple(term for measure in measures for term in _terms(frame, measure, names))


def formula(frame: Any, measure: str, covariates: Iterable[str]) -> str:
    """Return the formula of the model: the measure by group and covariates."""
    kinds = needed("pandas.api.types", PURPOSE)
    parts = ["C(Q('group'))"] if frame["group"].nunique() > 1 else []
    for name in covariates:
        quoted = f"Q({name!r})"
        if frame[name].nunique() > 1:
            number = kinds.is_numeric_dtype(frame[name])
            parts.append(quoted if number else f"C({quoted})")
    return f"Q({measure!r}) ~ {' + '.join(parts) or '1'}"


def _terms(frame: Any, measure: str, covariates: tuple[str, ...]) -> tuple[ModelTerm, ...]:
    known = frame[(frame["group"] != "") & frame[measure].notna()]
    for name in covariates:
        known = known[known[name].notna() & (known[name].astype(str) != "")]
    text = formula(known, measure, covariates) if len(known) else "~ 1"
    if text.endswith("~ 1") or known[measure].nunique() < 2:
        return ()
    paired = _pairs(known) >= LEAST_PAIRS
    kind = "mixed" if paired else "linear"
    try:
        rows, note = _fitted(known, text, paired)
    except Exception as error:  # whatever the solver meets in data: the row says so
        nan = math.nan
        reason = " ".join(f"no fit: {error}".split())
        return (ModelTerm(measure, kind, "", nan, nan, nan, nan, reason),)
    return tuple(
        ModelTerm(measure, kind, name, value, low, high, p, note)
        for name, value, low, high, p in rows
    )


_LEFT_OUT: Final = ("Intercept", "Group Var")


def _pairs(known: Any) -> int:
    named = known[known["pair"] != ""]
    return int((named.groupby("pair").size() > 1).sum())


def _fitted(known: Any, text: str, paired: bool) -> tuple[list[Any], str]:
    """Return term, value, limits and p of every term, and what the fit complained about."""
    api = needed("statsmodels.formula.api", PURPOSE)
    with warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always")
        if paired:
            fit = api.mixedlm(text, known, groups=pair_names(known)).fit(reml=True)
        else:
            fit = api.ols(text, known).fit()
        if not fit.df_resid > 0:
            raise ValueError("there are no more specimens than terms")
        limits = fit.conf_int()
        rows = [
            (str(name), float(fit.params[name]), *map(float, limits.loc[name]),
             float(fit.pvalues[name]))
            for name in fit.params.index
            if name not in _LEFT_OUT
        ]  # fmt: skip
    notes = dict.fromkeys(" ".join(str(one.message).split()) for one in said)
    return rows, "; ".join(notes)


def pair_names(frame: Any) -> Any:
    """Return what specimens are grouped by: their pair, or themselves."""
    return frame["pair"].where(frame["pair"] != "", frame["id"])
