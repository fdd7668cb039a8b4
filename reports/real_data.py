"""Validation of the hazard model on real tables with ties, competing ends and two eyes a patient: page and JSON.

Method. No table of floater treatments is open, so these are tables of something else, as courses in sessions. Maximum
likelihood hazards with one free effect a session; longest courses cut, each section says where. Optimism by the
bootstrap of whole patients (`validate_estimator`); calibration on predictions of ten folds, patients kept together.
Where other software fitted the same model to the same table, its number stands beside ours; a difference beyond the
tolerance ends the run with an error.

    python -m reports.real_data --out real_data [--resamples 200]
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from sklearn.model_selection import GroupKFold

from reports.real_tables import DATA, RealData, first_event, full_time, retinopathy, unempdur
from retreat.fitting import LogisticHazard
from retreat.pages.html import write_page
from retreat.pages.plots import calibration_figure
from retreat.pages.report import Figure, Section, Table, render_report
from retreat.validation import (
    Calibration,
    aalen_johansen,
    brier_at,
    calibration_at,
    measures,
    validate_estimator,
)

SEED, FOLDS = 20251125, 10
NOT_FLOATERS = (
    "These are not floater data: nothing here says how long a laser treatment of floaters takes, or how well a model "
    "of it would do."
)
MEASURES = (
    *("observed_expected", "in_the_large", "slope", "brier_at", "scaled_brier_at", "concordance_at"),
    *("integrated_brier", "rps", "log_score"),
)
LABELS = {name: measure.label.split(" (")[0] for name, measure in measures().items()}


def held_out(data: RealData) -> np.ndarray:
    """Incidence predicted by models of the other folds, shape (cases, ends, sessions)."""
    sessions, ending = data.cut
    groups = np.arange(len(sessions)) if data.groups is None else data.groups
    found = np.full((len(sessions), len(data.ends), data.horizons[-1]), np.nan)
    for fit, out in GroupKFold(FOLDS, shuffle=True, random_state=SEED).split(data.X, groups=groups):
        model = LogisticHazard().fit(data.X.iloc[fit], sessions[fit], ending[fit])
        found[out] = model.predict_incidence(data.X.iloc[out], data.horizons[-1])
    return found


def calibrations(data: RealData) -> dict[tuple[int, int], tuple[Calibration, np.ndarray]]:
    """Calibration on the folds left out and the predictions behind it, by end and session."""
    predicted = held_out(data)
    return {
        (j + 1, h): (
            calibration_at(
                predicted[:, j, h - 1],
                data.sessions,
                data.ending,
                end=j + 1,
                horizon=h,
                groups=data.groups,
            ),
            predicted[:, j, h - 1],
        )
        for j in range(len(data.ends))
        for h in data.horizons
    }


def beside(data: RealData, table: pd.DataFrame) -> pd.DataFrame:
    """Reference values of other software with ours and whether they agree."""
    model = LogisticHazard().fit(data.X, *data.cut, groups=data.groups)
    effects = model.summary().set_index(["end", "column"])
    incidence = aalen_johansen(data.sessions, data.ending).incidence
    predicted = model.predict_incidence(data.X)
    apparent = table.set_index(["measure", "horizon", "end"]).apparent

    def ours(quantity: str, end: int, horizon: int) -> float:
        name = quantity.rsplit(" ", 1)[-1]
        if quantity.startswith("coefficient"):
            return effects.estimate[end, name]
        if quantity.startswith("clustered standard error"):
            return effects.clustered_standard_error[end, name]
        if quantity == "observed incidence":
            return incidence[end - 1, horizon - 1]
        if quantity == "Brier score without cases lost at the session":
            F = predicted[:, end - 1, horizon - 1]
            return brier_at(F, data.sessions, data.ending, end=end, horizon=horizon, at_horizon="unknown")
        return apparent[quantity, horizon, str(end) if quantity not in ("rps", "log_score") else ""]

    reference = pd.read_csv(DATA / "real_data_values.csv")
    reference = reference[reference.data == data.name]
    values = [ours(*row) for row in zip(reference.quantity, reference.end, reference.session, strict=True)]
    agrees = np.abs(values - reference.value) <= reference.tolerance
    return reference.assign(ours=values, agrees=agrees)


def place(data: RealData, end: int, horizon: int) -> str:
    """End and session in words; end 0 is the whole course."""
    if end == 0:
        return f"whole course to session\u00a0{horizon}"
    name = data.ends[end - 1]
    return f"{name} by session\u00a0{horizon}" if horizon else name


def section(data: RealData, report: Any, curves: dict[tuple[int, int], Any], checks: pd.DataFrame) -> Section:
    """The data set's part of the page."""
    agree = f"{int(checks.agrees.sum())} of {len(checks)} reference values reproduced within their tolerance."
    failed = [
        f"{len(report.failures)} resamples not fitted, the first: {one}." for one in report.failures[:1]
    ]
    last = data.horizons[-1]
    figures = [figure(data, j, h, *curves[j, h]) for j, h in curves if h == last]
    tables = (held_out_table(data, curves), corrected_table(data, report), reference_table(data, checks))
    return Section(data.title, [data.about, agree, *failed], figures, tables)


def held_out_table(data: RealData, curves: dict[tuple[int, int], Any]) -> Table:
    rows = [
        (
            place(data, *key),
            c.observed,
            c.expected,
            spanned(c.observed_expected, c.observed_expected_interval),
            spanned(c.slope, c.slope_interval),
            c.ici,
        )
        for key, (c, _) in curves.items()
    ]
    columns = ("End", "Observed", "Mean predicted", "Observed / expected", "Slope", "ICI")
    caption = (
        f"Cases predicted by models of the other patients, {FOLDS} folds, with 95% intervals; ICI is the mean "
        "distance from the smooth curve"
    )
    return Table(caption, columns, rows)


def corrected_table(data: RealData, report: Any) -> Table:
    shown = [row for row in report.rows if row.measure not in ("observed_expected", "in_the_large")]
    rows = [
        (
            f"{LABELS[row.measure]}: {place(data, int(row.end or 0), row.horizon)}",
            *(round(value, 3) + 0.0 for value in (row.apparent, row.optimism, row.corrected)),
            f"{row.low:.3f}\u00a0to\u00a0{row.high:.3f}",
        )
        for row in shown
    ]
    columns = ("Measure", "On the fitted cases", "Optimism", "Corrected", "95% interval")
    return Table(report.scheme, columns, rows)


def reference_table(data: RealData, checks: pd.DataFrame) -> Table:
    sources = {source: f"({chr(97 + i)})" for i, source in enumerate(dict.fromkeys(checks.source))}
    rows = [
        (
            f"{LABELS.get(row.quantity, row.quantity)}: {place(data, row.end, row.session)}",
            f"{row.ours:.8f}",
            f"{row.value:.8f}",
            f"{row.tolerance:g}",
            sources[row.source],
        )
        for row in checks.itertuples()
    ]
    by = "; ".join(f"{letter}\u00a0{source}" for source, letter in sources.items())
    caption = f"Beside other software, the same model and the same table. Theirs by {by}"
    return Table(caption, ("Quantity", "Ours", "Theirs", "Tolerance", "By"), rows)


def figure(data: RealData, end: int, horizon: int, c: Calibration, p: np.ndarray) -> Figure:
    """Calibration drawing of one end by one session."""
    curve = [] if c.curve is None else [{"label": "Smooth curve with 95% band", **asdict(c.curve)}]
    points = [{"label": "Fifths of the prediction", **asdict(c.points)}]
    n_events = int(((data.ending == end) & (data.sessions <= horizon)).sum())
    where = place(data, end, horizon)
    title = where[0].upper() + where[1:]
    image = calibration_figure(curve, groups=points, density=p, n=len(p), n_events=n_events, title=title)
    alt = f"{data.title}, {where}: observed {c.observed:.2f}, mean predicted {c.expected:.2f}, slope {c.slope:.2f}."
    return Figure(image, alt, f"Smooth curve: {c.smoother}." if c.curve is not None else c.reason)


def spanned(value: float, interval: tuple[float, float]) -> str:
    return f"{value:.2f} ({interval[0]:.2f} to {interval[1]:.2f})".replace(" ", "\u00a0")


def plain(value: Any) -> Any:
    """The value with arrays as lists and NaN as null."""
    if isinstance(value, dict):
        return {key: plain(one) for key, one in value.items()}
    if isinstance(value, list | tuple | np.ndarray):
        return [plain(one) for one in value]
    if isinstance(value, np.generic):
        value = value.item()
    return None if isinstance(value, float) and not np.isfinite(value) else value


def run(data: RealData, resamples: int) -> tuple[Section, dict[str, Any], pd.DataFrame]:
    """One data set validated: its section, its numbers, and the reference values beside ours."""
    report = validate_estimator(
        LogisticHazard(),
        data.X,
        *data.cut,
        groups=data.groups,
        resamples=resamples,
        horizons=data.horizons,
        seed=SEED,
        measures=MEASURES,
    )
    checks = beside(data, report.table)
    curves = calibrations(data)
    print(f"\n{data.title}\n{report.scheme}, {report.n_cases} cases; {len(report.failures)} not fitted")
    table = report.table
    table["end"] = [data.ends[int(end) - 1] if end else "whole course" for end in table.end]
    print(table.round(4).to_string(index=False))
    shown = checks.assign(difference=checks.ours - checks.value)
    columns = ["quantity", "end", "session", "ours", "value", "difference", "tolerance", "agrees", "source"]
    print(shown[columns].to_string(index=False))
    numbers = {
        **report.to_json(),
        "floaters": False,
        "held_out": [
            {"end": data.ends[end - 1], "session": h, **asdict(c)} for (end, h), (c, _) in curves.items()
        ],
        "reference_values": checks.to_dict("records"),
    }
    return section(data, report, curves, checks), plain(numbers), checks


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--out", type=Path, default=Path("real_data"))
    parser.add_argument("--resamples", type=int, default=200)
    options = parser.parse_args()

    sections, numbers, checks = [], {}, []
    for load in (unempdur, full_time, retinopathy, first_event):
        started, data = time.perf_counter(), load()
        part, numbers[data.name], found = run(data, options.resamples)
        sections.append(part)
        checks.append(found)
        print(f"{data.name}: {time.perf_counter() - started:.0f} s", file=sys.stderr)
    intro = [
        "How the array layer of retreat validates a hazard model on real tables with ties, competing ends, loss to "
        "follow-up and two eyes a patient, and whether its numbers are those of other software where that fitted the "
        "same model.",
        "Effects are the same at every session in these models. Where they are not so in truth, slopes differ from 1 "
        "and change with the session; that is a finding of the validation, not an error of it.",
    ]
    options.out.mkdir(parents=True, exist_ok=True)
    page = render_report("Validation on real data, not of floaters", intro, sections, banners=[NOT_FLOATERS])
    print(write_page(page, options.out / "real_data.html"))
    text = json.dumps(numbers, indent=1, allow_nan=False)
    (options.out / "real_data.json").write_text(text, encoding="utf-8")
    wrong = pd.concat(checks).query("not agrees")
    if len(wrong):
        raise SystemExit(f"these differ from other software:\n{wrong.to_string(index=False)}")


if __name__ == "__main__":
    main()
