"""Validation of an estimator on arrays: the table, the schemes, bad input, processes and a real Dask cluster."""

import numpy as np
import pytest
from sklearn.base import BaseEstimator

from retreat import validation
from retreat.errors import FitError, TableError
from retreat.fitting import LogisticHazard
from retreat.validation import validate_estimator
from retreat.validation._checked import courses
from retreat.validation.panel import NAMES
from retreat.validation.schemes.array_refits import EstimatorRefits, LogisticRefits
from retreat.validation.schemes.optimism import Question, correct_optimism
from retreat.validation.schemes.resampling import bootstrap_weights

COLUMNS = ["measure", "horizon", "end", "apparent", "optimism", "corrected", "low", "high"]


def simulated(n=160, seed=1, columns=5):
    rng = np.random.default_rng(seed)
    X = rng.normal(size=(n, columns))
    hazard = 1 / (1 + np.exp(0.3 - 0.8 * X[:, 0]))
    sessions = np.minimum(rng.geometric(hazard), 6)
    ending = np.where(rng.random(n) < 0.85, np.where(rng.random(n) < 0.75, 1, 2), 0)
    return X, sessions, ending


def validated(**changes):
    X, sessions, ending = simulated()
    arguments = {"resamples": 40, "measures": ("slope", "brier_at", "concordance_at", "log_score")} | changes
    return validate_estimator(LogisticHazard(penalty=0.5), X, sessions, ending, **arguments)


def test_the_table_has_the_promised_columns_and_a_row_a_measure_horizon_and_end():
    table = validated().table

    assert list(table.columns) == COLUMNS
    assert len(table) == 3 * 3 * 2 + 1
    assert set(table["end"]) == {"1", "2", ""}
    np.testing.assert_allclose(table["optimism"], table["apparent"] - table["corrected"], atol=1e-12)


def test_apparent_values_are_those_of_the_fitted_model():
    X, sessions, ending = simulated()
    fitted = LogisticHazard(penalty=0.5).fit(X, sessions, ending)
    p = fitted.predict_incidence(X, 3)
    table = validated().table.set_index(["measure", "horizon", "end"])["apparent"]

    for j in (0, 1):
        arguments = (p[:, j, 1], sessions, ending)
        for name in ("brier_at", "concordance_at"):
            expected = getattr(validation, name)(*arguments, end=j + 1, horizon=2)
            assert table[name, 2, str(j + 1)] == pytest.approx(expected, abs=1e-8)
        found = validation.calibration_at(*arguments, end=j + 1, horizon=2)
        assert table["slope", 2, str(j + 1)] == pytest.approx(found.slope, abs=1e-6)


def test_a_fit_on_noise_looks_good_and_is_corrected_to_nothing():
    rng = np.random.default_rng(5)
    X = rng.normal(size=(120, 12))
    sessions, ending = np.ones(120, dtype=int), rng.integers(0, 2, 120)
    report = validate_estimator(
        LogisticHazard(), X, sessions, ending, resamples=100, horizons=(1,), measures=NAMES
    )
    table = report.table.set_index("measure")

    assert table.loc["concordance_at", "apparent"] > 0.62
    # one clinic: the standard error of the corrected concordance is about 0.05
    assert abs(table.loc["concordance_at", "corrected"] - 0.5) < 0.12
    assert table.loc["scaled_brier_at", "corrected"] < 0.02 < table.loc["scaled_brier_at", "apparent"]
    assert table.loc["slope", "corrected"] < 0.6 < table.loc["slope", "apparent"]


def test_batches_and_single_refits_agree():
    X, sessions, ending = simulated()
    weights = bootstrap_weights(np.arange(160), 6, seed=2)
    arguments = (LogisticHazard(penalty=0.5), X, sessions, ending, 2, 3)

    batched, failed = LogisticRefits(*arguments).predict(weights)
    single, failed_too = EstimatorRefits(*arguments).predict(weights)

    assert failed == failed_too == {}
    np.testing.assert_allclose(batched, single, rtol=0, atol=1e-8)


def test_optimism_is_training_minus_test_by_hand():
    X, sessions, ending = simulated(n=90)
    weights = bootstrap_weights(np.arange(90), 5, seed=3)
    seen = courses(sessions, ending, None, n_ends=2)
    question = Question(seen, ("1", "2"), (2,), ("brier_at",))
    refits = LogisticRefits(LogisticHazard(penalty=1.0), X, sessions, ending, 2, 2)
    found = correct_optimism(refits, question, weights).values["brier_at", 2, "1"]

    gaps = []
    for weight in weights:
        rows = np.repeat(np.arange(90), weight.astype(int))
        fitted = LogisticHazard(penalty=1.0).fit(X[rows], sessions[rows], ending[rows])
        p = fitted.predict_incidence(X, 2)[:, 0, 1]
        train = validation.brier_at(p[rows], sessions[rows], ending[rows], end=1, horizon=2)
        gaps.append(train - validation.brier_at(p, sessions, ending, end=1, horizon=2))
    assert found.apparent - found.corrected == pytest.approx(np.mean(gaps), abs=1e-8)


def test_the_632_plus_estimate_by_hand():
    X, sessions, ending = simulated(n=90, columns=1)
    ending = np.minimum(ending, 1)
    weights = bootstrap_weights(np.arange(90), 8, seed=3)
    seen = courses(sessions, ending, None, n_ends=1)
    question = Question(seen, ("1",), (1,), ("brier_at", "log_score"))
    refits = LogisticRefits(LogisticHazard(penalty=1.0), X, sessions, ending, 1, 1)
    found = correct_optimism(refits, question, weights, correction="632+").values

    outside, outside_log = [], []
    for weight in weights:
        rows, left = np.repeat(np.arange(90), weight.astype(int)), weight == 0
        p = (
            LogisticHazard(penalty=1.0)
            .fit(X[rows], sessions[rows], ending[rows])
            .predict_incidence(X, 1)[left, 0, 0]
        )
        outside.append(validation.brier_at(p, sessions[left], ending[left], end=1, horizon=1))
        outside_log.append(validation.log_score(p[:, None], sessions[left], ending[left]))
    apparent = found["brier_at", 1, "1"].apparent
    p = LogisticHazard(penalty=1.0).fit(X, sessions, ending).predict_incidence(X, 1)[:, 0, 0]
    share = validation.aalen_johansen(sessions, ending).incidence[0, 0]
    none = (p**2).mean() - 2 * p.mean() * share + share
    rate = (np.mean(outside) - apparent) / (none - apparent)
    assert 0.02 < rate < 0.9
    weight = 0.632 / (1 - 0.368 * rate)
    expected = (1 - weight) * apparent + weight * np.mean(outside)
    assert found["brier_at", 1, "1"].corrected == pytest.approx(expected, abs=1e-8)
    # no information has no agreed log score: plain .632
    log = found["log_score", 1, ""]
    assert log.corrected == pytest.approx(0.368 * log.apparent + 0.632 * np.mean(outside_log), abs=1e-8)


def test_groups_are_resampled_whole():
    group = np.repeat(np.arange(30), 2)
    weights = bootstrap_weights(group, 50, seed=1)

    assert (weights[:, ::2] == weights[:, 1::2]).all()
    assert (weights.sum(axis=1) == 60).all()
    assert weights[:, ::2].var(axis=0).mean() == pytest.approx(1.0, abs=0.25)


def test_two_eyes_alike_widen_the_interval():
    X, sessions, ending = simulated(n=80)
    twice = (np.repeat(X, 2, axis=0), np.repeat(sessions, 2), np.repeat(ending, 2))
    arguments = {"resamples": 200, "horizons": (1,), "measures": ("brier_at",)}
    alone = validate_estimator(LogisticHazard(penalty=1.0), *twice, **arguments).rows[0]
    paired = validate_estimator(
        LogisticHazard(penalty=1.0), *twice, groups=np.repeat(np.arange(80), 2), **arguments
    ).rows[0]

    ratio = (paired.high - paired.low) / (alone.high - alone.low)
    # widths of 200 resamples have a standard error of some 6%
    assert ratio == pytest.approx(2**0.5, abs=0.3)


def test_the_seed_decides_and_the_number_of_processes_does_not():
    first, again, two = validated(), validated(), validated(jobs=2)
    other = validated(seed=2)

    assert first.table.equals(again.table)
    assert first.table.equals(two.table)
    assert not first.table.equals(other.table)


@pytest.mark.slow
def test_a_dask_cluster_gives_the_same_bits():
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
    ) as cluster:
        there = validated(cluster=cluster.scheduler_address)

    assert there.table.equals(validated().table)


def test_a_cluster_that_is_not_there_is_named():
    pytest.importorskip("distributed")
    with pytest.raises(FitError, match="cannot be reached"):
        validated(cluster="nowhere")


class Fussy(BaseEstimator):
    """Everyone alike; refuses samples that hold the first case more than once."""

    def fit(self, X, sessions, ending):
        if (X[:, 0] == 99.0).sum() > 1:
            raise ValueError("too much of case 0")
        self.p_ = np.mean(ending == 1)
        return self

    def predict_incidence(self, X, horizon):
        return np.full((len(X), 1, horizon), self.p_)


def test_failed_resamples_are_counted_and_told():
    X, sessions, ending = simulated()
    X[0, 0] = 99.0
    report = validate_estimator(
        Fussy(), X, sessions, np.minimum(ending, 1), resamples=60, horizons=(1,), measures=("brier_at",)
    )

    twice = (bootstrap_weights(np.arange(160), 60, seed=1)[:, 0] > 1).sum()
    assert report.rows[0].n_failed == len(report.failures) == twice > 5
    assert all(failure.endswith("too much of case 0") for failure in report.failures)
    assert report.failures[0].startswith("resample ")


def test_an_estimator_that_cannot_be_fitted_at_all_is_refused_with_its_words():
    X, sessions, ending = simulated()
    X[:2, 0] = 99.0
    with pytest.raises(FitError, match="too much of case 0"):
        validate_estimator(Fussy(), X, sessions, ending, resamples=5)


def test_everything_wrong_is_told_at_once():
    X, sessions, ending = simulated()
    with pytest.raises(FitError) as refused:
        validate_estimator(
            LogisticHazard(),
            X,
            sessions,
            ending,
            resamples=0,
            horizons=(9,),
            correction="none",  # type: ignore[arg-type]
            measures=("beauty",),
            level=1.0,
            seed=-1,
        )
    assert [fault.where for fault in refused.value.faults] == [
        *("horizons", "resamples", "correction", "measures", "level", "seed")
    ]
    assert "nobody reached" in refused.value.faults[0].what


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"groups": ["a"] * 160}, "one group"),
        ({"groups": ["a", "b"]}, "shape"),
        ({"sessions": np.zeros(160)}, "sessions"),
    ],
)
def test_arrays_of_the_wrong_form_are_refused(change, words):
    X, sessions, ending = simulated()
    with pytest.raises((FitError, TableError), match=words):
        validate_estimator(
            LogisticHazard(), X, change.pop("sessions", sessions), ending, resamples=5, **change
        )


def test_an_object_that_is_no_estimator_is_refused():
    X, sessions, ending = simulated()
    with pytest.raises(FitError, match="it has no fit or predict_incidence"):
        validate_estimator(object(), X, sessions, ending, resamples=5)


def test_a_horizon_nobody_reached_gets_a_reason_and_the_others_their_values():
    report = validated(horizons=(1, 9))
    rows = {(row.measure, row.horizon, row.end): row for row in report.rows}

    assert np.isfinite(rows["brier_at", 1, "1"].corrected)
    assert np.isnan(rows["brier_at", 9, "1"].corrected)
    assert rows["brier_at", 9, "1"].reason == "nobody reached session 9"


def test_an_end_never_seen_gets_a_reason():
    X, sessions, ending = simulated()
    report = validate_estimator(
        LogisticHazard(penalty=1.0), X, sessions, np.where(ending == 1, 2, 0), resamples=20, horizons=(1,)
    )
    rows = {(row.measure, row.end): row for row in report.rows}

    assert np.isnan(rows["concordance_at", "1"].corrected)
    assert rows["concordance_at", "1"].reason
    assert np.isfinite(rows["concordance_at", "2"].corrected)
