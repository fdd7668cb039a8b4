"""Net benefit, concordance, scaled scores, hazards against other software; see validation_more_recipe.py.

Values are stored with twelve digits; a tolerance of 1e-10 leaves room for another order of summation.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from sklearn.metrics import roc_auc_score
from statsmodels.stats.proportion import proportion_confint

from retreat.validation import (
    concordance_at,
    hazard_calibration,
    integrated_brier,
    net_benefit,
    net_benefit_at,
    scaled_brier_at,
)

DATA = Path(__file__).parent / "data"
TABLE = pd.read_csv(DATA / "validation_more.csv")
REFERENCE = TABLE.dropna(subset="value").set_index(["data", "quantity"])
CASES = TABLE[TABLE.value.isna()]


def reference(data, quantity):
    row = REFERENCE.loc[(data, quantity)]
    return pytest.approx(row.value, abs=row.tolerance)


def quantities(data, first):
    return [name for where, name in REFERENCE.index if where == data and name.startswith(first)]


@pytest.fixture(scope="module")
def patients():
    return CASES[CASES.data == "df_binary"]


@pytest.fixture(scope="module")
def followed():
    """Patients with untied times: the rank of a time stands for the session."""
    table = CASES[CASES.data == "df_surv"]
    time = table.time.to_numpy()
    times = np.sort(time)
    assert np.all(np.diff(times) > 0)
    return table.prediction.to_numpy(), np.searchsorted(times, time) + 1, table.event.to_numpy(), times


@pytest.fixture(scope="module")
def hazard_model():
    """Logistic hazard of first_sex on both features, fitted by statsmodels on one row a boy and grade."""
    boys = pd.read_csv(DATA / "validation_first_sex.csv")
    features = boys[["parental_transition", "antisociality"]].to_numpy()
    sessions, ending = boys.grade.to_numpy() - 6, 1 - boys.censor.to_numpy()
    case = np.repeat(np.arange(len(boys)), sessions)
    session = np.concatenate([np.arange(1, s + 1) for s in sessions])
    y = (session == sessions[case]) & (ending[case] == 1)
    X = np.column_stack([session[:, None] == np.arange(1, 7), features[case]]).astype(float)
    b = sm.GLM(y.astype(float), X, family=sm.families.Binomial()).fit(tol=1e-13).params
    return 1 / (1 + np.exp(-(b[:6] + (features @ b[6:])[:, None]))), sessions, ending


@pytest.mark.parametrize("quantity", quantities("df_binary", "net_benefit"))
def test_net_benefit_agrees_with_dcurves(patients, quantity):
    _, who, threshold = quantity.split()
    column = "other" if who == "other" else "prediction"

    found = net_benefit(patients[column], patients.event, thresholds=[float(threshold)])

    assert (found.offer_all if who == "all" else found.model)[0] == reference("df_binary", quantity)


@pytest.mark.parametrize("quantity", [q for q in quantities("df_surv", "net_benefit") if " of end " not in q])
def test_net_benefit_with_losses_agrees_with_dcurves(followed, quantity):
    p, sessions, event, times = followed
    _, who, threshold = quantity.split()

    found = net_benefit_at(
        p,
        sessions,
        np.where(event == 1, 1, 0),  # deaths count as lost
        end=1,
        horizon=int(np.count_nonzero(times <= 1.5)),
        thresholds=[float(threshold)],
    )

    assert (found.offer_all if who == "all" else found.model)[0] == reference("df_surv", quantity)


@pytest.mark.parametrize("quantity", quantities("df_surv", "net_benefit of end"))
def test_net_benefit_with_competing_ends_agrees_with_the_incidence_of_scikit_survival(followed, quantity):
    p, sessions, event, times = followed
    *_, end, threshold = quantity.split()

    found = net_benefit_at(
        p,
        sessions,
        event,
        end=int(end),
        horizon=int(np.count_nonzero(times <= 1.5)),
        thresholds=[float(threshold)],
    )

    assert found.model[0] == reference("df_surv", quantity)


@pytest.mark.parametrize("quantity", quantities("df_surv", "auc"))
def test_concordance_at_a_session_agrees_with_scikit_survival(followed, quantity):
    p, sessions, event, times = followed
    competing = " of end " in quantity
    until = float(quantity.split()[-1])
    last_cancer = times[np.sort(sessions[event == 1]) - 1]
    last_cancer = last_cancer[last_cancer <= until].max()

    found = concordance_at(
        p.round(1) if "rounded" in quantity else p,
        sessions,
        event if competing else np.where(event == 1, 1, 0),
        end=int(quantity.split()[3]) if competing else 1,
        horizon=int(np.count_nonzero(times <= last_cancer)),
    )

    assert found == reference("df_surv", quantity)


@pytest.mark.parametrize("decimals", [12, 1], ids=["untied", "tied"])
def test_concordance_at_a_session_without_losses_agrees_with_scikit_learn(patients, decimals):
    p, event = patients.prediction.to_numpy().round(decimals), patients.event.to_numpy()

    found = concordance_at(p, np.where(event == 1, 1, 2), event, end=1, horizon=1)

    assert found == pytest.approx(roc_auc_score(event, p), abs=1e-12)


def test_scaled_brier_score_agrees_with_left_limit_weights():
    # two rows of half weight at mean +- sd have the Brier score of the spells they stand for
    table = pd.read_csv(DATA / "validation_unempdur_moments.csv")
    part = table[table.horizon == 10]

    found = scaled_brier_at(
        np.concatenate([part["mean"] + part.sd, part["mean"] - part.sd]),
        np.tile(part.spell, 2),
        np.tile(part.event, 2),
        end=1,
        horizon=10,
        at_horizon="unknown",
        weights=np.tile(part.n / 2, 2),
    )

    assert found == reference("unempdur", "scaled_brier 10")


def test_integrated_brier_score_of_a_hazard_model_agrees_with_the_mean_of_squares(hazard_model):
    hazards, sessions, ending = hazard_model

    found = integrated_brier(1 - np.cumprod(1 - hazards, axis=1), sessions, ending, end=1)

    assert found == reference("first_sex", "integrated_brier")


def test_hazards_with_an_intercept_a_session_are_calibrated_at_each(hazard_model):
    # the score equations of maximum likelihood: seen equals expected; statsmodels stops within 1e-8
    found = hazard_calibration(*hazard_model)

    assert [one.observed_expected for one in found] == pytest.approx([1.0] * 6, abs=1e-7)


def test_cases_at_risk_and_ends_of_each_session_agree_with_the_life_table(hazard_model):
    table = pd.read_csv(DATA / "validation_incidence.csv")
    table = table[table.data == "first_sex all"].pivot_table(
        index="session", columns="quantity", values="value"
    )

    found = hazard_calibration(*hazard_model)

    assert [one.at_risk for one in found] == table.at_risk.tolist()
    assert [one.events for one in found] == table.events.tolist()


def test_intervals_of_hazards_agree_with_statsmodels(hazard_model):
    for one in hazard_calibration(*hazard_model, level=0.9):
        low, high = proportion_confint(one.events, one.at_risk, alpha=0.1, method="wilson")
        mean = one.expected / one.at_risk

        assert (one.low, one.high) == pytest.approx((low / mean, high / mean), rel=1e-10)
