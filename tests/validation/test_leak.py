"""A leak: columns chosen on all cases before validation look like knowledge; chosen inside each fit they do not.

Sixty columns of pure noise, 120 cases, the three that go best with relief by session 2. The truth is known: no column
says anything, so concordance on new cases is 0.5 and the index of prediction accuracy is below 0.
"""

import numpy as np
import pytest
from sklearn.base import BaseEstimator

from retreat.fitting import LogisticHazard
from retreat.validation import concordance_at, scaled_brier_at, validate_estimator

pytestmark = pytest.mark.slow

N_CASES, N_COLUMNS, KEPT, FOLDS, RESAMPLES = 120, 60, 3, 10, 60
HORIZON = 2
SEEDS = range(12)
MEASURES = ("concordance_at", "scaled_brier_at")


def most_alike(X, sessions, ending):
    """The columns with the largest correlation with relief by the horizon."""
    relieved = ((ending == 1) & (sessions <= HORIZON)).astype(float)
    correlation = (X - X.mean(axis=0)).T @ (relieved - relieved.mean()) / X.std(axis=0)
    return np.argsort(-np.abs(correlation))[:KEPT]


class ChoosesInside(BaseEstimator):
    """A hazard on the columns chosen from the cases it is fitted to: the choice is part of the recipe."""

    def fit(self, X, sessions, ending):
        self.columns_ = most_alike(X, sessions, ending)
        self.hazard_ = plain().fit(X[:, self.columns_], sessions, ending)
        return self

    def predict_incidence(self, X, horizon=None):
        return self.hazard_.predict_incidence(X[:, self.columns_], horizon)


def plain():
    return LogisticHazard(session_effect="linear")


def noise(seed):
    """Cases whose courses have nothing to do with any column; everybody is last seen by session 5."""
    rng = np.random.default_rng(seed)
    X = rng.normal(size=(N_CASES, N_COLUMNS))
    sessions = rng.geometric(0.45, N_CASES)
    ending = rng.choice([1, 2, 0], N_CASES, p=[0.6, 0.3, 0.1])
    return X, np.minimum(sessions, 5), np.where(sessions > 5, 0, ending)


def cross_validated(estimator, X, sessions, ending):
    """Concordance and scaled Brier score of predictions for the fold left out."""
    fold = np.random.default_rng(1).permutation(N_CASES) % FOLDS
    p = np.empty(N_CASES)
    for out in (fold == k for k in range(FOLDS)):
        fitted = estimator.fit(X[~out], sessions[~out], ending[~out])
        p[out] = fitted.predict_incidence(X[out], HORIZON)[:, 0, HORIZON - 1]
    at = {"end": 1, "horizon": HORIZON}
    return concordance_at(p, sessions, ending, **at), scaled_brier_at(p, sessions, ending, **at)


def corrected(estimator, X, sessions, ending, correction):
    """Concordance and scaled Brier score corrected by the bootstrap."""
    report = validate_estimator(
        estimator,
        X,
        sessions,
        ending,
        resamples=RESAMPLES,
        horizons=(HORIZON,),
        measures=MEASURES,
        correction=correction,
    )
    of_relief = report.table[report.table.end == "1"].set_index("measure")
    return tuple(of_relief.corrected[name] for name in MEASURES)


@pytest.fixture(scope="module")
def found():
    """Concordance and scaled Brier score by scheme, each of shape (tables, 2)."""
    schemes = {"naive": [], "folds": [], "harrell": [], "632+": [], "harrell after the choice": []}
    for seed in SEEDS:
        X, sessions, ending = noise(seed)
        leaked = X[:, most_alike(X, sessions, ending)]
        schemes["naive"].append(cross_validated(plain(), leaked, sessions, ending))
        schemes["folds"].append(cross_validated(ChoosesInside(), X, sessions, ending))
        schemes["harrell after the choice"].append(corrected(plain(), leaked, sessions, ending, "harrell"))
        for correction in ("harrell", "632+"):
            schemes[correction].append(corrected(ChoosesInside(), X, sessions, ending, correction))
    return {name: np.array(values) for name, values in schemes.items()}


# Limits are from 60 other tables (seeds 200 to 259). Concordance and scaled Brier score, mean (standard deviation of a
# table): naive 0.645 (0.044) and 0.059 (0.042), Harrell 0.574 (0.039) and -0.052 (0.041), .632+ 0.521 (0.032) and
# -0.075 (0.028), folds 0.471 (0.090) and -0.119 (0.085). A mean of 12 moves by these over 3.5 and each limit is 3 or
# more such errors away: a right library fails one of them for about 1 in 100 choices of seeds. They are fixed.


def test_a_leak_makes_noise_look_like_knowledge(found):
    concordance, accuracy = found["naive"].mean(axis=0)

    assert concordance > 0.60
    assert accuracy > 0.02


@pytest.mark.parametrize("scheme", ["harrell", "632+"])
def test_the_choice_redone_in_each_resample_takes_the_false_knowledge_away(found, scheme):
    concordance, accuracy = (found["naive"] - found[scheme]).mean(axis=0)

    assert concordance > 0.045
    assert accuracy > 0.08


def test_corrected_measures_of_noise_are_near_no_information(found):
    assert found["632+"].mean(axis=0)[0] == pytest.approx(0.5, abs=0.05)
    assert found["folds"].mean(axis=0)[0] == pytest.approx(0.5, abs=0.11)
    # a resample shares its cases with the test, so Harrell's correction of a choice stops short of 0.5
    assert found["harrell"].mean(axis=0)[0] == pytest.approx(0.57, abs=0.04)
    for scheme in ("harrell", "632+", "folds"):
        assert found[scheme].mean(axis=0)[1] < 0.0


def test_a_bootstrap_after_the_choice_does_not_see_the_leak(found):
    # the same scheme, given the chosen columns, stays with the leak: only redoing the choice helps
    concordance, accuracy = found["harrell after the choice"].mean(axis=0)

    assert concordance > 0.60
    assert accuracy > found["harrell"].mean(axis=0)[1] + 0.05
