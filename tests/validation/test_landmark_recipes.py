"""Validation at landmarks of whole recipes on an invented clinic: refits by fold, nothing later than the landmark."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from made_models import made_model

import retreat
import synthetic
from retreat.definitions import read_definition
from retreat.definitions.entries import Verdict as Limits
from retreat.errors import FitError
from retreat.fitting.design import read_data
from retreat.model.history import read_records
from retreat.pages.calibration import summary_lines
from retreat.pages.landmarks import during_a_course
from retreat.tables import as_cases, as_visits
from retreat.validation.landmarks import DIFFERENCE, LandmarkRow
from retreat.validation.midcourse import decisive
from retreat.validation.schemes.folds import HeldOut
from retreat.validation.schemes.landmark_refits import DRAWS, Known, LandmarkRefits, parted
from retreat.validation.schemes.recipe_refits import RecipeRefits
from retreat.validation.verdict import judge

AT = (0, 1, 2, 3)


@pytest.fixture(scope="module")
def tables() -> tuple[pd.DataFrame, pd.DataFrame]:
    clinic = synthetic.make("established", seed=3, truth=False, cases=260)
    cases, visits = (
        pd.DataFrame({name: list(values) for name, values in table.items()})
        for table in (clinic.cases, clinic.visits)
    )
    checked = as_cases(cases)
    return checked, as_visits(visits, checked)


@pytest.fixture(scope="module")
def blind(tables: Any) -> Any:
    return retreat.validate(tables[0], "core", folds=3, at=AT, challengers=())


@pytest.fixture(scope="module")
def plain(tables: Any) -> Any:
    return retreat.validate(tables[0], "core", folds=3, at=(), challengers=())


@pytest.fixture(scope="module")
def learning(tables: Any) -> Any:
    return retreat.validate(tables[0], "landmark", visits=tables[1], folds=3, challengers=())


def refits_of(
    tables: Any, name: str, visits: pd.DataFrame | None, at: tuple[int, ...] = AT
) -> LandmarkRefits:
    cases, _ = tables
    definition = read_definition(name)
    everyone = read_data(cases, definition)
    kept = np.flatnonzero(everyone.complete)
    records = None
    if visits is not None and definition.history is not None:
        records = read_records(cases, visits, cases["sessions"].to_numpy(dtype=np.int64)).rows(kept)
    method = "lifetable" if definition.strata else "logistic"
    recipe = RecipeRefits(everyone.rows(kept), method, 1, {}, 5, records=records)
    return LandmarkRefits(recipe, Known(cases.iloc[kept], visits), at)


def held(refits: LandmarkRefits, n: int = 80) -> np.ndarray:
    """The first cases are held out of the fit."""
    weights = np.ones((1, len(refits.refits.data.sessions)))
    weights[0, :n] = 0.0
    return weights


def later(refits: LandmarkRefits, weights: np.ndarray) -> dict[int, np.ndarray]:
    found, failures = refits.predict(weights)
    assert not failures
    return parted(HeldOut(found, (), 1), horizon=5, at=refits.at, last=None)[1]


def test_the_table_is_tidy_and_has_every_landmark_horizon_and_measure(learning: Any) -> None:
    table = learning.landmarks

    assert list(table.columns) == ["done", "horizon", "end", "told", "n", "measure", "value", "low", "high"]
    # with a history the landmarks are 0 to 3 unless others are named, and the score is held against core
    assert set(zip(table["done"], table["horizon"], strict=True)) == {(k, k + h) for k in AT for h in (1, 2)}
    assert set(table["measure"]) == {
        *("observed_expected", "slope", "intercept", "ici"),
        *("brier_at", "scaled_brier_at", "concordance_at", "log_score", "log_score_difference"),
    }
    assert learning.against == "core"
    assert set(zip(table["done"], table["told"], strict=True)) == {
        *((k, "all") for k in AT),
        *((k, "told") for k in AT[1:]),
    }
    went_on = table.groupby("done")["n"].max()
    assert went_on.is_monotonic_decreasing
    told = table.dropna(subset=["low"])
    assert (told["low"] <= told["value"]).all()
    assert (told["value"] <= told["high"]).all()


def test_a_model_that_learns_from_sessions_is_judged_on_the_eyes_they_told_of(
    tables: Any, monkeypatch: Any
) -> None:
    judged: list[Any] = []

    def keeping(rows: Any, comparisons: Any, mid_course: Any, **given: Any) -> Any:
        judged.extend((mid_course, given["landmarks"]))
        return judge(rows, comparisons, mid_course, **given)

    monkeypatch.setattr("retreat.validation.recipes.judge", keeping)
    cases, visits = tables
    kept = set(cases["case"][np.arange(len(cases)) % 2 == 0])
    some = visits.copy()
    some.loc[~some["case"].isin(kept), ["cleared", "bother"]] = np.nan
    some.loc[~some["case"].isin(kept), "fragments"] = "not_recorded"
    report = retreat.validate(cases, "landmark", visits=some, folds=3, at=(1, 3), challengers=())

    n = {(r.done, r.told): r.n for r in report.mid_course}
    assert n[1, "told"] >= 20 > n[3, "told"]
    assert 0.3 * n[1, "all"] < n[1, "told"] < 0.7 * n[1, "all"]
    assert {(r.done, r.told) for r in decisive(report.mid_course)} == {(1, "told"), (3, "all")}
    assert [str(one) for one in judged] == [
        str(decisive(of)) for of in (report.mid_course, report.at_landmarks)
    ]
    assert [note for note in report.notes if "had something noted" in note and "session 3" in note]
    (line,) = [line for line in summary_lines(report) if line.startswith("after 1 session, ")]
    assert line.startswith(f"after 1 session, {n[1, 'told']} eyes, something noted: relieved by session 3")


def test_a_model_that_knows_no_visits_has_no_eyes_told_of(tables: Any, blind: Any) -> None:
    assert {r.told for r in blind.at_landmarks} == {"all"}
    report = retreat.validate(tables[0], "core", visits=tables[1], folds=3, at=(1,), challengers=())
    assert {r.told for r in report.at_landmarks} == {"all"}


def test_at_0_the_measures_are_those_of_the_ordinary_folds(blind: Any, plain: Any) -> None:
    rows = {(r.horizon, r.end, r.measure): r for r in blind.at_landmarks if r.done == 0}
    ordinary = {(r.horizon, r.end, r.measure): r.corrected for r in plain.rows}
    compared = 0
    for key, row in rows.items():
        if key in ordinary and key[2] != "log_score":  # the score of the whole course has another horizon
            # the batched slope of the folds stops at a step of 1e-5
            assert row.value == pytest.approx(ordinary[key], abs=1e-7), key
            compared += 1
    assert compared == 2 * 2 * 6
    for (end, horizon), found in plain.calibrations.items():
        if horizon <= 2:
            assert rows[horizon, end, "slope"].value == found.slope
            assert rows[horizon, end, "slope"].low == found.slope_interval[0]
    assert plain.at_landmarks == ()
    assert plain.mid_course == ()


def test_looking_during_a_course_changes_nothing_else(blind: Any, plain: Any) -> None:
    assert plain.table.equals(blind.table)


def test_a_model_that_knows_no_visits_forecasts_the_renormalised_baseline_in_each_fold(tables: Any) -> None:
    refits = refits_of(tables, "core", None, at=(1, 2))
    weights = held(refits)

    found = later(refits, weights)

    (model,) = refits.refits.models(weights[0])
    for done in (1, 2):
        rows = np.flatnonzero((weights[0] == 0) & (refits.refits.data.sessions > done))
        cases = refits.known.cases.iloc[rows].assign(sessions=0)
        before = model.forecast(cases, horizon=done + 2, draws=DRAWS).incidence
        staying = 1 - before[..., done - 1].sum(axis=2)
        expected = (before[..., done:] - before[..., done - 1, None]) / staying[..., None, None]
        np.testing.assert_allclose(found[done][rows], expected.mean(axis=0), atol=1e-9)
        others = np.setdiff1d(np.arange(len(weights[0])), rows)
        assert np.isnan(found[done][others]).all()  # fitted, or did not go on


def changed(visits: pd.DataFrame, cases: pd.DataFrame, session: int, n: int) -> pd.DataFrame:
    """What was noted of the first cases at one session, turned into something else."""
    keys = set(cases["case"].head(n))
    here = visits["case"].isin(keys) & (visits["session"] == session)
    out = visits.copy()
    out.loc[here, "cleared"] = 0.97
    out.loc[here, "bother"] = 0
    out.loc[here, "fragments"] = "none"
    return out


def test_no_forecast_knows_a_visit_after_its_landmark(tables: Any) -> None:
    _, visits = tables
    refits = refits_of(tables, "landmark", visits)
    other = replace(
        refits, known=replace(refits.known, visits=changed(visits, refits.known.cases, session=2, n=80))
    )
    weights = held(refits)

    before, after = later(refits, weights), later(other, weights)

    for done in (0, 1):
        np.testing.assert_array_equal(before[done], after[done])
    assert np.nanmax(np.abs(before[2] - after[2])) > 0.05  # what was noted by the landmark does count


def test_nothing_of_how_a_course_ended_is_handed_over(tables: Any) -> None:
    cases, visits = tables
    rows = np.flatnonzero(cases["sessions"].to_numpy() > 1)

    known, seen = Known(cases, visits).after(1, rows)

    assert not {"ending", "stop_reason", "relief_after"} & set(known.columns)
    assert set(known["sessions"]) == {1}
    assert set(seen["session"]) == {1}
    assert set(seen["case"]) <= set(known["case"])


@dataclass(frozen=True)
class Telling:
    """A history made by hand: the more is cleared, the likelier is relief; the same at every session."""

    values: np.ndarray
    kind: str = "telling"

    @property
    def n_draws(self) -> int:
        return len(self.values)

    def thinned(self, chosen: np.ndarray) -> Telling:
        return Telling(self.values[chosen])

    def pmf_after(self, X: np.ndarray, records: Any, *, horizon: int, n_ends: int) -> Any:
        pull = self.values[:, :1] + 4 * np.nan_to_num(records.last("cleared"))  # (draws, cases)
        hazard = np.stack([0.9 / (1 + np.exp(-pull)), 0.05 + 0 * pull], axis=-1)[..., None]
        ahead = np.arange(horizon) - records.done[:, None]
        staying = (1 - hazard.sum(axis=2, keepdims=True)) ** np.maximum(ahead, 0)[None, :, None, :]
        return hazard * staying * (ahead >= 0)[None, :, None, :], np.ones(hazard.shape[:2])

    def to_json(self) -> dict[str, Any]:
        return {"kind": self.kind}


def test_visits_of_which_nothing_was_noted_forecast_as_no_visits_do(tables: Any, monkeypatch: Any) -> None:
    """The model is one made by hand, as a history cannot be learned of nothing."""
    _, visits = tables
    model = replace(made_model("core", draws=5), history=Telling(np.linspace(-3, -1, 5)[:, None]))
    monkeypatch.setattr(RecipeRefits, "models", lambda self, weight: [model])
    blank = visits.assign(cleared=np.nan, bother=np.nan, pulses=np.nan, energy_mj=np.nan, fragments=None)
    refits = [refits_of(tables, "core", v) for v in (None, blank, visits)]

    without, nothing, told = (later(one, held(one)) for one in refits)

    for done in (1, 2):
        assert np.nanmax(np.abs(nothing[done] - without[done])) < 1e-9
        assert np.nanmax(np.abs(told[done] - without[done])) > 0.1


@pytest.mark.parametrize("name", ["core", "landmark", "lifetable"])
def test_forecasts_at_a_landmark_are_chances_that_only_rise(tables: Any, name: str) -> None:
    refits = refits_of(tables, name, tables[1])

    for done, found in later(refits, held(refits)).items():
        told = found[np.isfinite(found).all(axis=(1, 2))]
        assert len(told) > (done < 3) * 10
        assert told.min() >= 0
        assert np.diff(told, axis=-1).min() >= 0
        assert told.sum(axis=1).max() <= 1 + 1e-9


def test_a_case_that_a_model_refuses_has_no_forecast_and_takes_none_with_it(
    tables: Any, monkeypatch: Any
) -> None:
    model = made_model("core", draws=5)
    monkeypatch.setattr(RecipeRefits, "models", lambda self, weight: [model])
    refits = refits_of(tables, "core", None, at=(1,))
    data, weights = refits.refits.data, held(refits)
    first = np.flatnonzero(data.sessions > 1)[0]
    known = refits.known.cases.copy()
    plain = later(refits, weights)[1]
    known.loc[known.index[first], "size_mm"] = 14.9
    assert model.support_of(known.iloc[[first]])[0].refusals

    found = later(replace(refits, known=replace(refits.known, cases=known)), weights)[1]

    assert np.isnan(found[first]).all()
    rest = np.setdiff1d(np.arange(len(found)), [first])
    np.testing.assert_allclose(found[rest], plain[rest], rtol=1e-12)


@pytest.mark.parametrize(
    ("change", "where"),
    [
        ({"at": 2}, "at"),
        ({"at": (1, -1)}, "at"),
        ({"at": (True,)}, "at"),
        ({"at": (1.5,)}, "at"),
        ({"at": "12"}, "at"),
        ({"at": (40,)}, "at"),
        ({"definition": "second_session", "at": (1,)}, "at"),
        ({"definition": "landmark"}, "visits"),
        ({"against": "landmark"}, "visits"),
        ({"against": "second_session"}, "against"),
    ],
)
def test_bad_landmarks_are_refused_with_what_is_allowed(tables: Any, change: Any, where: str) -> None:
    given = {"definition": "core", "folds": 3, "challengers": (), **change}

    with pytest.raises(FitError) as refused:
        retreat.validate(tables[0], **given)

    (fault, *_) = refused.value.faults
    assert fault.where == where
    assert fault.allowed


def test_without_a_look_during_the_course_a_history_needs_no_visits(tables: Any) -> None:
    report = retreat.validate(tables[0], "landmark", folds=3, at=(), challengers=())

    assert report.at_landmarks == ()
    assert report.against == ""


def test_landmarks_are_sorted_and_one_that_nobody_passed_is_said(tables: Any, blind: Any) -> None:
    report = retreat.validate(tables[0], "core", folds=3, at=(30, 1, 1), against="core", challengers=())

    assert [r.done for r in report.at_landmarks] == sorted(r.done for r in report.at_landmarks)
    assert {r.done for r in report.at_landmarks} == {1, 30}
    rows = [r for r in report.at_landmarks if r.done == 30]
    assert {r.reason for r in rows} == {"0 cases went on after session 30, at least 20 needed"}
    # the definition named is the same one: no difference at all
    gaps = [r for r in report.at_landmarks if r.measure == DIFFERENCE and r.done == 1]
    assert [(r.value, r.low, r.high) for r in gaps] == [(0.0, 0.0, 0.0)] * 2
    assert not [r for r in blind.at_landmarks if r.measure == DIFFERENCE]


def beaten(low: float, high: float, done: int = 1) -> LandmarkRow:
    return LandmarkRow(done, done + 2, "", 80, DIFFERENCE, (low + high) / 2, low, high)


@pytest.mark.parametrize(
    ("row", "told"),
    [(beaten(0.01, 0.05), True), (beaten(-0.01, 0.05), False), (beaten(0.01, 0.05, done=0), False)],
)
def test_a_verdict_says_where_another_forecasts_better_without_doubt(row: LandmarkRow, told: bool) -> None:
    found = judge(
        (),
        (),
        (),
        first_end="relieved",
        limits=Limits(),
        n_cases=400,
        failed=0.0,
        table_due=False,
        landmarks=(row,),
        against="core",
    )

    words = (
        "during a course, after 1 session, core forecasts better to session 3 "
        "(log score lower by 0.030, 0.010 to 0.050)"
    )
    assert (words in found.reasons) == told


def test_the_page_shows_every_landmark_and_no_bare_nan(learning: Any) -> None:
    (section,) = during_a_course(learning, "landmark, logistic")

    tables = {table.caption: [list(table.columns), *table.texts] for table in section.tables}
    assert list(tables) == [
        "Calibration during a course, on unseen patients",
        "Measures after each number of sessions had",
        "Log score during a course, lower is better",
    ]
    measures, scores = list(tables.values())[1:]
    assert len(measures) == 1 + (4 + 3) * 2 * 2  # landmarks, of all and of those told of; ends, horizons
    for first in (
        "relieved by session 2, after 1 had",
        "relieved by session 2, after 1 had, something noted",
    ):
        assert [row[0] for row in measures].count(first) == 1
    assert len(scores) == 1 + (4 + 3) * 2
    assert any("something noted" in text for text in section.paragraphs)
    assert scores[0][-1] == "Less that of core"
    assert not [cell for rows in tables.values() for row in rows for cell in row if "nan" in cell.split()]
    (figure,) = section.figures
    assert "observed over expected and calibration slope" in figure.alt


def test_a_landmark_too_few_passed_has_its_reason_once_on_the_page(learning: Any) -> None:
    why = "7 cases went on after session 3, at least 20 needed"
    rows = tuple(
        replace(r, value=np.nan, low=np.nan, high=np.nan, reason=why) if r.done == 3 else r
        for r in learning.at_landmarks
    )

    (section,) = during_a_course(replace(learning, at_landmarks=rows), "landmark, logistic")

    (row, *_) = [r for r in section.tables[1].texts if r[0].endswith("after 3 had")]
    assert row[1:] == [why, "", "", "", ""]


def test_the_terminal_tells_each_landmark_and_who_forecasts_better(learning: Any) -> None:
    lines = summary_lines(learning)

    (after_1,) = [line for line in lines if line.startswith("after 1 session, ")]
    assert "eyes, something noted: relieved by session 3: observed/expected " in after_1
    start = "After 1 session, to session 3, something noted,"
    assert any(line.startswith(start) and "core" in line for line in lines)


def test_the_json_is_strict_and_holds_the_landmarks(learning: Any) -> None:
    again = json.loads(json.dumps(learning.to_json(), allow_nan=False))

    assert again["against"] == "core"
    assert len(again["landmarks"]) == len(learning.at_landmarks)
    fields = {"done", "horizon", "end", "n", "measure", "value", "low", "high", "reason", "told"}
    assert set(again["landmarks"][0]) == fields
    assert "told" in again["mid_course"][0]
