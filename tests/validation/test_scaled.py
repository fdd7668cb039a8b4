"""Scaled and integrated Brier scores by hand and by law."""

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from retreat.errors import TableError
from retreat.validation import aalen_johansen, brier, brier_at, integrated_brier, rps, scaled_brier_at

# Five eyes: relieved at 1, lost after 1, stopped at 2, relieved at 2, still going on after 3
SESSIONS, ENDING = [1, 1, 2, 2, 3], [1, 0, 2, 1, 0]
P = [0.8, 0.5, 0.3, 0.6, 0.1]

ROWS = st.lists(
    st.tuples(st.integers(1, 4), st.integers(0, 2), st.sampled_from([0.0, 0.2, 0.5, 1.0]), st.integers(1, 3)),
    min_size=2,
    max_size=25,
)


def test_scaled_brier_score_of_five_eyes_is_as_worked_by_hand():
    # score (0.04 + 4/3 * 0.26) / 5; observed 1/5 + 4/5 * 1/3 = 7/15, whose score is 7/15 * 8/15
    expected = 1 - (0.04 + 4 / 3 * 0.26) / 5 / (7 / 15 * 8 / 15)

    assert scaled_brier_at(P, SESSIONS, ENDING, end=1, horizon=2) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("at_horizon", ["known", "unknown"])
def test_the_observed_incidence_for_everybody_explains_nothing(at_horizon):
    sessions, ending = [*SESSIONS, 2, 1, 3], [*ENDING, 0, 1, 1]
    observed = aalen_johansen(sessions, ending).incidence[0, 1]

    found = scaled_brier_at([observed] * 8, sessions, ending, end=1, horizon=2, at_horizon=at_horizon)

    assert found == pytest.approx(0.0, abs=1e-12)


def test_how_a_case_last_seen_at_the_horizon_counts_is_passed_on():
    sessions, ending = [*SESSIONS, 2], [*ENDING, 0]
    p = [*P, 0.9]  # this eye, going on after 2, is scored badly when it counts

    found = {
        how: scaled_brier_at(p, sessions, ending, end=1, horizon=2, at_horizon=how)
        for how in ("known", "unknown")
    }

    assert found["known"] < found["unknown"] - 0.3


def test_scaled_brier_score_without_losses_is_one_less_score_over_variance():
    p, sessions = [0.7, 0.2, 0.4, 0.9], [1, 2, 3, 1]  # relieved by 2: yes, yes, no, yes

    found = scaled_brier_at(p, sessions, [1, 1, 1, 1], end=1, horizon=2)

    assert found == pytest.approx(1 - brier(p, [1, 1, 0, 1]) / (0.75 * 0.25), rel=1e-12)


@pytest.mark.parametrize(
    ("ending", "end"), [([1, 1, 1], 1), ([1, 1, 1], 2), ([2, 2, 2], 1)], ids=["all", "unseen end", "none"]
)
def test_nothing_can_be_explained_where_all_cases_went_alike(ending, end):
    assert np.isnan(scaled_brier_at([0.5] * 3, [1, 2, 2], ending, end=end, horizon=2))


def test_scaled_brier_score_is_missing_beyond_the_follow_up():
    assert np.isnan(scaled_brier_at(P, SESSIONS, ENDING, end=1, horizon=4))


@given(ROWS)
def test_a_row_of_weight_2_scores_as_two_rows(rows):
    sessions, ending, p, w = map(np.array, zip(*rows, strict=True))
    incidence = np.column_stack([p / 2, p])
    twice = [np.repeat(a, w, axis=0) for a in (p, sessions, ending)]

    scaled = scaled_brier_at(p, sessions, ending, end=1, horizon=2, weights=w)
    integrated = integrated_brier(incidence, sessions, ending, end=1, weights=w)

    assert scaled == pytest.approx(scaled_brier_at(*twice, end=1, horizon=2), rel=1e-9, abs=1e-9, nan_ok=True)
    assert integrated == pytest.approx(
        integrated_brier(np.repeat(incidence, w, axis=0), *twice[1:], end=1), rel=1e-9, nan_ok=True
    )


@given(ROWS)
def test_scaled_brier_score_never_passes_1(rows):
    sessions, ending, p, _ = map(np.array, zip(*rows, strict=True))

    found = scaled_brier_at(p, sessions, ending, end=1, horizon=2)

    assume(not np.isnan(found))
    assert found <= 1.0


def test_integrated_brier_score_of_five_eyes_is_as_worked_by_hand():
    incidence = [[0.5, 0.8], [0.2, 0.5], [0.1, 0.3], [0.3, 0.6], [0.0, 0.1]]

    # session 1, all known: 0.5^2 + 0.2^2 + 0.1^2 + 0.3^2 = 0.39; session 2 as above
    expected = (0.39 / 5 + (0.04 + 4 / 3 * 0.26) / 5) / 2
    assert integrated_brier(incidence, SESSIONS, ENDING, end=1) == pytest.approx(expected, rel=1e-12)


def test_integrated_brier_scores_of_all_ends_add_to_the_ranked_probability_score():
    incidence = np.array([[[0.05 * i, 0.1 * i, 0.12 * i], [0.02, 0.03 * i, 0.04 * i]] for i in range(1, 6)])

    parts = [integrated_brier(incidence, SESSIONS, ENDING, end=end) for end in (1, 2)]

    assert 3 * sum(parts) == pytest.approx(rps(incidence, SESSIONS, ENDING), rel=1e-12)


def test_incidences_of_one_end_may_come_without_the_axis_of_ends():
    incidence = np.array([[[0.05 * i, 0.1 * i], [0.02, 0.03 * i]] for i in range(1, 6)])

    whole = integrated_brier(incidence, SESSIONS, ENDING, end=2)
    by_session = [brier_at(incidence[:, 1, k], SESSIONS, ENDING, end=2, horizon=k + 1) for k in range(2)]

    assert integrated_brier(incidence[:, 1], SESSIONS, ENDING, end=2) == whole
    assert whole == pytest.approx(np.mean(by_session), rel=1e-12)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: scaled_brier_at(P[:4], SESSIONS, ENDING, end=1, horizon=1), "different lengths"),
        (lambda: scaled_brier_at(P, SESSIONS, ENDING, end=1, horizon=0), "horizon: value 0"),
        (
            lambda: integrated_brier(np.zeros((5, 2, 2)), SESSIONS, ENDING, end=3),
            "end: value 3; allowed: 1 to 2",
        ),
        (lambda: integrated_brier(np.zeros((5, 2)), SESSIONS, ENDING, end=0), "end: value 0"),
        (
            lambda: integrated_brier(np.zeros((5, 1, 2)), SESSIONS, ENDING, end=1),
            "ending: 1 of 5 values wrong",
        ),
        (lambda: integrated_brier(np.zeros((4, 2)), SESSIONS, ENDING, end=1), "incidence: shape"),
    ],
)
def test_input_of_the_wrong_form_is_refused(call, message):
    with pytest.raises(TableError, match=message):
        call()
