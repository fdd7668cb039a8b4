"""The landmark part of a model, made by hand: what it forecasts of invented records."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from retreat.model.history.landmark import SEEN, UNSEEN, Landmark, covariates, seen
from retreat.model.history.records import Records, read_records
from retreat.model.history.saved import history_of
from retreat.model.kernel import Parameters

CENTRES = (4.0, 0.3, 0.2, 5.0, 6.5)
N_CASES, N_COLUMNS, N_STEPS, UP_TO = 6, 2, 3, 3
few = settings(max_examples=25, deadline=None, derandomize=True)


def of_cases(rng, *, ends=2, draws=3, spread=0.4):
    """Draws of a model of the cases: five sessions."""
    return Parameters(
        spread * rng.standard_normal((draws, ends, N_COLUMNS)),
        spread * rng.standard_normal((draws, 1, ends, 5)) - 1,
        spread * rng.standard_normal((draws, ends)),
        np.zeros((draws, ends)),
    )


def made(*, seed=1, spread=0.4, link="logit", draws=7, ends=2):
    rng = np.random.default_rng(seed)
    width = ends * (N_COLUMNS + 1 + 2 * len(SEEN) + len(UNSEEN) + N_STEPS + 1)
    values = spread * rng.standard_normal((draws, width))
    return Landmark(
        values, ends, N_COLUMNS, N_STEPS, UP_TO, CENTRES, link, of_cases(rng, ends=ends, spread=spread)
    )


def records(*, seed=1, missing=0.3, done=(1, 1, 2, 3, 5, 4)):
    rng = np.random.default_rng(seed)

    def noted(values):
        return np.where(rng.random(values.shape) < missing, np.nan, values)

    shape = (N_CASES, 5)
    return Records(
        np.array(done),
        noted(rng.uniform(0, 10, N_CASES)),
        noted(rng.uniform(0, 1, shape)),
        noted(rng.integers(0, 3, shape).astype(float)),
        noted(rng.uniform(0, 10, shape)),
        noted(rng.uniform(2, 9, shape)),
        noted(rng.uniform(50, 500, shape)),
    )


def columns(seed=1):
    return np.random.default_rng(seed).standard_normal((N_CASES, N_COLUMNS))


def by_hand(part, X, known, i, draw, horizon):
    """One eye and one draw from the formula, session by session."""
    bother, cleared, pieces = (known.last(name)[i] for name in ("bother", "cleared", "fragments"))
    told = [
        cleared * 10 - CENTRES[0],
        (pieces == 1) - CENTRES[1],
        (pieces == 2) - CENTRES[2],
        bother - CENTRES[3],
        known.before[i] - CENTRES[4],
    ]
    unknown = [
        np.isnan(cleared),
        np.isnan(pieces),
        np.isnan(pieces),
        np.isnan(bother),
        np.isnan(known.before[i]),
    ]
    told = [0.0 if gone else value for value, gone in zip(told, unknown, strict=True)]
    unknown.pop(2)
    landmark = np.log(min(known.done[i], UP_TO))
    out, left = np.zeros((part.n_ends, horizon)), 1.0
    for k in range(known.done[i], horizon):
        s = k - known.done[i]
        eta = []
        for j in range(part.n_ends):
            b = part.values[draw, j * (N_COLUMNS + 18) : (j + 1) * (N_COLUMNS + 18)]
            case, mark, now, gone, later, steps = np.split(b, np.cumsum([N_COLUMNS, 1, 5, 4, 5]))
            value = part.values[draw, -part.n_ends + j] + case @ X[i] + mark[0] * landmark
            value += now @ told + gone @ np.array(unknown, dtype=float)
            value += (later @ told if s else 0.0) + steps[:s].sum()
            eta.append(value)
        odds = np.exp(eta)
        out[:, k] = left * odds / (1 + odds.sum())
        left /= 1 + odds.sum()
    return out


def test_an_eye_is_forecast_by_the_formula():
    part, X, known = made(), columns(), records()
    found, well = part.pmf_after(X, known, horizon=8, n_ends=2)
    for i in range(N_CASES):
        for draw in (0, 6):
            np.testing.assert_allclose(found[draw, i], by_hand(part, X, known, i, draw, 8), atol=1e-13)
    assert (well == 1).all()


@few
@given(
    seed=st.integers(0, 10**6),
    spread=st.sampled_from([0.0, 0.3, 3.0, 40.0]),
    link=st.sampled_from(["logit", "cloglog"]),
    missing=st.sampled_from([0.0, 0.4, 1.0]),
    ends=st.sampled_from([1, 2, 3]),
)
def test_whatever_was_noted_chances_are_chances(seed, spread, link, missing, ends):
    part = made(seed=seed, spread=spread, link=link, ends=ends)
    known = records(seed=seed, missing=missing)
    found, _ = part.pmf_after(columns(seed), known, horizon=7, n_ends=ends)
    assert np.isfinite(found).all()
    assert found.min() >= 0
    assert found.sum(axis=(2, 3)).max() <= 1 + 1e-12
    for i, done in enumerate(known.done):
        assert not found[:, i, :, :done].any()


def test_no_eye_of_a_table_changes_the_forecast_of_another():
    part, X, known = made(draws=300), columns(), records()
    whole, _ = part.pmf_after(X, known, horizon=8, n_ends=2)
    for i in range(N_CASES):
        alone, _ = part.pmf_after(X[[i]], known.rows(np.array([i])), horizon=8, n_ends=2)
        np.testing.assert_allclose(whole[:, i], alone[:, 0], atol=1e-14)


def test_a_horizon_behind_an_eye_leaves_nothing_to_come():
    found, _ = made().pmf_after(columns(), records(), horizon=2, n_ends=2)
    assert found[:, :2].any()
    assert not found[:, 2:].any()


def test_a_longer_horizon_changes_nothing_before_it():
    part, X, known = made(), columns(), records()
    long, _ = part.pmf_after(X, known, horizon=40, n_ends=2)
    short, _ = part.pmf_after(X, known, horizon=6, n_ends=2)
    np.testing.assert_allclose(long[..., :6], short, atol=1e-15)


def test_what_was_never_noted_stands_at_the_centre_and_is_told_apart():
    known = records(missing=1.0)
    found = covariates(columns(), known, CENTRES, up_to=UP_TO)
    assert not found[:, N_COLUMNS + 1 : N_COLUMNS + 6].any()
    assert (found[:, -4:] == 1).all()


def test_the_last_value_noted_counts():
    noted = {
        "case": ["a"] * 3,
        "session": [1, 2, 3],
        "cleared": [0.2, 0.5, None],
        "fragments": ["many", "few", "none"],
        "bother": [7, None, None],
    }
    found = seen(read_records({"case": ["a"], "relief_before": [8]}, noted))
    assert found.tolist() == [[5.0, 0.0, 0.0, 7.0, 8.0]]


def test_landmarks_beyond_the_last_take_its_effect():
    part, X = made(), columns()
    at = [records(missing=0.0, done=(k,) * N_CASES) for k in (UP_TO, UP_TO + 2)]
    at[0] = replace(at[1], done=at[0].done)  # the same was noted
    first, last = (part.pmf_after(X, one, horizon=8, n_ends=2)[0] for one in at)
    np.testing.assert_allclose(first[..., UP_TO:6], last[..., UP_TO + 2 :], atol=1e-14)


def test_completions_count_by_the_chance_that_such_an_eye_got_so_far():
    part, one = made(), records(done=(3,) * N_CASES).rows(np.zeros(N_CASES, dtype=int))
    X = 6 * columns()  # six completions of one eye

    to_come, left = part.pmf_after(X, one, horizon=6, n_ends=2, alike=N_CASES)

    by_hand = np.zeros(N_CASES)
    base = part.reaching
    for i in range(N_CASES):
        for draw in range(base.n_draws):
            staying = 1.0
            for k in range(3):
                eta = base.coefficients[draw] @ X[i] + base.session_effects[draw, 0, :, k]
                staying /= 1 + np.exp(eta + base.operator_effect[draw]).sum()
            by_hand[i] += staying / base.n_draws
    assert by_hand.max() > 1.5 * by_hand.min()
    for draw in left:
        np.testing.assert_allclose(draw, by_hand / by_hand.max(), rtol=1e-12)
    alone, _ = part.pmf_after(X, one, horizon=6, n_ends=2)
    np.testing.assert_allclose(to_come, alone * left[:, :, None, None], rtol=1e-12)


def test_each_case_has_its_own_likeliest_completion():
    part, known = made(), records(done=(2,) * N_CASES)
    pairs = known.rows(np.array([0, 0, 1, 1, 2, 2]))
    _, left = part.pmf_after(columns(), pairs, horizon=6, n_ends=2, alike=2)
    assert (left.reshape(-1, 3, 2).max(axis=2) == 1).all()
    assert (left.reshape(-1, 3, 2).min(axis=2) < 1).all()


def test_where_no_completion_could_have_got_so_far_all_count_alike():
    part = made()
    certain = replace(part.reaching, session_effects=np.full((3, 1, 2, 5), 400.0))
    part = replace(part, reaching=certain)
    one = records(done=(3,) * N_CASES).rows(np.zeros(N_CASES, dtype=int))
    _, left = part.pmf_after(columns(), one, horizon=6, n_ends=2, alike=N_CASES)
    assert (left == 1).all()


def test_saving_and_reading_back_is_the_identity():
    part = made(link="cloglog")
    again = history_of(part.to_json(), part.values)
    assert again.to_json() == part.to_json()
    known = records()
    a, b = (one.pmf_after(columns(), known, horizon=6, n_ends=2)[0] for one in (part, again))
    assert a.tobytes() == b.tobytes()
    a, b = (one.pmf_after(columns(), known, horizon=6, n_ends=2, alike=2)[1] for one in (part, again))
    assert a.tobytes() == b.tobytes()


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("coefficients", np.zeros((3, 2, N_COLUMNS + 1))),
        ("coefficients", np.zeros((0, 2, N_COLUMNS))),
        ("session_effects", np.zeros((3, 2, 2, 5))),
        ("session_effects", np.zeros((3, 1, 2, 0))),
        ("operator_effect", np.zeros((3, 3))),
        ("patient_loading", np.zeros((1, 2))),
        ("never", np.zeros(2)),
        ("never", np.array([np.nan])),
    ],
)
def test_a_model_of_the_cases_that_does_not_fit_is_refused(name, value):
    part = made()
    saved = part.to_json()
    saved["reaching"] = saved["reaching"] | {name: value.tolist() if value.size else value}
    with pytest.raises(ValueError, match="who gets so far"):
        Landmark.from_json(saved, part.values)


def test_thinning_keeps_the_draws_asked_for():
    part, known = made(), records()
    whole, _ = part.pmf_after(columns(), known, horizon=5, n_ends=2)
    some, _ = part.thinned(np.array([0, 4])).pmf_after(columns(), known, horizon=5, n_ends=2)
    np.testing.assert_allclose(some, whole[[0, 4]], atol=1e-14)


@pytest.mark.parametrize(
    "changes",
    [
        {"n_steps": 2},
        {"centres": (1.0,)},
        {"centres": (np.nan, 0.0, 0.0, 0.0, 0.0)},
        {"up_to": 0},
        {"link": "probit"},
    ],
)
def test_a_description_that_does_not_fit_the_values_is_refused(changes):
    part = made()
    with pytest.raises(ValueError, match=r"expected|landmarks up to"):
        Landmark.from_json({**part.to_json(), **changes}, part.values)


def test_values_that_are_not_finite_are_refused():
    part = made()
    with pytest.raises(ValueError, match="not finite"):
        Landmark.from_json(part.to_json(), part.values * np.nan)


def test_cases_not_begun_and_other_ends_are_refused():
    part = made()
    with pytest.raises(ValueError, match="after one session"):
        part.pmf_after(columns(), records(done=(0, 1, 1, 1, 1, 1)), horizon=3, n_ends=2)
    with pytest.raises(ValueError, match="3 ends"):
        part.pmf_after(columns(), records(), horizon=3, n_ends=3)
