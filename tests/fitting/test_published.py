"""A model of published averages: the reading of a report by hand, its posterior against a sampler, its own words."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

import retreat
from retreat.coding import learn
from retreat.definitions import Definition, Study, read_definition
from retreat.errors import FitError
from retreat.fitting.published.eyes import spread_columns
from retreat.fitting.published.importance import proposed, sample
from retreat.fitting.published.likelihood import (
    courses,
    log_likelihood,
    log_likelihood_of,
    summary,
)
from retreat.fitting.published.model import basis
from retreat.fitting.published.unknowns import Levels, Unknowns, half_normal
from retreat.fitting.published.weight import own_cases
from retreat.model import Model, load

RING = {"opacity": ["ring"], "size_mm": [2.0], "depth": [0.5], "zone": ["middle"], "cornea": ["none"]}
CLOUD = {**RING, "opacity": ["cloud"], "size_mm": [5.0]}


def study(**changes: Any) -> Study:
    """A made-up result."""
    plain = {
        "ids": ("X1",),
        "practice": "Nobody 2000",
        "what": "a made-up result",
        "source": "a made-up source",
        "kinds": {"ring": 1.0},
        "kinds_from": "made up for the test",
        "statistic": "share_with",
        "sessions": (1, 1),
        "count": 5,
        "n": 10,
        "why": "made up for the test",
    }
    return Study(**(plain | changes))


@cache
def model() -> Model:
    return retreat.published(seed=1)


def relieved_by(made: Model, case: dict[str, Any], session: int) -> NDArray[np.float64]:
    return made.forecast(case, horizon=session).incidence[:, 0, 0, -1]


# --- what a report sees of courses, by hand


def by_hand(relieved: list[float], stopped: list[float], lost: float) -> dict[tuple[str, int], float]:
    """Shares of eyes by what a report sees of them and when, one session after the other."""
    seen, before = {}, 1.0
    for k, (r, s) in enumerate(zip(relieved, stopped, strict=True), start=1):
        going_on = 1 - r - s
        seen["relieved", k], seen["stopped", k] = before * r, before * s
        seen["had", k] = before * (r + s + going_on * lost)
        before *= going_on * (1 - lost)
    return seen


def test_statistics_of_a_course_by_hand() -> None:
    relieved, stopped, lost = [0.5, 0.4, 0.3, 0.6], [0.1, 0.05, 0.2, 0.1], 0.2
    seen = by_hand(relieved, stopped, lost)
    hazards = np.array([relieved, stopped]).T  # (sessions, ends)
    odds = hazards / (1 - hazards.sum(axis=1, keepdims=True))
    found = courses(odds[:, :, None], np.array([lost]))

    def value(**changes: Any) -> float:
        return float(summary(study(**changes), found)[0])

    assert value(sessions=(1, 1)) == pytest.approx(seen["had", 1])
    assert value(sessions=(2, 3)) == pytest.approx(seen["had", 2] + seen["had", 3])
    more_than_one = 1 - seen["had", 1]
    assert value(sessions=(2, 2), more_than=1) == pytest.approx(seen["had", 2] / more_than_one)
    assert value(sessions=(3, 40)) == pytest.approx(1 - seen["had", 1] - seen["had", 2])
    assert value(statistic="share_relieved", sessions=(1, 2)) == pytest.approx(
        seen["relieved", 1] + seen["relieved", 2]
    )
    assert value(statistic="share_stopped", sessions=(2, 4)) == pytest.approx(
        sum(seen["stopped", k] for k in (2, 3, 4))
    )
    beyond = 1 - sum(seen["had", k] for k in (1, 2, 3))
    mean = sum(k * seen["had", k] for k in (1, 2, 3)) + 4 * beyond
    assert value(statistic="mean_sessions", sessions=(1, 4)) == pytest.approx(mean)


def test_a_lost_course_looks_as_if_it_had_ended() -> None:
    odds = np.full((4, 2, 1), 0.5)
    kept, leaky = (courses(odds, np.array([lost])) for lost in (0.0, 0.3))
    one = study(sessions=(1, 1))
    assert summary(one, kept)[0] == pytest.approx(0.5)
    assert summary(one, leaky)[0] == pytest.approx(0.5 + 0.5 * 0.3)
    # what happens at the first session itself is not touched by who is lost after it
    trial = study(statistic="share_relieved", sessions=(1, 1))
    assert summary(trial, leaky) == pytest.approx(summary(trial, kept))


# --- how likely a report is, against scipy


def test_a_share_is_binomial_and_weighs_the_eyes_it_counts_as() -> None:
    from scipy.stats import binom

    p = np.array([0.2, 0.5, 0.9])
    expected = binom.logpmf(5, 10, p)
    full, half = (log_likelihood_of(study(counts_as=n), p) for n in (10.0, 5.0))
    assert full - full[0] == pytest.approx(expected - expected[0], abs=1e-12)
    assert half == pytest.approx(full / 2)


def test_a_mean_is_normal_with_the_stated_spread() -> None:
    from scipy.stats import norm

    mean = study(
        statistic="mean_sessions", sessions=(1, 9), mean=2.0, sd=1.5, count=None, n=None, counts_as=9
    )
    at = np.array([1.0, 2.0, 3.5])
    expected = norm.logpdf(2.0, at, 1.5 / 3)
    found = log_likelihood_of(mean, at)
    assert found - found[1] == pytest.approx(expected - expected[1], abs=1e-12)


def test_a_bound_counts_by_the_chance_that_the_true_share_lies_above() -> None:
    from scipy.stats import beta

    at = np.array([0.01, 0.28, 0.6])
    most, least = (
        study(statistic="share_stopped", reads=reads, count=11, n=39) for reads in ("at_most", "at_least")
    )
    # read off a table of 100 points a unit of log odds
    assert log_likelihood_of(most, at) == pytest.approx(beta.logsf(at, 12, 29), abs=5e-4)
    assert log_likelihood_of(least, at) == pytest.approx(beta.logcdf(at, 12, 29), abs=5e-4)


def test_a_mean_per_patient_is_averaged_over_the_eyes_it_may_add_up() -> None:
    from scipy.integrate import quad
    from scipy.stats import norm

    plain = {
        "statistic": "mean_sessions",
        "sessions": (1, 12),
        "mean": 3.2,
        "sd": 2.65,
        "count": None,
        "n": None,
    }
    per_patient = study(**plain, counts_as=10, eyes_per_patient=(1.0, 1.5))
    at, error = np.array([1.0, 2.3, 3.2, 6.0]), 2.65 / np.sqrt(10)
    expected = [quad(lambda eyes, v=v: norm.pdf(3.2, eyes * v, error), 1.0, 1.5)[0] / 0.5 for v in at]
    constant = np.log(error * np.sqrt(2 * np.pi))
    assert log_likelihood_of(per_patient, at) == pytest.approx(np.log(expected) + constant, abs=1e-9)
    # far out too, where the shares of the normal are 0
    assert np.isfinite(log_likelihood_of(per_patient, np.array([1.0, 500.0]))).all()
    # fewer sessions an eye than of one eye a patient are likelier than before
    of_eyes = study(**plain, counts_as=10)
    gain = [np.subtract(*log_likelihood_of(one, np.array([2.4, 3.6]))) for one in (per_patient, of_eyes)]
    assert gain[0] > gain[1] + 0.5


def test_no_share_gives_a_number_that_is_none() -> None:
    for reads in ("equals", "at_most", "at_least"):
        found = log_likelihood_of(study(reads=reads, statistic="share_stopped"), np.array([0.0, 1.0]))
        assert np.isfinite(found).all()


@cache
def unknowns(name: str = "published") -> Unknowns:
    definition = read_definition(name)
    return Unknowns(definition, learn(definition.terms, {}), 8)


def test_levels_of_a_practice_are_averaged_as_finely_as_needed() -> None:
    found = sample(_likely, unknowns().dimension, draws=2000, rng=np.random.default_rng(3))
    levels = unknowns().levels(found.resampled(300, np.random.default_rng(4)))
    definition = unknowns().definition
    columns = spread_columns(definition, unknowns().coding)
    coarse = log_likelihood(levels, definition.studies, columns)
    fine = log_likelihood(levels, definition.studies, columns, nodes=np.linspace(-6, 6, 401))
    assert np.abs(coarse - fine).mean() < 2e-3
    assert np.abs(coarse - fine).max() < 0.15


def test_studies_of_one_practice_share_its_level() -> None:
    columns = spread_columns(unknowns().definition, unknowns().coding)
    few = study(sessions=(1, 1), count=2, n=40)
    same = few.model_copy(update={"ids": ("X2",)})
    other = same.model_copy(update={"practice": "Somebody 2001"})
    levels = unknowns().levels(np.zeros((1, unknowns().dimension)))
    # a second low share is expected of a practice known to be slow, and a surprise of another
    together = log_likelihood(levels, (few, same), columns)
    apart = log_likelihood(levels, (few, other), columns)
    assert together[0] > apart[0] + 0.5
    assert apart[0] == pytest.approx(2 * log_likelihood(levels, (few,), columns)[0])


def test_stopping_of_a_practice_has_a_level_of_its_own() -> None:
    few = study(statistic="share_stopped", sessions=(1, 4), count=1, n=40)
    many = few.model_copy(update={"ids": ("X2",), "practice": "Somebody 2001", "count": 20})
    eyes = spread_columns(unknowns().definition, unknowns().coding)
    levels = unknowns().levels(np.zeros((2, unknowns().dimension)))
    stopping = np.zeros_like(levels.stopping)
    stopping[1, 1] = 3.0  # of the second practice alone
    alike, apart = log_likelihood(replace(levels, stopping=stopping), (few, many), eyes)
    assert apart > alike + 5
    other = log_likelihood(replace(levels, stopping=stopping), (few,), eyes)
    assert other[0] == other[1]


def test_four_eyes_stand_for_all_of_a_kind() -> None:
    definition, coding = unknowns().definition, unknowns().coding
    rng = np.random.default_rng(15)
    for kind in definition.kinds:
        shares = (np.arange(1000) + 0.5) / 1000
        size, depth = (
            np.interp(shares, (0.05, 0.5, 0.95), kind.numbers[name]) for name in ("size_mm", "depth")
        )
        all_of_them = coding.encode(
            {
                "opacity": np.full(4000, kind.opacity, dtype=object),
                "size_mm": rng.permutation(np.tile(size, 4)),
                "depth": rng.permutation(np.tile(depth, 4)),
                "corneal_surgery": np.full(4000, "no", dtype=object),
            },
            n_cases=4000,
        )
        four = spread_columns(definition, coding)[kind.opacity]
        assert four.shape == (4, len(coding.names))
        # as strong as the priors of size and depth go, at even odds of the middle eye
        effect = np.zeros(len(coding.names))
        effect[[coding.names.index(name) for name in coding.names if "size" in name]] = -1.2
        effect[coding.names.index("depth-0.5")] = 1.5
        for level in (-2.0, 0.0, 2.0):
            middle = four.mean(axis=0) @ effect
            few, many = (1 / (1 + np.exp(-level - X @ effect + middle)) for X in (four, all_of_them))
            assert few.mean() == pytest.approx(many.mean(), abs=0.01)
            assert (few**2).mean() == pytest.approx((many**2).mean(), abs=0.015)


# --- the priors


def test_standard_normals_become_the_priors_of_the_definition() -> None:
    from scipy.stats import halfnorm, kstest, norm

    z = np.random.default_rng(4).standard_normal((4000, unknowns().dimension))
    levels = unknowns().levels(z)
    mean, sd = unknowns().definition.coefficient_priors(unknowns().coding)
    for end in range(2):
        for column in range(mean.shape[1]):
            own = norm(mean[end, column], sd[end, column]).cdf
            assert kstest(levels.coefficients[:, end, column], own).pvalue > 1e-4
    assert kstest(levels.session_effects[:, 0, 0], norm(0.0, 1.5).cdf).pvalue > 1e-4
    assert kstest(levels.session_effects[:, 1, 0], norm(-3.0, 1.5).cdf).pvalue > 1e-4
    assert kstest(levels.between_sd[:, 0], halfnorm(scale=1.25).cdf).pvalue > 1e-4
    assert kstest(levels.between_sd[:, 1], halfnorm(scale=1.0).cdf).pvalue > 1e-4
    assert levels.stopping.shape == (4000, len(unknowns().practices))
    for own in (levels.stopping / levels.between_sd[:, 1:]).T:
        assert kstest(own, norm.cdf).pvalue > 1e-4
    assert kstest(np.log(levels.lost / (1 - levels.lost)), norm(-2.5, 1.0).cdf).pvalue > 1e-4


def test_steps_between_sessions_have_a_half_normal_spread() -> None:
    z = np.random.default_rng(5).standard_normal((20_000, unknowns().dimension))
    steps = np.diff(unknowns().levels(z).session_effects, axis=-1)
    # the mean of a squared half-normal spread of scale .5 is .25; four standard errors of 20,000 draws
    assert steps.var(axis=0) == pytest.approx(np.full((2, 7), 0.25), abs=4 * 0.25 * np.sqrt(8 / 20_000))


def test_half_normal_numbers_stay_finite_far_out() -> None:
    assert np.isfinite(half_normal(np.array([-30.0, 30.0]), 1.0)).all()


# --- importance sampling against what is known


def test_a_normal_posterior_in_many_dimensions_is_found() -> None:
    # three sums of 30 unknowns measured with error .3: the posterior by normal algebra
    rng = np.random.default_rng(6)
    A, y, error = rng.standard_normal((3, 30)) / np.sqrt(30), np.array([1.5, -1.0, 0.5]), 0.3
    found = sample(
        lambda z: -0.5 * (((z @ A.T - y) / error) ** 2).sum(axis=1),
        30,
        draws=6000,
        rng=np.random.default_rng(7),
    )
    precision = np.eye(30) + A.T @ A / error**2
    mean = np.linalg.solve(precision, A.T @ y / error**2)
    sd = np.sqrt(np.diag(np.linalg.inv(precision)))
    assert found.failures == ()
    assert found.ess > 1000
    error_of_mean = sd / np.sqrt(found.ess)
    assert np.abs((found.weights @ found.z - mean) / error_of_mean).max() < 4.5
    spread = np.sqrt(found.weights @ (found.z - mean) ** 2)
    assert spread == pytest.approx(sd, rel=0.12)


def test_weights_of_a_proposal_bring_back_the_prior() -> None:
    root = np.linalg.cholesky(np.array([[0.5, 0.2], [0.2, 0.4]]))
    z, ratio = proposed(np.array([1.0, -0.5]), root, 200_000, np.random.default_rng(14))
    weights = np.exp(ratio)
    # densities that integrate to 1 have weights of mean 1; each is at most 10, the prior being a tenth
    assert weights.max() <= 10 + 1e-9
    error = weights.std() / np.sqrt(len(weights))
    assert weights.mean() == pytest.approx(1.0, abs=4 * error)
    assert weights @ z / len(z) == pytest.approx(np.zeros(2), abs=8 * error)


def test_a_likelihood_out_of_reach_fails_its_checks() -> None:
    found = sample(
        lambda z: -0.5 * ((z - 9.0) ** 2).sum(axis=1) / 1e-4, 12, draws=1000, rng=np.random.default_rng(8)
    )
    assert found.failures


def test_resampling_gives_each_draw_as_often_as_it_weighs() -> None:
    found = sample(lambda z: -((z[:, 0] - 1) ** 2), 2, draws=1000, rng=np.random.default_rng(9))
    rows = found.resampled(5000, np.random.default_rng(10))
    times = np.array([(rows == one).all(axis=1).sum() for one in found.z[:50]])
    assert np.abs(times - 5000 * found.weights[:50]).max() <= 1


def test_results_that_weigh_nothing_leave_the_priors() -> None:
    definition = read_definition("published")
    studies = tuple(one.model_copy(update={"counts_as": 1e-9}) for one in definition.studies)
    light = replace(definition, studies=tuple(s for s in studies if s.reads == "equals"))
    made = retreat.published(light, seed=2, draws=4000)
    mean, sd = definition.coefficient_priors(made.coding)
    error = sd / np.sqrt(made.card.diagnostics["effective_draws"])
    assert np.abs((made.parameters.coefficients.mean(axis=0) - mean) / error).max() < 4.5
    weigh = made.card.diagnostics
    assert weigh["own_cases_ring"] == pytest.approx(weigh["own_cases_ring_without_studies"], rel=0.1)


@pytest.mark.slow
def test_the_posterior_agrees_with_a_markov_chain() -> None:
    found = sample(_likely, unknowns().dimension, draws=15_000, rng=np.random.default_rng(11))
    own, chain = _told(unknowns().levels(found.z)), _told(unknowns().levels(_chains(700, 700)))
    mean = found.weights @ own
    sd = np.sqrt(found.weights @ (own - mean) ** 2)
    error = 4.0 * np.sqrt(1 / found.ess + 1 / 700)  # four standard errors of both
    assert (chain.mean(axis=0) - mean) / sd == pytest.approx(np.zeros(len(mean)), abs=error)
    assert chain.std(axis=0) / sd == pytest.approx(np.ones(len(mean)), abs=error)


def _likely(z: NDArray[np.float64]) -> NDArray[np.float64]:
    definition = unknowns().definition
    columns = spread_columns(definition, unknowns().coding)
    return log_likelihood(unknowns().levels(z), definition.studies, columns)


def _told(levels: Levels) -> NDArray[np.float64]:
    """The quantities that the studies speak of, shape (draws, quantities)."""
    cloud = unknowns().coding.names.index("opacity=cloud")
    return np.stack(
        [
            levels.session_effects[:, 0, 0],
            levels.session_effects[:, 0, 2],
            levels.session_effects[:, 1, 0],
            levels.coefficients[:, 0, cloud],
            *levels.between_sd.T,
            np.log(levels.lost / (1 - levels.lost)),
        ],
        axis=1,
    )


def _chains(n: int, steps: int) -> NDArray[np.float64]:
    """Last states of many Markov chains from the prior, each practice with a level of its own.

    Preconditioned Crank-Nicolson steps (Cotter, Roberts, Stuart and White 2013, from memory): a proposal that keeps the
    standard normal prior is taken by the ratio of likelihoods alone.
    """
    rng = np.random.default_rng(12)
    practices = unknowns().practices
    z = rng.standard_normal((n, unknowns().dimension + len(practices)))
    likely = _reported(z, practices)
    for step in range(steps):
        size = (0.15, 0.3, 0.5)[step % 3]
        tried = np.sqrt(1 - size**2) * z + size * rng.standard_normal(z.shape)
        found = _reported(tried, practices)
        taken = np.log(rng.random(n)) < found - likely
        z[taken], likely[taken] = tried[taken], found[taken]
    return z[:, : unknowns().dimension]


def _reported(z: NDArray[np.float64], practices: tuple[str, ...]) -> NDArray[np.float64]:
    """Log likelihood of all studies, from their eyes session by session up to the 12th; shape (chains,)."""
    from scipy.stats import beta, norm

    levels = unknowns().levels(z[:, : unknowns().dimension])
    eyes = spread_columns(unknowns().definition, unknowns().coding)
    effects = levels.session_effects[:, :, [*range(8), 7, 7, 7, 7]]
    lost, total = levels.lost[:, None], np.zeros(len(z))
    for one in unknowns().definition.studies:
        place = practices.index(one.practice)
        shift = levels.between_sd[:, 0] * z[:, unknowns().dimension + place]
        followed = 12 if one.statistic == "mean_sessions" else 4
        had, relieved, stopped = np.zeros((3, len(z), followed))
        each = [(eye, s / len(eyes[kind])) for kind, s in one.kinds.items() for eye in eyes[kind]]
        for eye, share in each:
            case = levels.coefficients @ eye
            r = np.exp((case[:, 0] + shift)[:, None] + effects[:, 0, :followed])
            s = np.exp((case[:, 1] + levels.stopping[:, place])[:, None] + effects[:, 1, :followed])
            left = np.cumprod((1 - lost) / (1 + r + s), axis=1)
            before = share * np.concatenate([np.ones((len(z), 1)), left[:, :-1]], axis=1)
            relieved += before * r / (1 + r + s)
            stopped += before * s / (1 + r + s)
            had += before * (r + s + lost) / (1 + r + s)
        first, last = one.sessions
        if one.statistic == "mean_sessions":
            value = had[:, :11] @ np.arange(1, 12) + 12 * (1 - had[:, :11].sum(axis=1))
            patients = value[:, None] * (1 + (np.arange(10) + 0.5) / 20)  # 1 to 1.5 eyes each
            total += np.log(norm.pdf(one.mean, patients, one.sd / np.sqrt(one.weight)).mean(axis=1) + 1e-300)
            continue
        if one.statistic == "share_with":
            wanted = (
                1 - had[:, : first - 1].sum(axis=1) if last == 40 else had[:, first - 1 : last].sum(axis=1)
            )
            p = wanted / np.maximum(1 - had[:, : one.more_than].sum(axis=1), 1e-12)
        else:
            p = (relieved if one.statistic == "share_relieved" else stopped)[:, first - 1 : last].sum(axis=1)
        p = np.clip(p, 1e-12, 1 - 1e-12)
        share_of = one.count / one.n
        if one.reads != "equals":
            true = beta(one.weight * share_of + 1, one.weight * (1 - share_of) + 1)
            total += true.logsf(p) if one.reads == "at_most" else true.logcdf(p)
        else:
            total += one.weight * (share_of * np.log(p) + (1 - share_of) * np.log1p(-p))
    return total


# --- what averages weigh


def test_own_cases_are_those_that_would_tell_as_much() -> None:
    # clinics with 12 own eyes each, that knew nothing before: how well do they know their share?
    rng = np.random.default_rng(13)
    share = relieved_by(model(), RING, 2)
    for n in (4, 12):
        sure = []
        for q in rng.choice(share, 200):
            yes = rng.binomial(n, q)
            # a prior that weighs a thousandth of an eye
            sure.append(own_cases(rng.beta(yes + 5e-4, n - yes + 5e-4, 4000)) if 0 < yes < n else n)
        assert np.mean(sure) == pytest.approx(n, rel=0.05)


def test_the_weight_on_the_card_is_that_of_the_forecast() -> None:
    ring = {
        "opacity": ["ring"],
        "size_mm": [1.9],
        "cornea": ["none"],
        "lens_gap_mm": [9.35],
        "retina_gap_mm": [7.65],
    }
    told = model().card.diagnostics["own_cases_ring"]
    assert own_cases(relieved_by(model(), ring, 2)) == pytest.approx(told, rel=1e-3)
    # so few that nobody takes them for a clinic's own
    assert 1 < told < 3


def test_the_averages_are_not_credited_with_the_priors() -> None:
    told = model().card.diagnostics
    for kind in ("ring", "strand", "cloud", "sheet"):
        together, alone = (told[f"own_cases_{kind}{end}"] for end in ("", "_without_studies"))
        assert told[f"own_cases_{kind}_of_studies"] == pytest.approx(together - alone)
        # practices differ so much that they tell a new one less than an eye of its own would
        assert abs(together - alone) < 1


@pytest.mark.parametrize(
    ("together", "alone", "words"),
    [
        (0.8, 0.5, "weigh less than 1 eye treated here would; the averages add less than 1."),
        (1.2, 1.3, "weigh as much as 1 eye treated here would; the averages add less than 1."),
        (5.9, 1.4, "weigh as much as 6 eyes treated here would; the averages add 4."),
    ],
)
def test_what_the_basis_says_they_weigh(together: float, alone: float, words: str) -> None:
    told = basis(read_definition("published"), {"ring": together}, {"ring": alone})
    assert told[2] == f"For a ring, priors and averages together {words}"


# --- the model


def test_it_has_no_case_and_says_what_it_rests_on() -> None:
    card = model().card
    assert (card.n_cases, card.n_patients, card.max_session) == (0, 0, 4)
    assert "published averages" in card.method
    assert card.cautions == card.basis
    for one in read_definition("published").studies:
        assert one.practice in card.basis[1]
        assert all(row in card.notes[-1] for row in one.ids)
    assert card.basis[2].startswith(
        "For a ring, priors and averages together weigh as much as 1 eye treated here"
    )
    assert card.basis[2].endswith("the averages add less than 1.")
    notes = " ".join(card.notes)
    assert "told per patient" in notes
    assert "in relief and in stopping" in notes
    assert model().forecast(RING).cautions[: len(card.basis)] == card.basis


def test_its_ranges_are_wide_and_rings_do_better_than_clouds() -> None:
    for case in (RING, CLOUD):
        low, high = np.quantile(relieved_by(model(), case, 1), (0.05, 0.95))
        assert high - low > 0.7
    rings, clouds = (relieved_by(model(), case, 2).mean() for case in (RING, CLOUD))
    # about as many as one session improves in the trial (L30: .53), give or take a practice
    assert 0.45 < rings < 0.7
    assert 0.2 < clouds < rings - 0.15


def test_the_levels_of_a_new_practice_vary_in_both_ends_apart() -> None:
    effect = model().parameters.operator_effect
    assert effect[:, 0].std() == pytest.approx(1.9, abs=0.3)
    assert effect[:, 1].std() == pytest.approx(1.4, abs=0.3)
    assert abs(np.corrcoef(effect.T)[0, 1]) < 0.1


def test_surgery_afterwards_is_the_least_that_was_stopped() -> None:
    definition = read_definition("published")
    (surgery,) = (one for one in definition.studies if "L50" in one.ids)
    assert (surgery.statistic, surgery.reads) == ("share_stopped", "at_least")
    # more stopped than went on to surgery are as likely as so many, fewer are not
    few, as_many, more = log_likelihood_of(surgery, np.array([0.03, 11 / 39, 0.62]))
    assert few < as_many - 1.5
    assert more > as_many
    without = replace(definition, studies=tuple(one for one in definition.studies if one is not surgery))
    told, free = (
        made.forecast(CLOUD, horizon=4).incidence[:, 0, 1, -1].mean()
        for made in (model(), retreat.published(without, seed=1))
    )
    assert told > free + 0.02


def test_eyes_not_improved_are_not_relieved() -> None:
    (improved,) = (one for one in read_definition("published").studies if "L34" in one.ids)
    assert (improved.statistic, improved.reads) == ("share_relieved", "at_most")
    fewer, more = log_likelihood_of(improved, np.array([0.1, 0.8]))
    assert fewer > more + 3


def test_no_eye_is_like_this_one_and_unreported_kinds_are_warned_of() -> None:
    (ring,), (strand,) = (model().support_of(case) for case in (RING, {**RING, "opacity": ["strand"]}))
    assert (ring.n_like, ring.n_like_words, ring.warnings, ring.refusals) == (0, "none", (), ())
    assert strand.warnings == ("no published result used here is mainly of eyes with opacity strand",)
    told = " ".join((*ring.warnings, *strand.warnings, *model().card.notes, *model().card.cautions))
    assert "fitted case" not in told


def test_missing_features_are_averaged_over_the_described_eyes() -> None:
    mix = model().case_mix
    assert mix.levels["opacity"] == {"ring": 0.46, "strand": 0.24, "cloud": 0.26, "sheet": 0.04}
    unknown = relieved_by(model(), {"eye": [None]}, 2).mean()
    best, worst = (relieved_by(model(), case, 2).mean() for case in (RING, {**CLOUD, "opacity": ["sheet"]}))
    assert worst < unknown < best


def test_the_same_seed_gives_the_same_model_and_another_one_the_same_numbers() -> None:
    again, other = retreat.published(seed=1), retreat.published(seed=2)
    assert again.model_id == model().model_id
    assert other.model_id != again.model_id
    for case in (RING, CLOUD):
        one, two = (relieved_by(made, case, 2) for made in (again, other))
        assert one.mean() == pytest.approx(two.mean(), abs=4 * one.std() * np.sqrt(2 / 1000))


def test_it_is_saved_and_loaded_as_any_other(tmp_path: Path) -> None:
    again = load(model().save(tmp_path / "published.retreat"))
    assert again.model_id == model().model_id
    assert again.card.basis == model().card.basis
    assert again.support_of(RING) == model().support_of(RING)
    assert again.forecast(RING).pmf.tobytes() == model().forecast(RING).pmf.tobytes()


def test_it_codes_eyes_as_core_does() -> None:
    core, own = (read_definition(name) for name in ("core", "published"))
    assert own.terms == core.terms
    assert own.likeness == core.likeness


def test_no_prior_of_core_that_rests_on_a_study_counts_twice() -> None:
    own = read_definition("published")
    used = {one for entry in own.studies for one in entry.ids}
    reasons = [p.why for entry in own.entries for p in entry.prior] + [p.why for p in own.sessions.first]
    assert not [why for why in reasons if any(one in why for one in used)]


@pytest.mark.parametrize("name", ["core", "lifetable"])
def test_a_definition_without_studies_is_refused(name: str) -> None:
    with pytest.raises(FitError, match=f"{name} has no studies"):
        retreat.published(name)


@pytest.mark.parametrize(("setting", "value"), [("seed", -1), ("seed", 1.5), ("draws", 10)])
def test_a_setting_out_of_range_is_refused(setting: str, value: object) -> None:
    with pytest.raises(FitError, match=setting):
        retreat.published(**{setting: value})  # type: ignore[arg-type]


def test_a_definition_of_another_clinic_may_be_used() -> None:
    definition = read_definition("published")
    own: Definition = replace(definition, name="elsewhere", studies=definition.studies[:2])
    card = retreat.published(own, draws=200).card
    assert (card.name, card.basis[1]) == ("elsewhere", "Built from: Singh 2016.")
