"""Calibration of hazards by session: by hand, by law and by coverage."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from retreat.errors import TableError
from retreat.validation import hazard_calibration

ROWS = st.lists(
    st.tuples(st.integers(1, 4), st.integers(0, 2), st.sampled_from([0.0, 0.1, 0.3, 0.5]), st.integers(0, 3)),
    min_size=1,
    max_size=20,
).filter(lambda rows: any(w for *_, w in rows))


def hazards_of(p):
    return np.stack([np.outer(p, [1.0, 0.8, 0.5]), np.outer(0.6 - p, [0.5, 0.5, 1.0])], axis=1)


def test_hazards_of_five_eyes_are_as_worked_by_hand():
    # relieved at 1, lost after 1, stopped at 2, relieved at 2, going on after 3
    hazards = np.array([[[0.1 * i, 0.2, 0.3], [0.1, 0.05 * i, 0.0]] for i in range(1, 6)])

    found = hazard_calibration(hazards, [1, 1, 2, 2, 3], [1, 0, 2, 1, 0])

    assert [(one.end, one.session) for one in found] == [(1, 1), (1, 2), (1, 3), (2, 1), (2, 2), (2, 3)]
    assert [one.at_risk for one in found] == [5, 3, 1, 5, 3, 1]
    assert [one.events for one in found] == [1, 1, 0, 0, 1, 0]
    # stopping at 2: eyes 3, 4, 5 had it, 0.05 * 12
    np.testing.assert_allclose([one.expected for one in found], [1.5, 0.6, 0.3, 0.5, 0.6, 0.0], atol=1e-12)
    np.testing.assert_allclose([one.observed_expected for one in found[:5]], [2 / 3, 5 / 3, 0, 0, 5 / 3])
    assert np.isnan([found[5].observed_expected, found[5].low, found[5].high]).all()
    assert [one.reason for one in found] == [""] * 5 + ["none was expected to end so"]


def test_interval_is_wilsons_over_the_mean_hazard():
    (found,) = hazard_calibration([[0.25]] * 10, [1] * 10, [1] * 4 + [0] * 6)

    # 4 of 10: (0.4 + z^2/20 -+ z sqrt(0.024 + z^2/400)) / (1 + z^2/10)
    z = 1.959963984540054
    half = z * np.sqrt(0.024 + z * z / 400)
    expected = np.array([0.4 + z * z / 20 - half, 0.4 + z * z / 20 + half]) / (1 + z * z / 10) / 0.25
    np.testing.assert_allclose([found.low, found.high], expected, rtol=1e-12)


def test_a_session_nobody_had_says_so():
    found = hazard_calibration([[0.2, 0.2]], [1], [0])

    assert [one.reason for one in found] == ["", "no case had this session"]
    assert np.isnan(found[1].observed_expected)


def test_sessions_after_the_horizon_are_not_looked_at():
    (found,) = hazard_calibration([[0.5]] * 2, [5, 1], [1, 0])

    assert (found.at_risk, found.events, found.expected) == (2, 0, 1)


@given(ROWS)
def test_sums_are_those_counted_one_by_one(rows):
    sessions, ending, p, w = map(np.array, zip(*rows, strict=True))
    hazards = hazards_of(p)

    for one in hazard_calibration(hazards, sessions, ending, weights=w):
        had = [i for i in range(len(rows)) if sessions[i] >= one.session]
        of_end = [i for i in had if sessions[i] == one.session and ending[i] == one.end]
        expected = sum(w[i] * hazards[i, one.end - 1, one.session - 1] for i in had)

        assert one.at_risk == sum(w[i] for i in had)
        assert one.events == sum(w[i] for i in of_end)
        assert one.expected == pytest.approx(expected, abs=1e-12)
        assert np.isnan(one.low) or one.low <= one.observed_expected <= one.high


@given(ROWS)
def test_a_row_of_weight_2_counts_as_two_rows(rows):
    sessions, ending, p, w = map(np.array, zip(*rows, strict=True))

    weighted = hazard_calibration(hazards_of(p), sessions, ending, weights=w)
    repeated = hazard_calibration(*(np.repeat(a, w, axis=0) for a in (hazards_of(p), sessions, ending)))

    for one, other in zip(weighted, repeated, strict=True):
        assert one.reason == other.reason
        for name in ("at_risk", "events", "expected", "observed_expected", "low", "high"):
            assert getattr(one, name) == pytest.approx(getattr(other, name), abs=1e-9, nan_ok=True)


def test_intervals_of_true_hazards_hold_1_as_often_as_told():
    rng = np.random.default_rng(8)
    runs, n = 1000, 150
    inside = []
    for _ in range(runs):
        odds = np.exp(rng.normal(-1.0, 0.5, n))
        hazard = odds / (1 + odds)
        found = hazard_calibration(
            np.repeat(hazard[:, None], 2, axis=1), rng.geometric(hazard), np.ones(n), level=0.9
        )
        inside.append([one.low <= 1.0 <= one.high for one in found])

    # standard error of a share of 1,000 runs is 0.0095; a little too wide, since hazards differ
    assert np.all(np.mean(inside, axis=0) > 0.88)
    assert np.all(np.mean(inside, axis=0) < 0.95)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda: hazard_calibration(np.full((1, 2, 3), 0.6), [1], [1]),
            "position 0 adds to 1.2 at session 1; allowed: at most 1 over the ends",
        ),
        (lambda: hazard_calibration([[1.5]], [1], [1]), "hazards: 1 of 1"),
        (lambda: hazard_calibration([[0.5]], [1], [2]), "ending: 1 of 1"),
        (lambda: hazard_calibration([[0.5]], [1, 1], [1, 1]), "hazards: shape"),
    ],
)
def test_input_of_the_wrong_form_is_refused(call, message):
    with pytest.raises(TableError, match=message):
        call()


def test_a_level_of_1_is_refused():
    with pytest.raises(ValueError, match="must lie between 0 and 1"):
        hazard_calibration([[0.5]], [1], [1], level=1.0)
