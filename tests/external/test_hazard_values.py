"""Hazard fits against other software and published values; recipe of the numbers in hazard_recipe.py."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from retreat.fitting import LogisticHazard

DATA = Path(__file__).parent / "data"
VALUES = pd.read_csv(DATA / "hazard_values.csv")


def read_first_sex():
    boys = pd.read_csv(DATA / "validation_first_sex.csv").rename(
        columns={"parental_transition": "pt", "antisociality": "pas"}
    )
    return boys, boys.grade.to_numpy() - 6, 1 - boys.censor.to_numpy()


def read_unempdur(last):
    """Spells followed to period `last`, later ones lost after it."""
    spells = pd.read_csv(DATA / "unempdur.csv")
    return (
        spells[["age", "logwage", "ui"]],
        np.minimum(spells.spell.to_numpy(), last),
        np.where(spells.spell <= last, spells.cause, 0),
    )


def fit_first_sex(columns, **settings):
    boys, sessions, ending = read_first_sex()
    return LogisticHazard(**settings).fit(boys[columns], sessions, ending)


def fit_single(link):
    X, sessions, ending = read_unempdur(10)
    return LogisticHazard(link=link).fit(X, sessions, ending == 1)


def fit_endometrial():
    """A logistic regression is a hazard with one session, all cases still going on lost after it."""
    women = pd.read_csv(DATA / "endometrial.csv")
    return LogisticHazard(penalty="firth").fit(women[["NV", "PI", "EH"]], np.ones(79, int), women.HG)


FITS = {
    ("first_sex", "logit A"): lambda: fit_first_sex([]),
    ("first_sex", "logit B"): lambda: fit_first_sex(["pt"]),
    ("first_sex", "logit C"): lambda: fit_first_sex(["pas"]),
    ("first_sex", "logit D"): lambda: fit_first_sex(["pt", "pas"]),
    ("first_sex", "cloglog B"): lambda: fit_first_sex(["pt"], link="cloglog"),
    ("first_sex", "ridge 1"): lambda: fit_first_sex(["pt", "pas"], penalty=1.0),
    ("first_sex", "ridge 10"): lambda: fit_first_sex(["pt", "pas"], penalty=10.0),
    ("first_sex", "firth B"): lambda: fit_first_sex(["pt"], penalty="firth"),
    ("endometrial", "firth"): fit_endometrial,
    ("unempdur", "single logit"): lambda: fit_single("logit"),
    ("unempdur", "single cloglog"): lambda: fit_single("cloglog"),
    ("unempdur", "multinomial"): lambda: LogisticHazard().fit(*read_unempdur(8)),
}


@pytest.fixture(scope="module")
def fitted():
    return {key: fit() for key, fit in FITS.items()}


def quantities(hazard):
    """Named as in the table, by end: coefficients, session effects, their standard errors, and the whole fit's."""
    ends, columns = hazard.coef_.shape
    error = np.sqrt(np.diag(hazard.covariance_))
    error_of_sessions = error[ends * columns :].reshape(ends, -1)
    found = {(1, "deviance"): -2 * hazard.log_likelihood_, (0, "log likelihood"): hazard.log_likelihood_}
    for end in range(ends):
        for j, name in enumerate(hazard.feature_names_):
            found[end + 1, name] = hazard.coef_[end, j]
            found[end + 1, f"standard error {name}"] = error[end * columns + j]
        for k, effect in enumerate(hazard.session_effects_[end]):
            found[end + 1, f"session {k + 1}"] = effect
            found[end + 1, f"standard error session {k + 1}"] = error_of_sessions[end, k]
    found[1, "intercept"] = found[1, "session 1"]
    found[1, "standard error intercept"] = found[1, "standard error session 1"]
    return found


def rows(chosen):
    return pytest.mark.parametrize(
        "row", list(VALUES[chosen].itertuples()), ids=lambda r: f"{r.data} {r.model} {r.end} {r.quantity}"
    )


@rows([(row.data, row.model) in FITS and row.quantity != "predicted" for row in VALUES.itertuples()])
def test_a_fit_agrees_with_other_software(fitted, row):
    found = quantities(fitted[row.data, row.model])

    assert found[row.end, row.quantity] == pytest.approx(row.value, abs=row.tolerance)


@rows(VALUES.model.str.startswith("lifetable"))
def test_session_effects_alone_reproduce_the_life_table(row):
    boys, sessions, ending = read_first_sex()
    chosen = boys.pt == int(row.model[-1]) if row.model[-1] in "01" else boys.pt >= 0
    hazard = LogisticHazard().fit(np.empty((chosen.sum(), 0)), sessions[chosen], ending[chosen])

    incidence = hazard.predict_incidence(np.empty((1, 0)))

    session = int(row.quantity.rsplit(" ", 1)[1])
    assert 1 - incidence[0, 0, session - 1] == pytest.approx(row.value, abs=row.tolerance)


@pytest.fixture(scope="module")
def exact_incidence():
    counts = pd.read_csv(DATA / "unempdur_counts.csv")
    hazard = LogisticHazard().fit(np.empty((len(counts), 0)), counts.spell, counts.cause, weights=counts.n)
    return hazard.predict_incidence(np.empty((1, 0)))[0]


@rows(VALUES.model == "incidence")
def test_three_ends_without_columns_reproduce_the_aalen_johansen_estimate(exact_incidence, row):
    found = exact_incidence[row.end - 1, int(row.quantity) - 1]

    assert found == pytest.approx(row.value, abs=row.tolerance)


@rows(VALUES.quantity == "predicted")
def test_predicted_incidence_of_a_person_agrees_with_the_plug_in_of_other_software(fitted, row):
    person = pd.DataFrame({"age": [35.0], "logwage": [5.5], "ui": [1.0]})

    found = fitted["unempdur", "multinomial"].predict_incidence(person)[0, row.end - 1, 7]

    assert found == pytest.approx(row.value, abs=row.tolerance)


def test_firth_hazards_without_columns_are_half_an_event_in_one_more_case():
    """Closed form: (d + 1/2) / (n + 1) at each session."""
    _, sessions, ending = read_first_sex()
    hazard = LogisticHazard(penalty="firth").fit(np.empty((180, 0)), sessions, ending)

    found = hazard.predict_hazard(np.empty((1, 0)))[0, 0]

    at_risk = np.array([(sessions >= k).sum() for k in range(1, 7)])
    events = np.array([((sessions == k) & (ending == 1)).sum() for k in range(1, 7)])
    np.testing.assert_allclose(found, (events + 0.5) / (at_risk + 1), rtol=0, atol=1e-8)


def test_firth_on_two_groups_adds_half_a_case_to_each_cell():
    """Closed form of the saturated table 3 of 10 against 8 of 8, which separates."""
    group = np.repeat([0.0, 1.0], [10, 8])[:, None]
    ending = np.repeat([1, 0, 1], [3, 7, 8])

    hazard = LogisticHazard(penalty="firth").fit(group, np.ones(18, int), ending)

    assert hazard.session_effects_[0, 0] == pytest.approx(np.log(3.5 / 7.5), abs=1e-8)
    assert hazard.coef_[0, 0] == pytest.approx(np.log(8.5 / 0.5) - np.log(3.5 / 7.5), abs=1e-8)


def test_firth_on_two_ends_without_columns_adds_half_a_case_to_each_way():
    """Closed form of the saturated multinomial: Firth's penalty is Jeffreys' prior, half a case a cell."""
    ending = np.repeat([0, 1, 2], [7, 4, 0])

    hazard = LogisticHazard(penalty="firth").fit(np.empty((11, 0)), np.ones(11, int), np.r_[ending[:-1], 2])

    found = hazard.predict_hazard(np.empty((1, 0)))[0, :, 0]
    np.testing.assert_allclose(found, [3.5 / 12.5, 1.5 / 12.5], rtol=0, atol=1e-8)


def test_the_grouped_time_rate_ratio_is_the_one_printed():
    """Singer and Willett 2003, pages 424-5: a hazard ratio of about 2.2 (as quoted by a public companion text)."""
    assert np.exp(fit_first_sex(["pt"], link="cloglog").coef_[0, 0]) == pytest.approx(2.2, abs=0.05)


def test_the_logistic_hazard_is_nearest_to_the_exact_treatment_of_ties_in_a_cox_model():
    cox = VALUES[VALUES.model.str.startswith("cox")].set_index("model").value
    logit = fit_first_sex(["pt"]).coef_[0, 0]

    distance = (cox - logit).abs()

    assert distance["cox exact"] < distance["cox efron"] < distance["cox breslow"]
    # conditional against unconditional logistic regression, one period at a time
    assert distance["cox exact"] < 0.01
