"""The kernel against a plain loop over draws and cases, against adaptive quadrature, and by Bayes' rule."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import norm

from retreat.hazard import Link
from retreat.model import kernel
from retreat.model.kernel import Parameters, given_done, mean_pmf, pmf, pmf_after, reweighted

# the mean form works in single precision: its promise
SINGLE = 1e-6


def some_parameters(
    seed: int = 1, *, draws: int = 4, ends: int = 2, columns: int = 3, strata: int = 1, sessions: int = 3
) -> Parameters:
    rng = np.random.default_rng(seed)
    return Parameters(
        coefficients=rng.normal(0, 0.6, size=(draws, ends, columns)),
        session_effects=rng.normal(-1, 0.6, size=(draws, strata, ends, sessions)),
        operator_effect=rng.normal(0, 0.4, size=(draws, ends)),
        patient_loading=np.zeros((draws, ends)),
    )


def some_cases(n: int = 5, columns: int = 3, strata: int = 1, seed: int = 2) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    return rng.normal(size=(n, columns)), rng.integers(0, strata, n)


def loop(p: Parameters, X: np.ndarray, stratum: np.ndarray, horizon: int, link: Link) -> np.ndarray:
    """The same probabilities one case, draw and session at a time, without patient effects."""
    draws, ends, columns = p.coefficients.shape
    last = p.session_effects.shape[-1]
    out = np.zeros((draws, len(X), ends, horizon))
    for d in range(draws):
        for i in range(len(X)):
            staying = 1.0
            for k in range(horizon):
                etas = []
                for j in range(ends):
                    eta = p.operator_effect[d, j] + p.session_effects[d, stratum[i], j, min(k, last - 1)]
                    for c in range(columns):
                        eta += X[i, c] * p.coefficients[d, j, c]
                    etas.append(math.exp(eta))
                total = sum(etas)
                ending = total / (1 + total) if link == "logit" else 1 - math.exp(-total)
                for j in range(ends):
                    out[d, i, j, k] = staying * ending * etas[j] / total
                staying *= 1 - ending
    return out


# --- against the loop


@pytest.mark.parametrize("link", ["logit", "cloglog"])
@pytest.mark.parametrize("ends", [1, 2, 3])
def test_pmf_equals_a_loop_over_draws_cases_and_sessions(link: Link, ends: int) -> None:
    p = some_parameters(ends=ends, strata=2)
    X, stratum = some_cases(strata=2)
    # horizon 6 passes the three sessions with an effect of their own: the last is carried on
    expected = loop(p, X, stratum, 6, link)
    assert pmf(p, X, stratum, horizon=6, link=link) == pytest.approx(expected, abs=1e-14)


def test_cases_in_several_blocks_equal_the_loop(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kernel, "_BLOCK_VALUES", 24)  # blocks of 3 cases
    monkeypatch.setattr(kernel, "_MEAN_CASES", 4)
    monkeypatch.setattr(kernel, "_MEAN_DRAWS", 3)
    p = some_parameters(strata=2)
    X, stratum = some_cases(11, strata=2)
    expected = loop(p, X, stratum, 4, "logit")
    assert pmf(p, X, stratum, horizon=4, link="logit") == pytest.approx(expected, abs=1e-14)
    assert mean_pmf(p, X, stratum, horizon=4) == pytest.approx(expected.mean(axis=0), abs=SINGLE)


def test_the_operator_effect_moves_every_session_of_its_end() -> None:
    p = some_parameters()
    X, stratum = some_cases()
    by_end = np.array([0.7, -0.2])
    moved = Parameters(p.coefficients, p.session_effects, p.operator_effect + by_end, p.patient_loading)
    shift = by_end[None, None, :, None]
    same = Parameters(p.coefficients, p.session_effects + shift, p.operator_effect, p.patient_loading)
    expected = pmf(same, X, stratum, horizon=5, link="logit")
    assert pmf(moved, X, stratum, horizon=5, link="logit") == pytest.approx(expected, abs=1e-15)


def test_a_case_reads_the_table_of_its_own_stratum() -> None:
    p = some_parameters(strata=3, columns=0)
    found = pmf(p, np.empty((3, 0)), np.array([2, 0, 1]), horizon=3, link="logit")
    for case, level in enumerate((2, 0, 1)):
        odds = np.exp(p.session_effects[:, level] + p.operator_effect[:, :, None])
        first = odds[:, :, 0] / (1 + odds[:, :, 0].sum(axis=1, keepdims=True))
        assert found[:, case, :, 0] == pytest.approx(first, abs=1e-14)


def test_sessions_past_the_last_fitted_carry_its_hazard_on() -> None:
    p = some_parameters(sessions=2)
    X, stratum = some_cases()
    found = pmf(p, X, stratum, horizon=6, link="logit")
    left = 1 - np.cumsum(found.sum(axis=2), axis=-1)  # (draws, cases, horizon)
    hazard = found[..., 1:] / left[:, :, None, :-1]
    # the same hazards at sessions 2, 3, ... 6; shares left may be small, so that digits are lost in the ratio
    assert hazard == pytest.approx(np.repeat(hazard[..., :1], 5, axis=-1), rel=1e-9)


# --- mean over draws


@given(st.integers(0, 10**6), st.integers(1, 3), st.floats(0, 2))
@settings(max_examples=40, deadline=None)
def test_the_mean_form_is_the_mean_of_the_full_form(seed: int, ends: int, patient_loading: float) -> None:
    p = some_parameters(seed, ends=ends, strata=2)
    p = Parameters(
        p.coefficients, p.session_effects, p.operator_effect, np.full_like(p.patient_loading, patient_loading)
    )
    X, stratum = some_cases(7, strata=2, seed=seed)
    expected = pmf(p, X, stratum, horizon=6, link="logit").mean(axis=0)
    assert mean_pmf(p, X, stratum, horizon=6) == pytest.approx(expected, abs=SINGLE)


def test_single_precision_does_not_add_up_over_many_draws() -> None:
    p = some_parameters(draws=4000, columns=9)
    X, stratum = some_cases(6, columns=9)
    expected = pmf(p, X, stratum, horizon=8, link="logit").mean(axis=0)
    assert np.abs(mean_pmf(p, X, stratum, horizon=8) - expected).max() < 2e-7


def test_the_mean_form_takes_sessions_at_which_an_end_cannot_happen() -> None:
    p = some_parameters()
    effects = p.session_effects.copy()
    effects[:, :, 1, :2] = -np.inf
    p = Parameters(p.coefficients, effects, p.operator_effect, p.patient_loading)
    X, stratum = some_cases()
    found = mean_pmf(p, X, stratum, horizon=4)
    assert not found[:, 1, :2].any()
    assert found == pytest.approx(pmf(p, X, stratum, horizon=4, link="logit").mean(axis=0), abs=SINGLE)


@pytest.mark.parametrize("case", [-120.0, -95.0, -80.0, 80.0])
def test_the_mean_form_holds_where_single_precision_nearly_ends(case: float) -> None:
    p = Parameters(
        np.full((2, 2, 1), case), np.full((2, 1, 2, 3), -case / 2), np.zeros((2, 2)), np.zeros((2, 2))
    )
    cases = np.ones((1, 1)), np.zeros(1, dtype=int)
    expected = pmf(p, *cases, horizon=3, link="logit").mean(axis=0)
    assert mean_pmf(p, *cases, horizon=3) == pytest.approx(expected, abs=SINGLE)


@pytest.mark.parametrize(("case", "session"), [(800.0, 0.0), (0.0, 800.0), (800.0, -800.0), (400.0, 400.0)])
def test_the_mean_form_says_so_where_an_exponential_overflows(case: float, session: float) -> None:
    p = Parameters(
        np.full((2, 2, 1), case), np.full((2, 1, 2, 3), session), np.zeros((2, 2)), np.zeros((2, 2))
    )
    with pytest.raises(FloatingPointError):
        mean_pmf(p, np.ones((1, 1)), np.zeros(1, dtype=int), horizon=3)


@pytest.mark.parametrize(("case", "session"), [(800.0, 0.0), (0.0, 800.0), (800.0, -800.0), (-800.0, 800.0)])
def test_the_full_form_stands_predictors_of_800(case: float, session: float) -> None:
    p = Parameters(
        np.full((1, 1, 1), case), np.full((1, 1, 1, 2), session), np.zeros((1, 1)), np.zeros((1, 1))
    )
    found = pmf(p, np.ones((1, 1)), np.zeros(1, dtype=int), horizon=2, link="logit")[0, 0, 0]
    expected = [0.5, 0.25] if case + session == 0 else [1.0, 0.0]
    assert found == pytest.approx(expected, abs=1e-15)


# --- patients


def patient_integral(
    eta: np.ndarray, sd: np.ndarray, end: int, session: int, *, done: int = 0
) -> tuple[float, float]:
    """Chance of the end at the session after `done`, and of getting past `done`, integrated over patients."""

    def course(u: float) -> np.ndarray:
        odds = np.exp(eta + (u * sd)[:, None])
        return odds / (1 + odds.sum(axis=0))

    def at(u: float) -> float:
        h = course(u)
        return float(np.prod(1 - h.sum(axis=0)[:session]) * h[end, session] * norm.pdf(u))

    def past(u: float) -> float:
        return float(np.prod(1 - course(u).sum(axis=0)[:done]) * norm.pdf(u))

    limits = {"limit": 200, "epsabs": 1e-11, "epsrel": 1e-11}
    return quad(at, -12, 12, **limits)[0], quad(past, -12, 12, **limits)[0]


ETA = np.array([[0.3, 0.1, -0.2, -0.4, -0.4, -0.4, -0.4, -0.4], np.linspace(-3.0, -1.5, 8)])


def parameters_of(eta: np.ndarray, sd: np.ndarray) -> Parameters:
    ends = len(eta)
    return Parameters(np.zeros((1, ends, 0)), eta[None, None], np.zeros((1, ends)), sd[None])


@pytest.mark.parametrize("sd", [0.3, 1.0, 1.5, 2.0])
def test_patients_are_integrated_over(sd: float) -> None:
    sds = np.array([sd, sd / 2])
    nothing = np.empty((1, 0)), np.zeros(1, dtype=int)
    found = pmf(parameters_of(ETA, sds), *nothing, horizon=8, link="logit")[0, 0]
    exact = [[patient_integral(ETA, sds, j, k)[0] for k in range(8)] for j in range(2)]
    # 25 nodes: error found 4e-5 at a standard deviation of 2, 1e-9 and less below 1
    assert np.abs(found - exact).max() < (1e-7 if sd <= 1 else 1e-4)


@pytest.mark.parametrize(("sd", "tolerance"), [(1.0, 1e-6), (2.0, 5e-4)])
def test_patients_who_stay_long_are_those_who_fare_worse(sd: float, tolerance: float) -> None:
    sds, done = np.array([sd, sd / 2]), 6
    cases = np.empty((1, 0)), np.zeros(1, dtype=int), np.array([done])
    found = given_done(*pmf_after(parameters_of(ETA, sds), *cases, horizon=8, link="logit"))[0, 0]
    pairs = [[patient_integral(ETA, sds, j, k, done=done) for k in (6, 7)] for j in range(2)]
    exact = np.array([[at / past for at, past in row] for row in pairs])
    # survivors sit in the tail of the patients, where nodes are few: hence the looser tolerance at 2
    assert np.abs(found[:, 6:] - exact).max() < tolerance
    without = pmf(parameters_of(ETA[:, 6:], 0 * sds), *cases[:2], horizon=2, link="logit")[0, 0]
    assert found[0, 6] < without[0, 0] - 0.1


# --- sessions already done


@pytest.mark.parametrize("done", [0, 1, 3])
def test_conditioning_on_sessions_done_is_bayes_rule(done: int) -> None:
    p = some_parameters()
    X, stratum = some_cases()
    before = loop(p, X, stratum, 5, "logit")
    found = given_done(*pmf_after(p, X, stratum, np.full(len(X), done), horizon=5, link="logit"))
    for d in range(p.n_draws):
        for i in range(len(X)):
            chance = 1 - before[d, i, :, :done].sum()
            assert not found[d, i, :, :done].any()
            assert found[d, i, :, done:] == pytest.approx(before[d, i, :, done:] / chance, rel=1e-11)


def test_each_case_is_conditioned_on_its_own_sessions() -> None:
    p = some_parameters()
    X, stratum = some_cases(4)
    done = np.array([0, 2, 5, 9])
    found, left = pmf_after(p, X, stratum, done, horizon=5, link="logit")
    for i in range(4):
        alone, chance = pmf_after(p, X[[i]], stratum[[i]], done[[i]], horizon=5, link="logit")
        assert found[:, i] == pytest.approx(alone[:, 0], rel=1e-13)
        assert left[:, i] == pytest.approx(chance[:, 0], rel=1e-13)
    assert not found[:, 2:].any()  # nothing is left to forecast from the horizon on


@pytest.mark.parametrize("link", ["logit", "cloglog"])
def test_a_course_that_hardly_any_case_gets_to_keeps_its_digits(link: Link) -> None:
    # 20 sessions at a predictor of 3: the chance of getting past them is e^-61 or less, far below 1e-16
    eta = np.full((1, 21), 3.0)
    eta[0, 20] = -1.0
    cases = np.empty((1, 0)), np.zeros(1, dtype=int), np.array([20])
    found, left = pmf_after(parameters_of(eta, np.zeros(1)), *cases, horizon=21, link=link)
    going_on = 1 / (1 + math.exp(3)) if link == "logit" else math.exp(-math.exp(3))
    assert left[0, 0] == pytest.approx(going_on**20, rel=1e-12)
    odds = math.exp(-1)
    last = odds / (1 + odds) if link == "logit" else -math.expm1(-odds)
    assert given_done(found, left)[0, 0, 0, 20] == pytest.approx(last, rel=1e-12)


def test_no_chance_of_getting_so_far_is_no_number() -> None:
    found = given_done(np.zeros((1, 2, 1, 3)), np.array([[0.0, 0.5]]))
    assert np.isnan(found[0, 0]).all()
    assert not found[0, 1].any()


# --- draws


def test_thinned_draws_are_evenly_spaced_with_the_first_and_the_last() -> None:
    p = some_parameters(draws=9)
    thin = p.thinned(3)
    for name in ("coefficients", "session_effects", "operator_effect", "patient_loading"):
        assert getattr(thin, name).tolist() == getattr(p, name)[[0, 4, 8]].tolist()
    assert p.thinned(9).coefficients.tolist() == p.coefficients.tolist()


def test_a_course_that_goes_on_speaks_for_an_operator_whose_cases_end_late() -> None:
    draws, done = 4000, np.array([0, 4])
    operator = np.random.default_rng(1).normal(0, 1.0, size=(draws, 2))
    p = Parameters(np.zeros((draws, 2, 0)), np.full((draws, 1, 2, 6), -1.0), operator, np.zeros((draws, 2)))
    to_come, left = pmf_after(p, np.empty((2, 0)), np.zeros(2, dtype=int), done, horizon=6, link="logit")
    # P(ends at 5 or 6 | four sessions done) over operators, by the definition of conditional probability
    exact = to_come[:, 1, :, 4:].mean(axis=0) / left[:, 1].mean()
    found = reweighted(given_done(to_come.copy(), left), left, done)
    assert found[:, 1, :, 4:].mean(axis=0) == pytest.approx(
        exact, abs=2e-3
    )  # resampling error 1 / draws and less
    assert np.array_equal(found[:, 0], to_come[:, 0])
    assert found[:, 1, 0, 4].mean() < given_done(to_come.copy(), left)[:, 1, 0, 4].mean() - 0.05


@pytest.mark.parametrize("done", [0, 2, 5])
def test_eyes_that_never_respond_weigh_more_the_longer_the_course(done: int) -> None:
    # two kinds of eye by hand: hazards (.5, .1) of the one, (0, .2) of the other that is never relieved
    never, hard = 0.1, 0.0
    eta = np.log(np.array([[0.5], [0.1]]) / 0.4)
    p = Parameters(
        np.zeros((3, 2, 0)),
        np.tile(eta, (3, 1, 1, 1)),
        np.zeros((3, 2)),
        np.full((3, 2), hard),
        np.full(3, never),
    )
    odds = np.exp(eta[1, 0])
    movers, stayers = np.array([0.5, 0.1]), np.array([0.0, odds / (1 + odds)])
    alive = np.array([(1 - never) * (1 - movers.sum()) ** done, never * (1 - stayers.sum()) ** done])
    expected = (alive / alive.sum()) @ np.array([movers, stayers])
    stratum, X = np.zeros(1, dtype=np.intp), np.zeros((1, 0))
    to_come, left = pmf_after(p, X, stratum, np.array([done]), horizon=done + 1, link="logit")
    assert left == pytest.approx(np.full((3, 1), alive.sum()), abs=1e-12)
    assert given_done(to_come, left)[0, 0, :, done] == pytest.approx(expected, abs=1e-12)


def test_the_mean_form_knows_of_eyes_that_never_respond() -> None:
    rng = np.random.default_rng(3)
    p = Parameters(
        rng.normal(size=(40, 2, 3)),
        rng.normal(-1, 1, (40, 1, 2, 5)),
        rng.normal(size=(40, 2)),
        rng.normal(0, 0.7, (40, 2)),
        rng.uniform(0, 0.3, 40),
    )
    X, stratum = rng.normal(size=(7, 3)), np.zeros(7, dtype=np.intp)
    full = pmf(p, X, stratum, horizon=6, link="logit").mean(axis=0)
    assert mean_pmf(p, X, stratum, horizon=6) == pytest.approx(full, abs=2e-6)
