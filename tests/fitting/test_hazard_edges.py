"""Small and lopsided tables: ends never seen, sessions that end every course, separation."""

import numpy as np
import pytest
from simulated_courses import draw

from retreat.errors import FitError
from retreat.fitting import LogisticHazard

LINKS = pytest.mark.parametrize("link", ["logit", "cloglog"])
NOBODY = np.empty((1, 0))


def without_columns(sessions, ending, **settings):
    h = LogisticHazard(**settings).fit(np.empty((len(sessions), 0)), sessions, ending)
    return h.predict_hazard(NOBODY)[0]


@LINKS
def test_free_effects_without_columns_are_counts_ended_over_at_risk(link):
    sessions = np.array([1, 1, 1, 2, 2, 3, 3, 3])
    ending = np.array([1, 2, 0, 1, 0, 2, 1, 1])

    # at risk 8, 5, 3
    np.testing.assert_allclose(
        without_columns(sessions, ending, link=link), [[1 / 8, 1 / 5, 2 / 3], [1 / 8, 0, 1 / 3]], atol=1e-9
    )


@LINKS
def test_an_end_never_seen_at_a_session_has_hazard_nothing_there(link):
    d = draw(1)
    ending = np.where((d.sessions == 2) & (d.ending == 2), 1, d.ending)

    h = LogisticHazard(link=link).fit(d.X, d.sessions, ending)

    assert np.isneginf(h.session_effects_[1, 1])
    assert (h.predict_hazard(d.X)[:, 1, 1] == 0).all()
    assert np.isnan(h.covariance_[6 + 4 + 1]).all()
    assert np.isfinite(h.summary().standard_error).all()


@LINKS
def test_a_session_at_which_nobody_ends_has_hazard_nothing(link):
    d = draw(2)
    ending = np.where(d.sessions == 2, 0, d.ending)

    h = LogisticHazard(link=link).fit(d.X, d.sessions, ending)

    assert (h.predict_hazard(d.X)[:, :, 1] == 0).all()


@LINKS
def test_a_session_that_ends_every_course_is_certain(link):
    d = draw(3, ends=1)
    ending = np.where(d.sessions == 4, 1, d.ending)

    h = LogisticHazard(link=link).fit(d.X, d.sessions, ending)

    assert h.session_effects_[0, 3] == pytest.approx(40.0, abs=0.5)
    np.testing.assert_allclose(h.predict_hazard(d.X)[:, 0, 3], 1.0, atol=1e-12)


@LINKS
def test_a_certain_session_leaves_the_coefficients_of_the_others(link):
    """A session that ends every course tells nothing of the columns: the same as being lost before it."""
    d = draw(4, ends=1)
    ending = np.where(d.sessions == 4, 1, d.ending)
    lost = np.minimum(d.sessions, 3), np.where(d.sessions == 4, 0, ending)

    with_it = LogisticHazard(link=link).fit(d.X, d.sessions, ending)
    without = LogisticHazard(link=link).fit(d.X, *lost)

    np.testing.assert_allclose(with_it.coef_, without.coef_, rtol=0, atol=1e-9)


@LINKS
def test_where_two_ends_share_a_certain_session_their_proportion_is_kept(link):
    sessions = np.array([1] * 10 + [2] * 6)
    ending = np.array([1, 1, 2, 0, 0, 0, 0, 0, 0, 0, 1, 1, 2, 2, 2, 2])

    found = without_columns(sessions, ending, link=link)

    np.testing.assert_allclose(found[:, 1], [2 / 6, 4 / 6], atol=1e-9)


@LINKS
def test_a_certain_session_of_two_ends_compares_them_by_the_columns(link):
    """Among cases that reached it the split between the ends is a logistic regression on the difference."""
    rng = np.random.default_rng(5)
    X = rng.normal(size=(400, 1))
    ending = 1 + (rng.random(400) < 1 / (1 + np.exp(-(0.3 + 0.8 * X[:, 0])))).astype(int)
    sessions = np.full(400, 2)
    sessions[:150], ending[:100] = 1, 0  # some lost, some ended at session 1

    h = LogisticHazard(link=link).fit(X, sessions, ending)

    hazard = h.predict_hazard(X)[:, :, 1]
    np.testing.assert_allclose(hazard.sum(axis=1), 1.0, atol=1e-12)
    assert 0.3 < h.coef_[1, 0] - h.coef_[0, 0] < 1.3


@LINKS
@pytest.mark.parametrize("effect", ["free", "smooth", "linear"])
def test_forty_cases_are_fitted_although_an_end_is_missing_at_a_session(link, effect):
    d = draw(6, n=40, columns=2)
    ending = np.where((d.sessions >= 2) & (d.ending == 2), 1, d.ending)

    h = LogisticHazard(link=link, session_effect=effect).fit(d.X, d.sessions, ending)

    found = h.predict_incidence(d.X)
    assert np.isfinite(h.coef_).all()
    assert ((found >= 0) & (found <= 1)).all()


@LINKS
@pytest.mark.parametrize("effect", ["free", "smooth", "linear"])
def test_an_end_never_seen_has_no_coefficient_and_no_error(link, effect):
    d = draw(7, ends=1)

    h = LogisticHazard(link=link, session_effect=effect).fit(d.X, d.sessions, 2 * d.ending)

    table = h.summary()
    assert (table.estimate[table.end == 1] == 0).all()
    assert table.standard_error[table.end == 1].isna().all()
    assert table.standard_error[table.end == 2].notna().all()


@LINKS
@pytest.mark.parametrize("effect", ["free", "smooth", "linear"])
def test_one_session_is_enough(link, effect):
    """A single session has no slope and no steps: the fit is a plain regression of the first session."""
    d = draw(8, ends=1, last=1)

    h = LogisticHazard(link=link, session_effect=effect).fit(d.X, *d.outcome)
    free = LogisticHazard(link=link).fit(d.X, *d.outcome)

    np.testing.assert_allclose(h.coef_, free.coef_, rtol=0, atol=1e-9)


def test_everybody_ending_at_the_first_session_is_a_hazard_of_one():
    np.testing.assert_allclose(without_columns([1, 1, 1], [1, 1, 2]), [[2 / 3], [1 / 3]], atol=1e-9)


@pytest.mark.parametrize("effect", ["free", "smooth", "linear"])
def test_firth_gives_finite_estimates_where_ends_are_separated(effect):
    d = draw(9, n=60, columns=2)
    X = np.column_stack([d.X[:, 0], d.ending == 1])  # tells end 1 without error

    h = LogisticHazard(penalty="firth", session_effect=effect).fit(X, *d.outcome)

    table = h.summary()
    assert (table.standard_error < 5).all()
    assert 2 < h.coef_[0, 1] < 8


@LINKS
@pytest.mark.parametrize("effect", ["free", "smooth", "linear"])
@pytest.mark.parametrize("kind", ["complete", "one value", "one censored case"])
def test_separation_is_refused_by_the_name_of_the_column(link, effect, kind):
    d = draw(10)
    column = {
        "complete": d.ending == 1,
        "one value": (d.ending == 1) & (np.arange(300) % 3 == 0),
        "one censored case": np.arange(300) == np.flatnonzero(d.ending == 0)[0],
    }[kind]
    X = np.column_stack([d.X, column])

    with pytest.raises(FitError, match=r"(?s)^(x\d, )*x3: separation.*penalty='firth' or a ridge"):
        LogisticHazard(link=link, session_effect=effect).fit(X, *d.outcome)


def test_a_ridge_fits_separated_ends():
    d = draw(11)
    X = np.column_stack([d.X, d.ending == 1])

    h = LogisticHazard(penalty=1.0).fit(X, *d.outcome)

    assert 1 < h.coef_[0, 3] < 10


def test_small_random_tables_give_an_answer_or_a_reason():
    """300 tables of 6 to 39 cases: a finite fit that predicts, or a refusal that says what to do."""
    refusals = []
    for seed in range(300):
        rng = np.random.default_rng(seed)
        n, columns = rng.integers(6, 40), rng.integers(1, 4)
        X = rng.integers(0, 2, (n, columns)).astype(float) if seed % 2 else rng.normal(size=(n, columns))
        kind = (
            {"penalty": "firth"},
            {"link": "cloglog"},
            {"session_effect": "smooth"},
            {"link": "cloglog", "session_effect": "linear"},
            {},
        )[seed % 5]
        try:
            h = LogisticHazard(**kind).fit(X, rng.integers(1, 4, n), rng.integers(0, 3, n))
        except FitError as error:
            refusals.append(str(error))
            continue
        assert np.isfinite(h.coef_).all(), seed
        assert np.isfinite(h.predict_incidence(X)).all(), seed

    assert 30 < len(refusals) < 150
    assert all("to mend" in text for text in refusals)
    assert not [text for text in refusals if "converging" in text]
