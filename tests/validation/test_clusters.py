"""Spread of calibration between clusters: by hand, beside statsmodels, at the edges, and what is held out."""

from math import exp, log, sqrt

import numpy as np
import pytest
from clinics import clinic
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import t as student
from statsmodels.stats.meta_analysis import combine_effects

import retreat
from retreat.validation import left_out, recipes
from retreat.validation._checked import courses
from retreat.validation.clusters import cluster_spread
from retreat.validation.schemes.folds import held_out

# cases, cases relieved at the first session, chance of it predicted for each case: four clusters, nobody lost
FOUR = ((40, 20, 0.4), (60, 33, 0.5), (50, 15, 0.45), (100, 62, 0.5))


def laid_out(groups):
    """Predictions (cases, 1 end, 1 session), courses and cluster of these groups; each case a patient."""
    chance = np.concatenate([np.full(n, p) for n, _, p in groups])
    ending = np.concatenate([np.repeat([1, 0], [d, n - d]) for n, d, _ in groups])
    cluster = np.repeat(np.arange(len(groups)), [n for n, _, _ in groups])
    return chance[:, None, None], courses(np.ones(len(chance)), ending, n_ends=1), cluster


def spread_of(groups, **changes):
    incidence, seen, cluster = laid_out(groups)
    arguments = {"by": "operator", "ends": ("relieved",), "horizons": (1,)} | changes
    (found,) = cluster_spread(incidence, seen, cluster, np.arange(len(cluster)), **arguments)
    return found


def effects(groups):
    """Log ratios and their variances by hand.

    The jackknife variance of a share of n is f (1 - f) / (n - 1), that of n - 1 independent cases; Wilson's interval
    of these with one standard error (z = 1) to each side gives the variance of the log.
    """
    y, v = [], []
    for n, d, p in groups:
        f, m = d / n, n - 1
        centre, half = (f + 1 / (2 * m)) / (1 + 1 / m), sqrt(f * (1 - f) / m + 1 / (4 * m * m)) / (1 + 1 / m)
        y.append(log(f / p))
        v.append(((log(centre + half) - log(centre - half)) / 2) ** 2)
    return y, v


def pooled_by_hand(y, v, level):
    """DerSimonian and Laird 1986 in their own steps: Q about the fixed mean, moment estimate, weights anew."""
    k = len(y)
    w = [1 / each for each in v]
    fixed = sum(a * b for a, b in zip(w, y, strict=True)) / sum(w)
    q = sum(a * (b - fixed) ** 2 for a, b in zip(w, y, strict=True))
    tau2 = max(0.0, (q - (k - 1)) / (sum(w) - sum(a * a for a in w) / sum(w)))
    w = [1 / (each + tau2) for each in v]
    mean = sum(a * b for a, b in zip(w, y, strict=True)) / sum(w)
    error = sqrt(1 / sum(w))
    # Higgins, Thompson and Spiegelhalter 2009: one degree of freedom fewer than for the mean
    reach = student.ppf(0.5 + level / 2, k - 2) * sqrt(tau2 + error**2)
    shrunken = [mean + tau2 / (tau2 + each) * (b - mean) for each, b in zip(v, y, strict=True)]
    return mean, error, tau2, (mean - reach, mean + reach), (min(shrunken), max(shrunken))


def test_the_pooled_ratio_its_spread_and_intervals_are_as_worked_by_hand():
    found = spread_of(FOUR)

    mean, error, tau2, unseen, shrunken = pooled_by_hand(*effects(FOUR), 0.95)
    assert tau2 > 0.01  # 0.5 / 0.4, 0.55 / 0.5, 0.3 / 0.45, 0.62 / 0.5 differ by more than chance
    assert found.pooled == pytest.approx(exp(mean), abs=1e-8)
    assert found.spread == pytest.approx(sqrt(tau2), abs=1e-8)
    # quantile of Student's t with 3 degrees of freedom from any printed table: 3.182446
    expected = [exp(mean - 3.182446 * error), exp(mean + 3.182446 * error)]
    assert found.pooled_interval == pytest.approx(expected, abs=1e-6)
    assert found.unseen == pytest.approx([exp(unseen[0]), exp(unseen[1])], abs=1e-8)
    assert found.shrunken == pytest.approx([exp(shrunken[0]), exp(shrunken[1])], abs=1e-8)
    assert (found.n_clusters, found.n_small, found.reason) == (4, 0, "")


GROUPS = st.lists(
    st.tuples(st.integers(25, 80), st.floats(0.2, 0.8), st.floats(0.3, 0.7)), min_size=3, max_size=7
)


@settings(max_examples=40, deadline=None)
@given(GROUPS, st.sampled_from([0.8, 0.95]))
def test_the_random_effects_model_is_that_of_statsmodels(drawn, level):
    groups = [(n, round(n * share), p) for n, share, p in drawn]

    found = spread_of(groups, level=level)

    y, v = map(np.array, effects(groups))
    # statsmodels leaves a negative moment estimate as it is and warns; the paper puts 0, which is the fixed model
    with np.errstate(all="ignore"):
        other = combine_effects(y, v, method_re="dl", use_t=True, alpha=1 - level)
        intervals = other.conf_int(alpha=1 - level)
    none = other.tau2 <= 0
    mean = other.mean_effect_fe if none else other.mean_effect_re
    interval = intervals[0 if none else 1]
    assert found.spread == pytest.approx(sqrt(max(other.tau2, 0.0)), abs=1e-8)
    assert np.log(found.pooled) == pytest.approx(mean, abs=1e-8)
    np.testing.assert_allclose(np.log(found.pooled_interval), interval, atol=1e-8)
    # the prediction interval has no counterpart there: by hand
    np.testing.assert_allclose(np.log(found.unseen), pooled_by_hand(y, v, level)[3], atol=1e-8)


@settings(max_examples=40, deadline=None)
@given(GROUPS)
def test_a_cluster_not_seen_yet_is_told_less_surely_than_the_mean_and_shrinkage_draws_in(drawn):
    groups = [(n, round(n * share), p) for n, share, p in drawn]

    found = spread_of(groups)

    low, high = found.unseen
    assert low <= found.pooled_interval[0] < found.pooled < found.pooled_interval[1] <= high
    ratios = [d / n / p for n, d, p in groups]
    assert min(ratios) - 1e-12 <= found.shrunken[0] <= found.shrunken[1] <= max(ratios) + 1e-12


def test_clusters_that_differ_by_no_more_than_chance_have_no_spread():
    found = spread_of([(40, 20, 0.5), (60, 30, 0.5), (50, 25, 0.5)])

    assert found.spread == 0.0
    assert found.shrunken == pytest.approx((1.0, 1.0), abs=1e-12)
    assert found.pooled == pytest.approx(1.0, abs=1e-12)


def test_the_numbers_of_the_clusters_do_not_matter():
    incidence, seen, cluster = laid_out(FOUR)
    settings_ = {"by": "site", "ends": ("relieved",), "horizons": (1,)}

    (one,) = cluster_spread(incidence, seen, cluster, np.arange(250), **settings_)
    (other,) = cluster_spread(incidence, seen, np.array([2, 0, 3, 1])[cluster], np.arange(250), **settings_)

    assert one.by == "site"
    for name in ("pooled", "pooled_interval", "spread", "unseen", "shrunken"):
        assert getattr(one, name) == pytest.approx(getattr(other, name), rel=1e-12), name


def test_each_end_and_session_is_held_against_its_own_prediction():
    # three clusters alike: of 40, 10 relieved at 1 and 10 at 2, 8 stopped at 1, 12 going on after 2
    sessions = np.tile(np.repeat([1, 2, 1, 2], [10, 10, 8, 12]), 3)
    ending = np.tile(np.repeat([1, 1, 2, 0], [10, 10, 8, 12]), 3)
    incidence = np.tile([[0.2, 0.4], [0.25, 0.5]], (120, 1, 1))  # (cases, ends, sessions)

    found = cluster_spread(
        incidence,
        courses(sessions, ending, n_ends=2),
        np.repeat(np.arange(3), 40),
        np.arange(120),
        by="period",
        ends=("relieved", "stopped"),
        horizons=(1, 2),
    )

    assert [(row.end, row.horizon) for row in found] == [
        *(("relieved", 1), ("relieved", 2)),
        *(("stopped", 1), ("stopped", 2)),
    ]
    # 0.25 / 0.2, 0.5 / 0.4, 0.2 / 0.25, 0.2 / 0.5
    assert [row.pooled for row in found] == pytest.approx([1.25, 1.25, 0.8, 0.4], rel=1e-10)


def test_two_like_eyes_of_a_patient_count_once():
    incidence, seen, cluster = laid_out(FOUR)
    twice = courses(np.repeat(seen.sessions, 2), np.repeat(seen.ending, 2), n_ends=1)
    arguments = {"by": "operator", "ends": ("relieved",), "horizons": (1,)}

    (both,) = cluster_spread(
        np.repeat(incidence, 2, axis=0),
        twice,
        np.repeat(cluster, 2),
        np.repeat(np.arange(250), 2),
        **arguments,
    )

    one = spread_of(FOUR)
    # leaving out one eye of two moves an estimate a little less than one of one: order of 1 / n
    assert both.spread == pytest.approx(one.spread, rel=2e-2)
    assert both.pooled_interval == pytest.approx(one.pooled_interval, rel=2e-2)


@pytest.mark.parametrize(
    ("last", "small"),
    [
        ((19, 10, 0.5), 1),  # 19 cases
        ((20, 10, 0.5), 0),
        ((50, 4, 0.0998), 1),  # 4.99 expected
        ((50, 4, 0.1002), 0),
    ],
)
def test_twenty_cases_and_five_expected_make_a_cluster(last, small):
    found = spread_of([*FOUR, last])

    assert (found.n_clusters, found.n_small) == (5 - small, small)
    if small:
        assert found.pooled == pytest.approx(spread_of(FOUR).pooled, rel=1e-12)


def test_a_cluster_not_followed_to_the_session_is_left_out():
    incidence, seen, cluster = laid_out(FOUR)
    incidence = np.repeat(incidence, 2, axis=2)  # predicted to session 2, where nobody was
    sessions = np.where((seen.ending == 0) & (cluster > 0), 2, seen.sessions)

    (found,) = cluster_spread(
        incidence,
        courses(sessions, seen.ending, n_ends=1),
        cluster,
        np.arange(250),
        by="operator",
        ends=("relieved",),
        horizons=(2,),
    )

    assert (found.n_clusters, found.n_small) == (3, 1)
    assert np.isfinite(found.pooled)


@pytest.mark.parametrize("kept", [0, 1, 2])
def test_two_clusters_are_too_few_and_the_record_says_why(kept):
    tiny = [(10, 5, 0.5)] * 3

    found = spread_of([*FOUR[:kept], *tiny])

    assert (found.n_clusters, found.n_small) == (kept, 3)
    assert np.isnan(
        [found.pooled, found.spread, *found.pooled_interval, *found.unseen, *found.shrunken]
    ).all()
    assert found.reason == f"{kept} of enough cases (20) and events, at least 3 needed"


class Marking:
    """Refits that fit nothing: each prediction says whether the model saw a case of the same cluster."""

    UNSEEN, SEEN = 0.10, 0.20

    def __init__(self, cluster, ends, horizon):
        self.cluster, self.ends, self.horizon = cluster, ends, horizon

    def predict(self, weights):
        seen = np.array([[w[self.cluster == c].any() for c in self.cluster] for w in weights])
        value = np.where(seen, self.SEEN, self.UNSEEN)[:, :, None, None]
        rising = np.arange(1, self.horizon + 1) / self.horizon
        return np.broadcast_to(value * rising, (*seen.shape, self.ends, self.horizon)).copy(), {}


def test_no_cluster_is_predicted_by_a_model_that_saw_it():
    cluster = np.random.default_rng(1).integers(0, 5, 60)

    found = held_out(Marking(cluster, 2, 1), cluster[None], what="operator")

    assert found.n_fits == 5
    assert (found.incidence == Marking.UNSEEN).all()


@pytest.fixture
def watched(monkeypatch):
    """The recipe with its fits replaced by marks of what each model saw, and what reached the table of clusters."""
    handed = []

    def spread(incidence, seen, cluster, patients, **rest):
        handed.append((incidence, cluster))
        return cluster_spread(incidence, seen, cluster, patients, **rest)

    def use(labels):
        def refits(data, method, seed, settings, horizon, *rest):
            codes = np.unique(labels(data), return_inverse=True)[1]
            return Marking(codes, len(data.definition.ends), horizon)

        monkeypatch.setattr(recipes, "RecipeRefits", refits)
        return handed

    monkeypatch.setattr(left_out, "cluster_spread", spread)
    return use


@pytest.mark.parametrize(
    ("by", "labels"),
    [
        ("operator", lambda data: data.operator),
        ("period", lambda data: [str(day)[:4] for day in data.started]),
    ],
)
def test_validation_predicts_each_operator_or_year_by_models_of_the_others(watched, by, labels):
    handed = watched(labels)

    report = retreat.validate(clinic(), by=by, at=(), challengers=())

    (incidence, cluster) = handed[0]
    assert (incidence[:, :, -1] == Marking.UNSEEN).all()
    assert np.bincount(cluster).sum() == report.n_cases
    assert {row.by for row in report.clusters} == {by}
    # the folds by patient hold out no operator: there the same marks are those of cases seen
    assert report.predictions["relieved", 4].max() == Marking.SEEN


def test_one_operator_only_has_no_spread_and_says_so(watched):
    handed = watched(lambda data: data.operator)
    cases = clinic().assign(operator="op_a")

    report = retreat.validate(cases, by="operator", at=(), challengers=())

    assert handed == []
    assert len(report.clusters) == 2 * 4  # ends, sessions
    for row in report.clusters:
        assert (row.n_clusters, row.n_small, row.reason) == (0, 0, "fewer than two of them")
        assert np.isnan(row.pooled)


def test_no_label_of_an_operator_leaves_the_report(watched):
    watched(lambda data: data.operator)

    report = retreat.validate(clinic(), by="operator", at=(), challengers=())

    assert not [label for label in ("op_a", "op_b", "op_c", "op_d") if label in str(report.to_json())]
