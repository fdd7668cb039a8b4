"""What must hold for every fit, whatever the data."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from simulated_courses import draw

from retreat import counts
from retreat.errors import ExtrapolationWarning
from retreat.fitting import LogisticHazard

SETTINGS = (
    {"link": "logit", "session_effect": "free"},
    {"link": "logit", "session_effect": "smooth"},
    {"link": "logit", "session_effect": "linear"},
    {"link": "logit", "session_effect": "free", "penalty": 2.0},
    {"link": "logit", "session_effect": "free", "penalty": "firth"},
    {"link": "logit", "session_effect": "smooth", "penalty": "firth"},
    {"link": "cloglog", "session_effect": "free"},
    {"link": "cloglog", "session_effect": "smooth"},
    {"link": "cloglog", "session_effect": "linear", "penalty": 2.0},
)


def kinds(chosen=SETTINGS):
    return pytest.mark.parametrize(
        "kind", [pytest.param(kind, id=" ".join(str(v) for v in kind.values())) for kind in chosen]
    )


def penalty(kind):
    return kind.get("penalty")


# a ridge on the raw scale depends on the unit by definition
WITHOUT_UNIT = [kind for kind in SETTINGS if penalty(kind) != 2.0]
# Firth's penalty gives an end never seen a chance
WITHOUT_FIRTH = [kind for kind in SETTINGS if penalty(kind) != "firth"]


def assert_same_fit(one, other, atol=1e-7):
    np.testing.assert_allclose(one.coef_, other.coef_, rtol=0, atol=atol)
    np.testing.assert_allclose(one.session_effects_, other.session_effects_, rtol=0, atol=atol)
    np.testing.assert_allclose(one.covariance_, other.covariance_, rtol=0, atol=atol)
    assert one.log_likelihood_ == pytest.approx(other.log_likelihood_, abs=1e-7)


@kinds()
@settings(max_examples=5, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_weight_two_is_the_row_twice_and_weight_nothing_no_row(kind, seed):
    d = draw(seed, n=200)
    times = np.random.default_rng(seed).integers(0, 3, size=200)
    row = np.repeat(np.arange(200), times)

    weighted = LogisticHazard(**kind).fit(d.X, *d.outcome, weights=times)
    repeated = LogisticHazard(**kind).fit(d.X[row], d.sessions[row], d.ending[row])

    assert_same_fit(weighted, repeated)


@kinds()
@settings(max_examples=5, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_the_order_of_rows_does_not_matter(kind, seed):
    d = draw(seed, n=200)
    mixed = np.random.default_rng(seed).permutation(200)

    one = LogisticHazard(**kind).fit(d.X, *d.outcome, groups=np.arange(200) // 2)
    other = LogisticHazard(**kind).fit(
        d.X[mixed], d.sessions[mixed], d.ending[mixed], groups=(np.arange(200) // 2)[mixed]
    )

    assert_same_fit(one, other)
    np.testing.assert_allclose(one.clustered_covariance_, other.clustered_covariance_, rtol=0, atol=1e-7)


@pytest.mark.parametrize("weights", [None, np.arange(400) % 3])
@kinds()
def test_collapsing_equal_patterns_changes_nothing(kind, weights, monkeypatch):
    d = draw(5, n=400, columns=2)
    X = np.round(d.X)  # some thirty patterns
    plain = LogisticHazard(**kind).fit(X, *d.outcome, weights=weights)
    assert len(counts.risk_sets(X, *d.outcome, n_ends=2).X) == 400

    monkeypatch.setattr(counts, "_COLLAPSE_FROM", 1)
    assert len(counts.risk_sets(X, *d.outcome, n_ends=2).X) < 60
    collapsed = LogisticHazard(**kind).fit(X, *d.outcome, weights=weights)

    assert_same_fit(plain, collapsed, atol=1e-10)


@kinds(WITHOUT_FIRTH)
def test_a_second_end_that_nobody_had_leaves_the_fit_of_one_end(kind):
    """Codes 0 and 2: end 1 gets the hazard 0, end 2 the fit of a single end."""
    d = draw(6, ends=1)

    one = LogisticHazard(**kind).fit(d.X, *d.outcome)
    two = LogisticHazard(**kind).fit(d.X, d.sessions, 2 * d.ending)

    np.testing.assert_allclose(two.coef_, np.stack([np.zeros(3), one.coef_[0]]), rtol=0, atol=1e-8)
    np.testing.assert_allclose(two.session_effects_[1], one.session_effects_[0], rtol=0, atol=1e-8)
    assert np.isneginf(two.session_effects_[0]).all()
    assert (two.predict_incidence(d.X)[:, 0] == 0).all()
    kept = [*range(3, 6), *range(10, 14)]
    np.testing.assert_allclose(two.covariance_[np.ix_(kept, kept)], one.covariance_, rtol=0, atol=1e-8)
    assert np.isnan(np.diag(two.covariance_)[[0, 1, 2, 6, 7, 8, 9]]).all()


@kinds(WITHOUT_UNIT)
def test_shifting_and_scaling_a_column_moves_its_coefficient_alone(kind):
    d = draw(7)
    scale, shift = np.array([1000.0, 0.001, -3.0]), np.array([2020.0, 0.0, 5.0])

    raw = LogisticHazard(**kind).fit(d.X, *d.outcome)
    moved = LogisticHazard(**kind).fit(d.X * scale + shift, *d.outcome)

    np.testing.assert_allclose(moved.coef_ * scale, raw.coef_, rtol=0, atol=1e-7)
    np.testing.assert_allclose(
        moved.predict_incidence(d.X * scale + shift), raw.predict_incidence(d.X), rtol=0, atol=1e-7
    )
    np.testing.assert_allclose(
        moved.session_effects_ + (moved.coef_ @ shift)[:, None], raw.session_effects_, rtol=0, atol=1e-6
    )


@kinds(WITHOUT_UNIT)
def test_standard_errors_follow_the_unit_of_a_column(kind):
    d = draw(8)

    raw = LogisticHazard(**kind).fit(d.X, *d.outcome).summary()
    moved = LogisticHazard(**kind).fit(d.X * 100.0, *d.outcome).summary()

    np.testing.assert_allclose(moved.standard_error * 100.0, raw.standard_error, rtol=1e-6)


@kinds()
def test_incidences_and_the_share_in_treatment_add_to_one(kind):
    d = draw(9)

    found = LogisticHazard(**kind).fit(d.X, *d.outcome).predict_incidence(d.X)

    assert (np.diff(found, axis=2) >= 0).all()
    assert (found >= 0).all()
    assert (found.sum(axis=1) <= 1 + 1e-12).all()


def test_the_strength_of_a_raw_ridge_moves_with_the_unit():
    """Metres to millimetres: the same penalty is a million times the strength."""
    d = draw(10, columns=1)

    metres = LogisticHazard(penalty=3.0).fit(d.X, *d.outcome)
    millimetres = LogisticHazard(penalty=3.0e6).fit(d.X * 1000.0, *d.outcome)

    np.testing.assert_allclose(millimetres.coef_ * 1000.0, metres.coef_, rtol=0, atol=1e-8)


def test_a_stronger_ridge_means_smaller_coefficients():
    d = draw(11)

    sizes = [
        np.linalg.norm(LogisticHazard(penalty=s).fit(d.X, *d.outcome).coef_) for s in (0, 1, 10, 1e3, 1e8)
    ]

    assert (np.diff(sizes) < 0).all()
    assert sizes[-1] < 1e-5


def test_linear_session_effects_lie_on_a_line():
    d = draw(12, last=6)

    effects = LogisticHazard(session_effect="linear").fit(d.X, *d.outcome).session_effects_

    np.testing.assert_allclose(np.diff(effects, 2, axis=1), 0.0, atol=1e-10)


def test_freer_session_effects_fit_better_and_smooth_ones_lie_between():
    d = draw(13, last=6)

    value = {
        effect: LogisticHazard(session_effect=effect).fit(d.X, *d.outcome).log_likelihood_
        for effect in ("free", "smooth", "linear")
    }

    assert value["free"] > value["smooth"]
    assert value["free"] > value["linear"]


def test_smooth_session_effects_step_less_than_free_ones():
    d = draw(14, n=300, last=6)

    steps = {
        effect: np.square(
            np.diff(LogisticHazard(session_effect=effect).fit(d.X, *d.outcome).session_effects_)
        ).sum()
        for effect in ("free", "smooth")
    }

    assert steps["smooth"] < 0.7 * steps["free"]


@pytest.mark.parametrize("effect", ["free", "smooth"])
def test_sessions_reached_by_few_share_the_effect_of_the_last_reached_by_enough(effect):
    d = draw(15, n=120, last=6)
    at_risk = np.array([(d.sessions >= k).sum() for k in range(1, 7)])
    below = int(at_risk[3]) + 1  # session 4 and later

    effects = LogisticHazard(session_effect=effect, pool_below=below).fit(d.X, *d.outcome).session_effects_

    np.testing.assert_array_equal(effects[:, 3:], np.repeat(effects[:, 2:3], 3, axis=1))
    assert (effects[:, 1] != effects[:, 2]).all()


def test_pooled_sessions_have_the_hazard_of_their_counts_together():
    sessions, ending = np.array([1, 1, 2, 2, 2, 3, 3]), np.array([1, 0, 1, 0, 0, 1, 0])

    hazard = LogisticHazard(pool_below=5).fit(np.empty((7, 0)), sessions, ending)

    # reached by 7, 5 and 2: sessions 2 and 3 together, 2 ends among 5 + 2
    found = hazard.predict_hazard(np.empty((1, 0)))[0, 0]
    np.testing.assert_allclose(found, [1 / 7, 2 / 7, 2 / 7], atol=1e-9)


def test_beyond_the_last_session_the_last_effect_is_carried_on_with_a_warning():
    d = draw(16)
    hazard = LogisticHazard().fit(d.X, *d.outcome)

    with pytest.warns(ExtrapolationWarning, match="sessions 5 to 7 go beyond the largest session seen"):
        found = hazard.predict_hazard(d.X, 7)

    np.testing.assert_array_equal(found[..., 4:], np.repeat(found[..., 3:4], 3, axis=2))


def test_large_tables_start_from_a_sample_and_end_at_the_same_estimate(monkeypatch):
    from retreat.fitting import hazardfit

    d = draw(17, n=5000)
    plain = LogisticHazard().fit(d.X, *d.outcome)
    monkeypatch.setattr(hazardfit, "_SAMPLE_FROM", 1000)
    monkeypatch.setattr(hazardfit, "_SAMPLE", 500)
    sampled = LogisticHazard().fit(d.X, *d.outcome)

    assert_same_fit(plain, sampled, atol=1e-9)
