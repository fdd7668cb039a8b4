"""Brier score, concordance, ranked probability and logarithmic score by hand and by law."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from retreat.errors import TableError
from retreat.validation import aalen_johansen, brier, brier_at, concordance, log_score, rps

# Five eyes: relieved at 1, lost after 1, stopped at 2, relieved at 2, still going on after 3.
# G(1) = 1 - 1/4: an eye known at session 2 or 3 weighs 4/3; at 3 the eyes ended at 2 still do.
SESSIONS, ENDING = [1, 1, 2, 2, 3], [1, 0, 2, 1, 0]

PREDICTED = st.lists(
    st.tuples(st.sampled_from([0.0, 0.1, 0.3, 0.5, 0.8, 1.0]), st.integers(0, 1), st.integers(1, 3)),
    min_size=2,
    max_size=30,
)


def test_brier_score_of_three_eyes_is_as_worked_by_hand():
    # (0.1^2 + 0.2^2 + 0.5^2) / 3
    assert brier([0.9, 0.2, 0.5], [1, 0, 0]) == pytest.approx(0.1, rel=1e-14)


def test_brier_score_of_the_share_for_all_is_its_variance():
    assert brier([0.3] * 10, [1] * 3 + [0] * 7) == pytest.approx(0.21, rel=1e-14)


def test_concordance_counts_a_tie_as_half():
    # pairs (0.9, 0.4) won, (0.9, 0.1) won, (0.4, 0.4) tied, (0.4, 0.1) won: 3.5 of 4
    assert concordance([0.9, 0.4, 0.4, 0.1], [1, 1, 0, 0]) == 0.875


def test_concordance_of_equal_predictions_is_a_half():
    assert concordance([0.3] * 5, [1, 0, 0, 1, 0]) == 0.5


def test_concordance_is_missing_when_all_outcomes_are_equal():
    assert np.isnan(concordance([0.3, 0.4], [1, 1]))


@given(PREDICTED)
def test_concordance_is_the_share_of_pairs_counted_one_by_one(rows):
    won = [
        w1 * w0 * ((p1 > p0) + (p1 == p0) / 2) for p1, y1, w1 in rows if y1 for p0, y0, w0 in rows if not y0
    ]
    pairs = [w1 * w0 for _, y1, w1 in rows if y1 for _, y0, w0 in rows if not y0]
    if not pairs:
        return
    p, y, w = zip(*rows, strict=True)

    assert concordance(p, y, weights=w) == pytest.approx(sum(won) / sum(pairs), abs=1e-12)


@pytest.mark.parametrize("measure", [brier, concordance])
@given(rows=PREDICTED)
def test_a_row_of_weight_2_scores_as_two_rows(measure, rows):
    p, y, w = zip(*rows, strict=True)

    weighted = measure(p, y, weights=w)
    repeated = measure(np.repeat(p, w), np.repeat(y, w))

    assert weighted == pytest.approx(repeated, abs=1e-12, nan_ok=True)


def test_brier_score_at_session_2_of_five_eyes_is_as_worked_by_hand():
    found = brier_at([0.8, 0.5, 0.3, 0.6, 0.1], SESSIONS, ENDING, end=1, horizon=2)

    # (0.2^2 + 4/3 (0.3^2 + 0.4^2 + 0.1^2)) / 5: the eye stopped at 2 is a case that was not relieved
    assert found == pytest.approx((0.04 + 4 / 3 * 0.26) / 5, rel=1e-12)


def test_brier_score_at_a_session_is_the_plain_one_when_nobody_is_lost():
    p, sessions = [0.7, 0.2, 0.4], [1, 2, 3]

    assert brier_at(p, sessions, [1, 1, 1], end=1, horizon=2) == pytest.approx(brier(p, [1, 1, 0]), rel=1e-12)


def test_brier_score_at_a_session_of_the_observed_incidence_is_its_variance():
    observed = aalen_johansen(SESSIONS, ENDING).incidence[0, 1]

    found = brier_at([observed] * 5, SESSIONS, ENDING, end=1, horizon=2)

    assert found == pytest.approx(observed * (1 - observed), rel=1e-12)


def test_brier_score_is_missing_beyond_the_follow_up():
    assert np.isnan(brier_at([0.5] * 5, SESSIONS, ENDING, end=1, horizon=4))


def test_ranked_probability_score_of_five_eyes_is_as_worked_by_hand():
    incidence = np.array([[[0.5, 0.6], [0.1, 0.2]]] * 5)  # relieved, stopped after session 1, 2

    # session 1, all known: relieved one eye 0.5^2 + 0.1^2, four others 0.5^2 + 0.1^2
    first = 5 * (0.25 + 0.01) / 5
    # session 2: weight 1 for relieved at 1, 4/3 for stopped, relieved and going on
    second = ((0.16 + 0.04) + 4 / 3 * ((0.36 + 0.64) + (0.16 + 0.04) + (0.36 + 0.04))) / 5
    assert rps(incidence, SESSIONS, ENDING) == pytest.approx(first + second, rel=1e-12)


def test_ranked_probability_score_is_the_sum_of_brier_scores():
    p = np.array([[0.2, 0.5, 0.7], [0.1, 0.1, 0.4], [0.6, 0.8, 0.9], [0.0, 0.3, 0.3]])
    sessions, ending = [1, 2, 3, 1], [1, 0, 1, 0]

    parts = [brier_at(p[:, k], sessions, ending, end=1, horizon=k + 1) for k in range(3)]

    assert rps(p, sessions, ending) == pytest.approx(sum(parts), rel=1e-12)


def test_logarithmic_score_of_five_eyes_is_as_worked_by_hand():
    pmf = np.array([[[0.5, 0.1], [0.1, 0.05]]] * 5)  # relieved, stopped at session 1, 2; 0.25 go on

    # relieved at 1: 0.5; lost after 1: 0.4; stopped at 2: 0.05; relieved at 2: 0.1; beyond 2: 0.25
    expected = -np.mean(np.log([0.5, 0.4, 0.05, 0.1, 0.25]))
    assert log_score(pmf, SESSIONS, ENDING) == pytest.approx(expected, rel=1e-12)


def test_an_end_after_the_horizon_counts_as_in_treatment_at_it():
    assert log_score([[0.2, 0.3]], [5], [1]) == pytest.approx(-np.log(0.5), rel=1e-12)


def test_logarithmic_score_is_infinite_when_the_impossible_happened():
    assert log_score([[0.0, 0.5]], [1], [1]) == np.inf


def test_logarithmic_score_of_a_certain_course_that_came_true_is_0():
    assert log_score([[0.0, 1.0]], [2], [1]) == 0.0


def test_the_true_course_probabilities_have_the_lowest_expected_scores():
    # expected score under truth q, over the outcomes ended at 1, ended at 2, going on; forecasts on a grid
    truth = np.array([0.5, 0.2, 0.3])
    grid = [(a / 10, b / 10) for a in range(1, 9) for b in range(1, 10 - a)]

    def expected(score, forecast):
        return sum(
            q * score([forecast], [s], [e]) for q, (s, e) in zip(truth, [(1, 1), (2, 1), (2, 0)], strict=True)
        )

    best_log = min(grid, key=lambda f: expected(log_score, f))
    best_rps = min(grid, key=lambda f: expected(rps, np.cumsum(f)))

    assert best_log == (0.5, 0.2)
    assert best_rps == (0.5, 0.2)


@given(st.permutations(range(5)))
def test_scores_do_not_depend_on_the_order_of_cases(order):
    incidence = np.array([[[0.1 * i, 0.15 * i], [0.05, 0.1 + 0.02 * i]] for i in range(1, 6)])
    order = np.array(order)
    sessions, ending = np.array(SESSIONS), np.array(ENDING)

    for score in (rps, lambda f, s, e: brier_at(f[:, 0, 1], s, e, end=1, horizon=2)):
        straight = score(incidence, sessions, ending)
        assert score(incidence[order], sessions[order], ending[order]) == pytest.approx(straight, rel=1e-12)


@pytest.mark.parametrize("score", [rps, log_score])
def test_course_scores_take_a_row_of_weight_2_for_two_rows(score):
    # increments stay below 1 in sum, so the array serves as pmf and, being small, as incidence
    array = np.array([[[0.05 * i, 0.1 * i], [0.02, 0.03 * i]] for i in range(1, 6)])
    times = [1, 2, 0, 3, 1]

    weighted = score(array, SESSIONS, ENDING, weights=times)
    repeated = score(np.repeat(array, times, axis=0), np.repeat(SESSIONS, times), np.repeat(ENDING, times))

    assert weighted == pytest.approx(repeated, rel=1e-12)


def test_all_that_is_wrong_with_predictions_and_outcomes_is_told_at_once():
    with pytest.raises(TableError) as caught:
        brier([0.5, 1.2, np.nan], [0, 2, 1])

    assert [fault.where for fault in caught.value.faults] == ["probabilities", "outcomes"]


def test_predictions_that_pass_1_by_rounding_alone_are_taken_for_1():
    assert brier([1.0 + 1e-12], [1]) == 0.0


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: rps(np.full((4, 2), 0.5), SESSIONS, [1, 0, 1, 1, 0]), "incidence: shape"),
        (lambda: rps(np.full((5, 1, 2), 1.5), SESSIONS, [1, 0, 1, 1, 0]), "incidence: 5 of 5 values wrong"),
        (lambda: rps(np.full((5, 2), 0.5), SESSIONS, ENDING), "ending: 1 of 5 values wrong"),
        (lambda: log_score(np.full((5, 2, 2), 0.3), SESSIONS, ENDING), "adds to 1.2"),
        (lambda: brier_at([0.5], SESSIONS, ENDING, end=1, horizon=1), "different lengths"),
        (lambda: brier_at([0.5] * 5, SESSIONS, ENDING, end=0, horizon=1), "end: value 0"),
    ],
)
def test_predictions_of_the_wrong_form_are_refused(call, message):
    with pytest.raises(TableError, match=message):
        call()
