"""The report on real data, with few resamples, against numbers made by other software.

The report reads its reference values from data/real_data_values.csv. Those of UnempDur (`unempdur`, `full_time`) were
made by hazard_recipe.py and validation_recipe.py, those of `first_event` by validation_recipe.py too. Those of the eyes
and the scores of `first_event` at the last grade are made again here, by statsmodels on one row a case and session,
scikit-learn, and pairs counted one by one. Values of 12 digits are held to 1e-9, coefficients to 1e-7 (two Newton
iterations stop at different places), values printed with 8 digits to 1e-8.
"""

import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from sklearn.metrics import roc_auc_score
from sklearn.model_selection import GroupKFold

from reports import real_data
from retreat.fitting import LogisticHazard

REFERENCE = pd.read_csv(real_data.DATA / "real_data_values.csv")


def rows_of(X, sessions, ending):
    """Case, design with one intercept a session, and outcome of each case and session."""
    case = np.repeat(np.arange(len(X)), sessions)
    session = np.concatenate([np.arange(1, s + 1) for s in sessions])
    y = np.where(session == sessions[case], ending[case], 0)
    own = (session[:, None] == np.arange(1, sessions.max() + 1)).astype(float)
    return case, np.column_stack([own, X[case]]), y


def fit_rows(X, sessions, ending, **kinds):
    case, design, y = rows_of(X, sessions, ending)
    return case, sm.GLM(y.astype(float), design, family=sm.families.Binomial()).fit(tol=1e-14, **kinds)


def shares_ended(fit, X, last):
    """Probability of having ended by each session, shape (cases, sessions)."""
    linear = fit.params[:last] + (X @ fit.params[last:])[:, None]
    return 1 - np.cumprod(1 - 1 / (1 + np.exp(-linear)), axis=1)


def not_lost(sessions, ending, until):
    """Share not yet lost before the end of a session, by the Kaplan-Meier of loss; ends come before losses."""
    lost = sm.SurvfuncRight(sessions + 0.5 * (ending == 0), ending == 0)
    return np.array(
        [np.append(1.0, lost.surv_prob)[np.count_nonzero(lost.surv_times <= s + 0.5)] for s in until]
    )


def outside_scores(p, sessions, ending, horizon):
    """Brier score (Graf 1999) and concordance, pairs one by one; a case seen to go on at the horizon is known."""
    ended = (ending == 1) & (sessions <= horizon)
    going = ~ended & (sessions >= horizon)
    weight = (ended | going) / not_lost(sessions, ending, np.minimum(sessions, horizon) - 1)
    won = pairs = 0.0
    for i in np.flatnonzero(ended):
        for j in np.flatnonzero(going):
            pairs += weight[i] * weight[j]
            won += weight[i] * weight[j] * ((p[i] > p[j]) + 0.5 * (p[i] == p[j]))
    return float(np.mean(weight * (p - ended) ** 2)), won / pairs


def outside_eyes():
    """Everything about the eyes that the report is held against, by (quantity, session)."""
    eyes = pd.read_csv(real_data.DATA / "retinopathy.csv")
    # vision lost in the half-year (6 (k - 1), 6 k] is session k; else the whole half-years followed
    k = np.where(eyes.status == 1, np.ceil(eyes.months / 6), np.floor(eyes.months / 6)).astype(int)
    status = np.where(k > 8, 0, eyes.status)
    eyes, k, status = eyes[k > 0], np.minimum(k, 8)[k > 0], status[k > 0]
    both = eyes.trt * eyes.adult
    X = np.column_stack([eyes.trt, eyes.adult, both, eyes.risk]).astype(float)
    names = ("trt", "adult", "trt_adult", "risk")
    patient = np.unique(eyes.patient, return_inverse=True)[1]
    case, fit = fit_rows(X, k, status)
    kinds = {"cov_type": "cluster", "cov_kwds": {"groups": patient[case], "use_correction": False}}
    _, clustered = fit_rows(X, k, status, **kinds)
    n_patients = patient.max() + 1
    F = shares_ended(fit, X, 8)
    found = {("log_score", 8): fit.deviance / (2 * len(X))}
    for name, b, se in zip(names, fit.params[8:], clustered.bse[8:], strict=True):
        found["coefficient " + name, 0] = b
        found["clustered standard error " + name, 0] = se * np.sqrt(n_patients / (n_patients - 1))
    observed = sm.SurvfuncRight(k, status)
    for horizon in real_data.retinopathy().horizons:
        found["observed incidence", horizon] = 1 - observed.surv_prob[observed.surv_times <= horizon][-1]
        found["brier_at", horizon], found["concordance_at", horizon] = outside_scores(
            F[:, horizon - 1], k, status, horizon
        )
    return found


def outside_first_event():
    """Area under the curve and squared distance at the last grade, to which everybody was followed."""
    boys = pd.read_csv(real_data.DATA / "validation_first_sex.csv")
    X = boys[["parental_transition", "antisociality"]].to_numpy()
    event = 1 - boys.censor.to_numpy()
    _, fit = fit_rows(X, boys.grade.to_numpy() - 6, event)
    p = shares_ended(fit, X, 6)[:, -1]
    return {("concordance_at", 6): roc_auc_score(event, p), ("brier_at", 6): np.mean((p - event) ** 2)}


EYES, FIRST_EVENT = outside_eyes(), outside_first_event()


def stored(data, quantity, session):
    rows = REFERENCE[(REFERENCE.data == data) & (REFERENCE.quantity == quantity)]
    row = rows[rows.session == session].squeeze()
    return pytest.approx(row.value, abs=row.tolerance)


@pytest.mark.parametrize(("quantity", "session"), EYES)
def test_stored_values_of_the_eyes_are_those_of_other_software(quantity, session):
    assert EYES[quantity, session] == stored("retinopathy", quantity, session)


@pytest.mark.parametrize(("quantity", "session"), FIRST_EVENT)
def test_stored_values_of_the_first_event_are_those_of_other_software(quantity, session):
    assert FIRST_EVENT[quantity, session] == stored("first_event", quantity, session)


def test_every_value_of_the_eyes_in_the_table_is_made_again_here():
    rows = REFERENCE[REFERENCE.data == "retinopathy"]

    assert set(zip(rows.quantity, rows.session, strict=True)) == set(EYES)


@pytest.fixture(scope="module", params=["unempdur", "full_time", "retinopathy", "first_event"])
def validated(request):
    """One data set of the report, with ten resamples."""
    data = getattr(real_data, request.param)()
    return data, *real_data.run(data, resamples=10)


def test_the_report_reproduces_every_value_of_other_software(validated):
    data, _, _, checks = validated

    assert len(checks) == (REFERENCE.data == data.name).sum() > 0
    assert checks[~((checks.ours - checks.value).abs() <= checks.tolerance)].empty
    assert checks.agrees.all()


def test_no_number_of_the_report_is_missing(validated):
    data, _, numbers, _ = validated

    assert numbers["failures"] == []
    assert numbers["floaters"] is False
    for row in numbers["measures"]:
        assert None not in (row["apparent"], row["corrected"], row["low"], row["high"]), row
    for row in numbers["held_out"]:
        assert row["reason"] == ""
        assert row["curve"] is not None
    assert len(numbers["held_out"]) == len(data.ends) * len(data.horizons)


def test_the_observed_shares_of_held_out_cases_are_those_of_other_software(validated):
    data, _, numbers, _ = validated
    found = {(row["end"], row["session"]): row["observed"] for row in numbers["held_out"]}
    rows = REFERENCE[(REFERENCE.data == data.name) & (REFERENCE.quantity == "observed incidence")]

    for row in rows.itertuples():
        assert found[data.ends[row.end - 1], row.session] == pytest.approx(row.value, abs=row.tolerance)


def test_a_case_is_predicted_by_a_model_of_other_patients():
    """The model of the other folds, for the first fold found, made again from the patients outside it."""
    data = real_data.retinopathy()
    predicted = real_data.held_out(data)
    splitter = GroupKFold(real_data.FOLDS, shuffle=True, random_state=real_data.SEED)
    fit, out = next(iter(splitter.split(data.X, groups=data.groups)))
    sessions, ending = data.cut

    _, rows = fit_rows(data.X.to_numpy(float)[fit], sessions[fit], ending[fit])

    assert not set(data.groups[fit]) & set(data.groups[out])
    expected = shares_ended(rows, data.X.to_numpy(float)[out], 8)
    np.testing.assert_allclose(predicted[out, 0], expected, rtol=0, atol=1e-8)


def test_half_years_keep_the_effects_of_the_cox_model_of_months():
    """Grouped proportional rates (cloglog) beside Cox, ties by Efron: within half a standard error of each."""
    data = real_data.retinopathy()
    eyes = pd.read_csv(real_data.DATA / "retinopathy.csv")
    X = np.column_stack([eyes.trt, eyes.adult, eyes.trt * eyes.adult, eyes.risk]).astype(float)

    cox = sm.PHReg(eyes.months, X, status=eyes.status, ties="efron").fit()
    grouped = LogisticHazard(link="cloglog").fit(data.X, data.sessions, data.ending, groups=data.groups)

    assert (np.abs(grouped.coef_[0] - cox.params) < 0.5 * cox.bse).all()


def test_the_page_says_that_these_are_not_floaters_and_the_files_are_written(tmp_path, monkeypatch, capsys):
    monkeypatch.setattr("sys.argv", ["real_data", "--out", str(tmp_path), "--resamples", "2"])
    real_data.main()

    page = (tmp_path / "real_data.html").read_text(encoding="utf-8")
    numbers = json.loads((tmp_path / "real_data.json").read_text(encoding="utf-8"))
    assert real_data.NOT_FLOATERS in page
    assert list(numbers) == ["unempdur", "full_time", "retinopathy", "first_event"]
    assert "real_data.html" in capsys.readouterr().out


def test_a_value_that_differs_ends_the_run_with_an_error(tmp_path, monkeypatch):
    one = real_data.first_event()
    ending = one.ending.copy()
    ending[0] = 1 - ending[0]
    monkeypatch.setattr(real_data, "first_event", lambda: replace(one, ending=ending))
    for other in ("unempdur", "full_time", "retinopathy"):
        monkeypatch.setattr(real_data, other, lambda: one)
    monkeypatch.setattr("sys.argv", ["real_data", "--out", str(tmp_path), "--resamples", "2"])

    with pytest.raises(SystemExit, match="differ from other software"):
        real_data.main()
