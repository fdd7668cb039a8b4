"""Harrell's optimism bootstrap with resamples that are fixed, so that every number is exact.

Recipe: 189 births (data/birthwt.csv), logistic regression of low weight on age, mother's weight, smoking,
hypertension, uterine irritability and any earlier premature labour. The 40 resamples of data/birthwt_boot40.csv are
rows of indices from 0, drawn once by numpy's default_rng(20240101).integers(0, 189, (40, 189)). Models, calibration
and log likelihoods were made by statsmodels 0.14.6 GLM, the area under the curve by scikit-learn 1.9.1 (Python 3.13,
numpy 2.5.5); training is the resample itself, test the 189 births. Values have eight digits; the tolerance of 1e-7
leaves room for the last step of both fits. Rows `corrected by 1000` are of R's rms with resamples of its own.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from retreat.fitting import LogisticHazard
from retreat.validation import validate_estimator
from retreat.validation._checked import courses
from retreat.validation.samples import Samples
from retreat.validation.schemes.array_refits import EstimatorRefits, LogisticRefits
from retreat.validation.schemes.optimism import Question, correct_optimism

DATA = Path(__file__).parent / "data"
REFERENCE = pd.read_csv(DATA / "birthwt_optimism.csv").set_index(["stage", "measure"])
MEASURES = ("in_the_large", "slope", "intercept", "brier_at", "concordance_at", "log_score")
OF_ONE_END = MEASURES[:-1]
STAGES = ("apparent", "mean training", "mean test", "optimism", "corrected")

BIRTHS = pd.read_csv(DATA / "birthwt.csv")
X = BIRTHS.drop(columns="low")
SEEN = courses(np.ones(len(BIRTHS), dtype=int), BIRTHS.low)
INDICES = pd.read_csv(DATA / "birthwt_boot40.csv", header=None).to_numpy()
WEIGHTS = np.stack([np.bincount(row, minlength=len(BIRTHS)) for row in INDICES]).astype(float)
# a yes-or-no outcome is a course of one session
QUESTION = Question(SEEN, ("low",), (1,), MEASURES)


def refits(kind):
    return kind(LogisticHazard(), X, SEEN.sessions, SEEN.ending, n_ends=1, horizon=1)


@pytest.fixture(scope="module", params=[LogisticRefits, EstimatorRefits], ids=["batched", "one by one"])
def corrected(request):
    found = correct_optimism(refits(request.param), QUESTION, WEIGHTS)
    assert found.failures == ()
    return found.values


@pytest.fixture(scope="module")
def panels():
    """Measures of the resamples' models on themselves and on the births, and those of the whole model."""
    predicted, failures = refits(LogisticRefits).predict(WEIGHTS)
    whole, _ = refits(LogisticRefits).predict(np.ones((1, len(BIRTHS))))
    assert failures == {}
    sample, births = Samples(SEEN, WEIGHTS), Samples(SEEN, np.ones((1, len(BIRTHS))))
    return {
        "apparent": QUESTION.on(whole, births),
        "training": QUESTION.on(predicted, sample),
        "test": QUESTION.on(predicted, births),
    }


def reference(stage, measure):
    row = REFERENCE.loc[(stage, measure)]
    return pytest.approx(row.value, abs=row.tolerance)


def test_resamples_are_those_of_the_recipe():
    drawn = np.random.default_rng(20240101).integers(0, 189, (40, 189))

    assert (drawn == INDICES).all()


@pytest.mark.parametrize("measure", OF_ONE_END)
@pytest.mark.parametrize("stage", ["apparent", "optimism", "corrected"])
def test_corrected_measures_agree_with_the_arithmetic_of_other_software(corrected, stage, measure):
    found = corrected[measure, 1, "low"]
    values = {
        "apparent": found.apparent,
        "corrected": found.corrected,
        "optimism": found.apparent - found.corrected,
    }

    assert found.n_failed == 0
    assert values[stage] == reference(stage, measure)


@pytest.mark.parametrize("measure", OF_ONE_END)
@pytest.mark.parametrize("stage", ["training", "test"])
def test_means_over_the_resamples_agree_with_other_software(panels, stage, measure):
    values = panels[stage][measure, 1, "low"]

    assert len(values) == 40
    assert values.mean() == reference(f"mean {stage}", measure)


@pytest.mark.parametrize("stage", ["training", "test"])
def test_the_first_resample_agrees_with_other_software(panels, stage):
    first = panels[stage]["concordance_at", 1, "low"][0]

    assert first == reference(f"first resample {stage}", "concordance_at")


def nagelkerke(log_score, share):
    """R2 of Nagelkerke 1991 from the mean negative log likelihood and the share of events."""
    null = -(share * np.log(share) + (1 - share) * np.log1p(-share))
    return (1 - np.exp(2 * (log_score - null))) / (1 - np.exp(-2 * null))


@pytest.mark.parametrize("stage", STAGES)
def test_log_scores_give_the_explained_variation_of_other_software(panels, stage):
    low = BIRTHS.low.to_numpy()
    share = {"apparent": low.mean(), "training": WEIGHTS @ low / len(low), "test": low.mean()}
    found = {name: nagelkerke(panel["log_score", 1, ""], share[name]) for name, panel in panels.items()}
    optimism = (found["training"] - found["test"]).mean()
    values = {
        "apparent": found["apparent"][0],
        "mean training": found["training"].mean(),
        "mean test": found["test"].mean(),
        "optimism": optimism,
        "corrected": found["apparent"][0] - optimism,
    }

    assert values[stage] == reference(stage, "nagelkerke")


@pytest.fixture(scope="module")
def of_a_thousand():
    one = np.ones(len(BIRTHS), dtype=int)
    report = validate_estimator(
        LogisticHazard(), X, one, BIRTHS.low, resamples=1000, horizons=(1,), measures=OF_ONE_END
    )
    # 12 women had hypertension: in some resamples all or none of them a light child
    assert len(report.failures) < 20
    assert all("separation" in failure for failure in report.failures)
    return report.table.set_index("measure").corrected


@pytest.mark.parametrize("measure", ["concordance_at", "brier_at", "slope"])
def test_a_thousand_resamples_agree_with_rms_within_chance(of_a_thousand, panels, measure):
    """Both are means over 1000: within 3.5 Monte-Carlo errors of their difference, from the fixed resamples."""
    spread = np.std(panels["training"][measure, 1, "low"] - panels["test"][measure, 1, "low"], ddof=1)
    expected = REFERENCE.loc[("corrected by 1000", measure)].value

    assert of_a_thousand[measure] == pytest.approx(expected, abs=3.5 * spread * np.sqrt(2 / 1000))
