"""Entries that a validation report fills."""

from __future__ import annotations

from collections.abc import Callable
from math import isfinite, nan

from retreat.study.in_hand.performance import MEASURES, measure_words, validated_words
from retreat.study.reporting.known import Filled, Known
from retreat.validation.clusters import ClusterSpread
from retreat.validation.report import ValidationReport
from retreat.validation.verdict import LAST_SESSION

# an interval of observed / expected beyond this tells nothing
_TOO_WIDE = 10.0
_TOO_FEW = "too few clusters to tell of a new one"

Words = Callable[[Known, ValidationReport], str]


def _used(k: Known, r: ValidationReport) -> str:
    return (
        f"All cases served to make the model; it was tested by {r.scheme}: nothing was held back for good, patients "
        "stay whole."
    )


def _measures(k: Known, r: ValidationReport) -> str:
    names = ", ".join(MEASURES.values())
    beside = ", ".join(dict.fromkeys(one.other for one in r.comparisons))
    compared = f" Compared with: {beside}." if beside else ""
    return (
        f"{names}; calibration curves, net benefit of quoting {', '.join(str(h) for h in r.decisions)} sessions; "
        f"{100 * r.level:.0f}% intervals. Calibration first, for the numbers are told to patients.{compared}"
    )


def _performance(k: Known, r: ValidationReport) -> str:
    first = k.model.ends[0]
    told = [
        f"{MEASURES[row.measure].split(' (')[0]} by session {row.horizon}: {measure_words(row)}"
        for row in r.rows
        if row.end == first and row.measure in MEASURES and row.horizon <= LAST_SESSION
    ]
    parts = [
        f"{one.feature} {one.level}{'' if k.tables else f' (n = {one.n})'}: {one.observed_expected:.2f}"
        f"{_interval(one.interval)}"
        for one in r.subgroups
        if one.n and isfinite(one.observed_expected)
    ]
    groups = f" Observed / expected in parts: {'; '.join(parts)}." if parts else ""
    return f"{first.capitalize()}: {'; '.join(told)}. Verdict: {r.verdict.standing}.{groups}"


def _spread(k: Known, r: ValidationReport) -> str:
    if not r.clusters:
        return "Differences between clusters were not looked at (validate with `by`)."
    first = k.model.ends[0]
    chosen = [one for one in r.clusters if one.end == first and one.horizon <= LAST_SESSION]
    return "; ".join(_one_spread(one) for one in chosen) + ". Other ends and sessions are in the report."


def _one_spread(one: ClusterSpread) -> str:
    where = f"{one.by}, {one.end} by session {one.horizon}"
    if not isfinite(one.spread):
        return f"{where}: not known ({one.reason})"
    low, high = one.unseen
    new = f"a new one {low:.2f} to {high:.2f}" if low > 1 / _TOO_WIDE and high < _TOO_WIDE else _TOO_FEW
    return (
        f"{where}: {one.n_clusters} clusters, observed / expected {one.pooled:.2f}{_interval(one.pooled_interval)}, "
        f"spread of its log {one.spread:.2f}, {new}"
    )


def _spread_method(k: Known, r: ValidationReport) -> str:
    by = ", ".join(dict.fromkeys(one.by for one in r.clusters))
    if not by:
        return "Differences between clusters were not looked at (validate with `by`)."
    return (
        f"Observed over expected in each {by}, forecast by a model of the others; mean and spread of its log by a "
        "random-effects model, with an interval for a cluster not seen."
    )


def _numbers(k: Known, r: ValidationReport) -> str:
    return f"Validation: {_cases(k, r)}."


def _cases(k: Known, r: ValidationReport) -> str:
    # beside the counts of a cohort those of the validation would tell, by their difference, small ones
    return "the analysed cases" if k.tables else validated_words(r)


def _same(k: Known, r: ValidationReport) -> str:
    return (
        "The tested cases are the fitted ones, resampled or held out by patient: predictors and outcomes are spread "
        "alike. No other data set was tested."
    )


def _size(k: Known, r: ValidationReport) -> str:
    more = f" About {r.verdict.n_more} further cases would do." if r.verdict.n_more else ""
    slopes = [row for row in r.rows if row.measure == "slope" and row.end == k.model.ends[0]]
    slope = next((row for row in slopes if isfinite(row.corrected)), None)
    width = f" Corrected slope {measure_words(slope)}." if slope is not None else ""
    ends = ", ".join(k.model.ends)
    per = min(k.model.card.n_ended.values(), default=0) / max(1, len(k.model.coding.names))
    return f"Fewest ends of {ends} for each coefficient: {per:.0f}.{width}{more}"


def _resampled(k: Known, r: ValidationReport) -> str:
    return f"Whole patients were drawn or held out: {r.scheme}."


def _left_out(k: Known, r: ValidationReport) -> str:
    by = ", ".join(dict.fromkeys(one.by for one in r.clusters))
    return f"Each {by} in turn, by a model of the others." if by else "No cluster was left out as a whole."


def _not_apparent(k: Known, r: ValidationReport) -> str:
    return f"Yes: {r.scheme}."


def _tested_size(k: Known, r: ValidationReport) -> str:
    return f"Tested: {_cases(k, r)}. {_size(k, r)}"


def _tested_missing(k: Known, r: ValidationReport) -> str:
    return (
        "Courses not ended count for as long as they were followed (Aalen and Johansen); missing features as in the "
        f"recipe, {r.scheme}. Whether the lost matter was looked at: {'yes' if r.losses else 'no'}."
    )


def _no_leak(k: Known, r: ValidationReport) -> str:
    return "No: a patient with both eyes is drawn or held out as a whole."


def _all_steps(k: Known, r: ValidationReport) -> str:
    failed = f"{len(r.failures)} refits failed."
    return f"Yes: the validation takes the recipe, never the fitted model, and redoes it. {failed}"


def _three(k: Known, r: ValidationReport) -> str:
    have = {row.measure for row in r.rows if isfinite(row.corrected)}
    found = [
        ("calibration", bool(have & {"slope", "observed_expected"})),
        ("discrimination", "concordance_at" in have),
        ("net benefit", bool(r.decisions)),
    ]
    return "; ".join(f"{name}: {'yes' if there else 'no'}" for name, there in found) + "."


def _fair(k: Known, r: ValidationReport) -> str:
    by = ", ".join(dict.fromkeys(one.feature for one in r.subgroups))
    return (
        f"Calibration was looked at in parts of the cases by {by}."
        if by
        else "No parts of the cases were looked at."
    )


def _interval(pair: tuple[float, float]) -> str:
    low, high = pair if len(pair) == 2 else (nan, nan)
    return f" ({low:.2f} to {high:.2f})" if isfinite(low) and isfinite(high) else ""


VALIDATION: dict[str, dict[str, Words]] = {
    "tripod_ai": {
        "10": _size, "12a": _used, "12d": _spread_method, "12e": _measures, "14": _fair, "20c": _same, "21": _numbers,
        "23a": _performance, "23b": _spread,
    },
    "tripod_cluster": {"validation": _resampled, "spread": _spread, "left_out": _left_out},
    "probast_ai": {
        "D4.1": _size, "E4.1": _not_apparent, "E4.2": _tested_size, "E4.3": _tested_missing, "E4.5": _no_leak,
        "E4.6": _all_steps, "E4.7": _three,
    },
}  # fmt: skip


def from_validation(k: Known, checklist: str, entry: str) -> Filled | None:
    """What the report says of an entry; None where there is none or it says nothing."""
    words = VALIDATION[checklist].get(entry)
    if words is None or k.report is None:
        return None
    return Filled(words(k, k.report), k.report_source)
