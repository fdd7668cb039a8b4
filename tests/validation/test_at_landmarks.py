"""Forecasts during a course: the measures by hand, and the laws of conditioning that every model obeys."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_models import invented_cases, made_model

from retreat.definitions import LAST_SESSION, read_definition, shipped
from retreat.definitions.entries import Verdict as Limits
from retreat.validation import brier_at, calibration_at, concordance_at, log_score, scaled_brier_at
from retreat.validation._checked import courses
from retreat.validation.landmarks import (
    AGREEMENT,
    DIFFERENCE,
    LOG_SCORE,
    SCORES,
    LandmarkRow,
    at_landmarks,
    landmark_table,
)
from retreat.validation.midcourse import decisive
from retreat.validation.verdict import judge

ENDS = ("relieved", "stopped")
few = settings(max_examples=12, deadline=None, derandomize=True)


def clinic(n: int = 400, seed: int = 1) -> tuple[np.ndarray, Any, np.ndarray]:
    """True hazards of two ends, the same at every session, courses drawn from them, and patients of two eyes."""
    rng = np.random.default_rng(seed)
    x = rng.normal(size=n)
    odds = np.exp(np.stack([-0.4 + 0.9 * x, -1.8 - 0.4 * x], axis=1))
    hazard = odds / (1 + odds.sum(axis=1, keepdims=True))
    sessions, ending = np.ones(n, dtype=int), np.zeros(n, dtype=int)
    going = np.ones(n, dtype=bool)
    for k in range(1, 30):
        sessions[going] = k
        drawn = rng.random(n)
        ending = np.where(going & (drawn < hazard.sum(axis=1)), np.where(drawn < hazard[:, 0], 1, 2), ending)
        going &= (ending == 0) & (rng.random(n) > 0.1)
    return hazard, courses(sessions, ending, n_ends=2), np.arange(n) // 2


def two_ahead(hazard: np.ndarray) -> np.ndarray:
    """Incidences at the next session and the next two, shape (cases, ends, 2)."""
    staying = 1 - hazard.sum(axis=1, keepdims=True)
    return np.stack([hazard, hazard + staying * hazard], axis=-1)


def row(
    rows: tuple[LandmarkRow, ...],
    done: int,
    horizon: int,
    measure: str,
    end: str = "relieved",
    told: str = "all",
) -> Any:
    (found,) = [
        r
        for r in rows
        if (r.done, r.horizon, r.measure, r.end, r.told)
        == (done, horizon, measure, end if measure not in (LOG_SCORE, DIFFERENCE) else "", told)
    ]
    return found


def test_every_measure_is_that_of_the_cases_that_went_on_counted_from_the_landmark() -> None:
    hazard, seen, patient = clinic()
    p = two_ahead(hazard)

    rows = at_landmarks({1: p, 2: p}, seen, patient, ends=ENDS).rows

    for done in (1, 2):
        on = seen.sessions > done
        later = (seen.sessions[on] - done, seen.ending[on])
        for h in (1, 2):
            for j, end in enumerate(ENDS):
                at = {"end": j + 1, "horizon": h}
                q = p[on, j, h - 1]
                agreement = calibration_at(q, *later, **at, groups=patient[on])
                expected = {name: getattr(agreement, name) for name in AGREEMENT} | {
                    "brier_at": brier_at(q, *later, **at),
                    "scaled_brier_at": scaled_brier_at(q, *later, **at),
                    "concordance_at": concordance_at(q, *later, **at),
                }
                for name, value in expected.items():
                    found = row(rows, done, done + h, name, end)
                    assert found.value == pytest.approx(value, rel=1e-9), (done, h, end, name)
                    assert found.n == on.sum()
            pmf = np.diff(p[on, :, :h], axis=-1, prepend=0.0)
            assert row(rows, done, done + h, LOG_SCORE).value == pytest.approx(
                log_score(pmf, *later), rel=1e-12
            )


def test_intervals_hold_their_value_and_two_like_eyes_do_not_pretend_to_know_more() -> None:
    hazard, seen, _ = clinic(300)
    twice = replace(
        seen,
        sessions=np.repeat(seen.sessions, 2),
        ending=np.repeat(seen.ending, 2),
        weights=np.repeat(seen.weights, 2),
    )
    p = two_ahead(hazard)
    alone = at_landmarks({1: p}, seen, np.arange(300), ends=ENDS).rows
    paired = at_landmarks({1: np.repeat(p, 2, axis=0)}, twice, np.repeat(np.arange(300), 2), ends=ENDS).rows

    for name in (*SCORES, LOG_SCORE):
        one, two = row(alone, 1, 3, name), row(paired, 1, 3, name)
        assert one.low < one.value < one.high
        # the same patients are drawn: the same samples, but for the pseudo-values' order of 1/n
        assert (two.high - two.low) == pytest.approx(one.high - one.low, rel=0.02)


def test_the_log_score_beside_another_is_paired_case_by_case() -> None:
    hazard, seen, patient = clinic(600)
    p = two_ahead(hazard)
    blunt = two_ahead(np.broadcast_to(hazard.mean(axis=0), hazard.shape))

    found = at_landmarks({1: p}, seen, patient, ends=ENDS, beside={1: blunt}).rows
    same = at_landmarks({1: p}, seen, patient, ends=ENDS, beside={1: p}).rows
    turned = at_landmarks({1: blunt}, seen, patient, ends=ENDS, beside={1: p}).rows

    gap = row(found, 1, 3, DIFFERENCE)
    assert gap.value == pytest.approx(
        row(found, 1, 3, LOG_SCORE).value - row(turned, 1, 3, LOG_SCORE).value, abs=1e-12
    )
    assert gap.high < 0  # the truth tells more than the mean, without doubt at 600 cases
    # paired: narrower than the score's own interval
    assert gap.high - gap.low < row(found, 1, 3, LOG_SCORE).high - row(found, 1, 3, LOG_SCORE).low
    alike = row(same, 1, 3, DIFFERENCE)
    assert (alike.value, alike.low, alike.high) == (0.0, 0.0, 0.0)


@pytest.mark.parametrize(("n", "told"), [(19, False), (20, True)])
def test_a_landmark_that_too_few_passed_has_words_and_no_numbers(n: int, told: bool) -> None:
    seen = courses([1] * 30 + [3] * n, [1] * 30 + [1, 2] * (n // 2) + [0] * (n % 2), n_ends=2)
    p = np.full((n + 30, 2, 2), 0.2) * np.arange(1, 3)

    found = at_landmarks({1: p}, seen, np.arange(n + 30), ends=ENDS, beside={1: p})

    assert {r.n for r in found.rows} == {n}
    ratio = row(found.rows, 1, 3, "observed_expected")
    assert np.isfinite(ratio.value) == told
    if not told:
        assert np.isnan([[r.value, r.low, r.high] for r in found.rows]).all()
        assert {r.reason for r in found.rows} == {"19 cases went on after session 1, at least 20 needed"}
        assert {r.reason for r in found.mid_course} == {
            "19 cases went on after session 1, at least 20 needed"
        }


def test_every_row_without_a_value_says_why_and_the_others_do_not() -> None:
    seen = courses([3] * 60, [1, 2, 0] * 20, n_ends=2)
    p = np.full((60, 2, 2), 0.1) * np.arange(1, 3)  # all alike: no slope, no concordance beside chance

    rows = at_landmarks({1: p}, seen, np.arange(60), ends=ENDS).rows

    assert np.isnan(row(rows, 1, 3, "slope").value)
    for one in rows:
        assert bool(one.reason) == np.isnan(one.value), one


def test_cases_without_a_forecast_are_left_out_counted_and_told() -> None:
    hazard, seen, patient = clinic(200)
    p = two_ahead(hazard)
    on = np.flatnonzero(seen.sessions > 1)
    lacking = p.copy()
    lacking[on[:5]] = np.nan
    other = p.copy()
    other[on[5:8]] = np.nan

    found = at_landmarks({1: lacking}, seen, patient, ends=ENDS, beside={1: other})

    assert row(found.rows, 1, 3, "slope").n == len(on) - 5
    assert row(found.rows, 1, 3, DIFFERENCE).n == len(on) - 8
    assert found.notes == (f"5 of {len(on)} cases that went on after session 1 have no forecast then",)


def test_eyes_that_sessions_told_of_are_looked_at_by_themselves_too() -> None:
    hazard, seen, patient = clinic(600)
    p = two_ahead(hazard)
    blunt = two_ahead(np.broadcast_to(hazard.mean(axis=0), hazard.shape))
    noted = np.random.default_rng(4).random(600) < 0.4

    found = at_landmarks({0: p, 1: p}, seen, patient, ends=ENDS, beside={0: blunt, 1: blunt}, told={1: noted})

    whole = at_landmarks({0: p, 1: p}, seen, patient, ends=ENDS, beside={0: blunt, 1: blunt})
    part = at_landmarks(
        {1: p[noted]}, seen_of(seen, noted), patient[noted], ends=ENDS, beside={1: blunt[noted]}
    )
    for looks in ("rows", "mid_course"):
        mine = [replace(r, told="all") for r in getattr(found, looks) if r.told == "told"]
        # as text: NaN is not itself
        assert str([r for r in getattr(found, looks) if r.told == "all"]) == str([*getattr(whole, looks)])
        assert str(mine) == str([*getattr(part, looks)])
    assert {r.n for r in part.mid_course} == {int((noted & (seen.sessions > 1)).sum())}
    table = landmark_table(found.rows)
    assert list(table.columns[:5]) == ["done", "horizon", "end", "told", "n"]
    assert set(table["told"]) == {"all", "told"}


def seen_of(seen: Any, rows: np.ndarray) -> Any:
    return courses(seen.sessions[rows], seen.ending[rows], n_ends=2)


def test_a_model_wrong_where_it_was_told_does_not_pass_on_the_eyes_it_was_told_nothing_of() -> None:
    hazard, seen, patient = clinic(2000)
    noted = np.random.default_rng(5).random(2000) < 0.15
    p = two_ahead(hazard)
    p[noted] = two_ahead(hazard[noted] / 3)  # what it learned of a session misleads it

    found = at_landmarks({1: p}, seen, patient, ends=ENDS, beside={1: two_ahead(hazard)}, told={1: noted})

    def verdict(*, mid_course: Any, landmarks: Any) -> tuple[str, ...]:
        given: dict[str, Any] = {"limits": Limits(), "n_cases": 2000, "failed": 0.0, "table_due": False}
        return judge(
            (), (), mid_course, first_end="relieved", landmarks=landmarks, against="core", **given
        ).reasons

    mixed = tuple(r for r in found.mid_course if r.told == "all")
    words = "the observed/expected of relieved by session 3"
    assert not any(words in reason for reason in verdict(mid_course=mixed, landmarks=()))
    judged = verdict(mid_course=decisive(found.mid_course), landmarks=decisive(found.rows))
    assert sum(words in reason for reason in judged) == 1
    gap = row(found.rows, 1, 3, DIFFERENCE, told="told")
    assert f"log score lower by {gap.value:.3f}" in " ".join(judged)
    assert gap.value > 3 * row(found.rows, 1, 3, DIFFERENCE).value > 0


@pytest.mark.parametrize(("n", "rests_on"), [(19, "all"), (20, "told")])
def test_a_verdict_rests_on_the_eyes_told_of_where_they_are_enough(n: int, rests_on: str) -> None:
    hazard, seen, patient = clinic(300)
    on = np.flatnonzero(seen.sessions > 1)
    noted = np.zeros(300, dtype=bool)
    noted[on[:n]] = True

    found = at_landmarks({1: two_ahead(hazard)}, seen, patient, ends=ENDS, told={1: noted})

    assert {r.told for r in decisive(found.rows)} == {rests_on}
    assert {r.told for r in decisive(found.mid_course)} == {rests_on}
    assert row(found.rows, 1, 3, LOG_SCORE, told="told").n == n
    few_told = (
        f"19 of {len(on)} cases that went on after session 1 had something noted: the verdict there rests on all, "
        "most of them forecast as by a model that knows no visits"
    )
    assert found.notes == (() if rests_on == "told" else (few_told,))
    if rests_on == "all":
        why = "19 cases with something noted went on after session 1, at least 20 needed"
        assert {r.reason for r in found.rows if r.told == "told"} == {why}


def test_where_sessions_told_of_every_eye_both_looks_are_one() -> None:
    hazard, seen, patient = clinic(200)

    found = at_landmarks({1: two_ahead(hazard)}, seen, patient, ends=ENDS, told={1: seen.sessions > 0})

    half = len(found.rows) // 2
    assert str(found.rows[half:]) == str(tuple(replace(r, told="told") for r in found.rows[:half]))
    assert [r.told for r in found.mid_course] == ["all", "all", "told", "told"]
    assert found.notes == ()


def test_forecasts_from_before_the_first_session_are_no_part_of_a_course() -> None:
    hazard, seen, patient = clinic(200)

    found = at_landmarks({0: two_ahead(hazard)}, seen, patient, ends=ENDS)

    assert {r.n for r in found.rows} == {200}
    assert found.mid_course == ()


# laws of conditioning, for the model of every shipped definition, whatever its parameters


def model_of(name: str, seed: int, **changes: Any) -> Any:
    """A single draw: what holds for it holds for each."""
    return made_model(name, draws=1, seed=seed, **changes)


COURSES = tuple(name for name in shipped() if LAST_SESSION[read_definition(name).outcome] is None)
seeds, loadings = st.integers(0, 10**6), st.sampled_from([0.0, 0.8])


@pytest.mark.parametrize("name", COURSES)
@few
@given(seeds, loadings, st.integers(1, 4))
def test_without_visits_a_forecast_after_some_sessions_is_the_renormalised_baseline(
    name: str, seed: int, loading: float, done: int
) -> None:
    model = model_of(name, seed, patient_loading=loading)
    cases = invented_cases(4, seed + 1)
    before = model.forecast(cases, horizon=8).incidence

    found = model.forecast({**cases, "sessions": np.full(4, done)}, horizon=8).incidence

    staying = 1 - before[..., done - 1].sum(axis=2)
    since = before[..., done:] - before[..., done - 1, None]
    np.testing.assert_allclose(found[..., done:], since / staying[..., None, None], atol=1e-9)


@pytest.mark.parametrize("name", COURSES)
@few
@given(seeds, loadings)
def test_the_law_of_total_probability_holds_over_the_first_session(
    name: str, seed: int, loading: float
) -> None:
    model = model_of(name, seed, patient_loading=loading)
    cases = invented_cases(4, seed + 1)
    start = model.forecast(cases, horizon=2)

    then = model.forecast({**cases, "sessions": np.ones(4, dtype=int)}, horizon=2)

    on = start.in_treatment[..., 0]
    by_two = start.incidence[..., 0] + on[..., None] * then.pmf[..., 1]
    np.testing.assert_allclose(start.incidence[..., 1], by_two, atol=1e-12)
