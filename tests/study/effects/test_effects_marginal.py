"""Average effects against marginaleffects, statsmodels, brute force, and the forecasts of the package itself."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from clinics import clinic
from simulated_courses import draw, rows_of

import retreat
from retreat.coding import Term
from retreat.errors import FitError
from retreat.study.effects import Comparison, Measure, analysed
from retreat.study.effects.estimates import estimate
from retreat.study.effects.gradients import averages
from retreat.study.effects.marginal import average_table, default_measures

HERE = Path(__file__).parent
UNEMPDUR = HERE.parents[1] / "external" / "data" / "unempdur.csv"
NEXT = [Measure("hazard", 0), Measure("hazard", 1)]


def table_of(found, comparison, measures, **settings):
    return average_table(found, [comparison], measures, level=0.95, **settings)


@pytest.fixture(scope="module")
def spells(analysis_of):
    """Unemployment followed to period 4, full-time work against any other, as effects_recipe.py has it."""
    table = pd.read_csv(UNEMPDUR)
    sessions = np.minimum(table.spell, 4).to_numpy()
    ending = np.where(table.spell <= 4, np.minimum(table.cause, 2), 0)
    terms = [
        Term(("age",), "linear"),
        Term(("logwage",), "linear"),
        Term(("ui",), "linear"),
        Term(("ui", "age"), "interaction"),
    ]
    features = {name: table[name].to_numpy(dtype=float) for name in ("age", "logwage", "ui")}
    return estimate(
        analysis_of(terms, features, sessions, ending), covariance="information", reference="normal"
    )


@pytest.mark.parametrize(
    "row",
    list(pd.read_csv(HERE / "data" / "marginaleffects.csv").itertuples()),
    ids=lambda row: f"{row.Index}",
)
def test_effects_on_the_next_session_are_those_of_marginaleffects(spells, row):
    """Estimates within 1e-7; errors within 1e-4 of themselves, as theirs come from numerical slopes."""
    found = table_of(spells, Comparison(row.feature, row.value, row.against), NEXT).iloc[row.end - 1]

    if row.kind == "difference":
        assert found.difference == pytest.approx(row.estimate, abs=1e-7)
        assert found.standard_error == pytest.approx(row.standard_error, rel=1e-4)
        return
    assert np.log(found.ratio) == pytest.approx(row.estimate, abs=1e-6)
    width = np.log(found.ratio_high / found.ratio_low) / (2 * 1.959963984540054)
    assert width == pytest.approx(row.standard_error, rel=1e-4)


@pytest.fixture(scope="module")
def pairs():
    """Courses of eyes in pairs, one end or two, with a yes-or-no column."""

    def make(ends, seed=2, link="logit"):
        found = draw(seed, n=400, ends=ends, columns=2, last=3, link=link)
        found.X[:, 1] = found.X[:, 1] > 0
        return found, np.repeat(np.arange(200), 2)

    return make


TERMS = [Term(("x",), "linear"), Term(("b",), "linear")]


def test_the_effect_of_a_yes_or_no_column_is_the_one_of_statsmodels_with_its_clustered_error(
    pairs, analysis_of
):
    """Logit on person-sessions, get_margeff with dummies; their correction of the sandwich for ours."""
    found, patient = pairs(1)
    case, rows, y = rows_of(found.sessions, found.ending, found.X)
    fit = sm.Logit(y, rows).fit(
        disp=0,
        method="newton",
        tol=1e-14,
        cov_type="cluster",
        cov_kwds={"groups": patient[case], "use_correction": False},
    )
    theirs = fit.get_margeff(dummy=True)
    place = list(theirs.results.model.exog_names).index("x2")
    analysis = analysis_of(TERMS, {"x": found.X[:, 0], "b": found.X[:, 1]}, *found.outcome, patient=patient)

    ours = table_of(estimate(analysis), Comparison("b", 1.0, 0.0), NEXT[:1]).iloc[0]

    spent = rows.shape[1]
    assert ours.difference == pytest.approx(theirs.margeff[place], abs=1e-9)
    assert ours.standard_error == pytest.approx(
        theirs.margeff_se[place] * np.sqrt(200 / (200 - spent)), rel=1e-6
    )


def test_relief_by_two_and_mean_sessions_are_those_worked_out_from_statsmodels(pairs, analysis_of):
    """Hazards predicted by MNLogit for every case at both values; errors by numerical slopes in its parameters."""
    found, patient = pairs(2)
    _, rows, y = rows_of(found.sessions, found.ending, found.X)
    fit = sm.MNLogit(y, rows).fit(disp=0, method="newton", maxiter=100, tol=1e-14)

    def told(parameters):
        sides = []
        for value in (1.0, 0.0):
            h = []
            for k in range(3):
                design = np.column_stack(
                    [found.X[:, 0], np.full(400, value), np.tile(np.eye(3)[k], (400, 1))]
                )
                odds = np.exp(design @ parameters)
                h.append(odds / (1 + odds.sum(axis=1, keepdims=True)))
            left = [np.ones(400)]
            for k in range(3):
                left.append(left[-1] * (1 - h[k].sum(axis=1)))
            sides.append([(h[0] + left[1][:, None] * h[1])[:, 0].mean(), (1 + left[1] + left[2]).mean()])
        return np.subtract(*sides)

    flat = np.asarray(fit.params).ravel(order="F")
    steps = 1e-5 * np.eye(len(flat))
    slopes = [
        (told((flat + s).reshape(5, 2, order="F")) - told((flat - s).reshape(5, 2, order="F"))) / 2e-5
        for s in steps
    ]
    errors = np.sqrt(np.diag(np.array(slopes).T @ np.asarray(fit.cov_params()) @ np.array(slopes)))
    analysis = analysis_of(TERMS, {"x": found.X[:, 0], "b": found.X[:, 1]}, *found.outcome, patient=patient)

    ours = table_of(
        estimate(analysis, covariance="information"),
        Comparison("b", 1.0, 0.0),
        [Measure("incidence", 0, 2), Measure("sessions", 0, 3)],
    )

    np.testing.assert_allclose(ours.difference, told(np.asarray(fit.params)), rtol=0, atol=1e-9)
    np.testing.assert_allclose(ours.standard_error, errors, rtol=1e-6)


@pytest.mark.parametrize("link", ["logit", "cloglog"])
@pytest.mark.parametrize("penalty", [0, 2.0])
def test_slopes_are_numerical_slopes(pairs, analysis_of, link, penalty):
    found, patient = pairs(2, link=link)
    analysis = analysis_of(
        TERMS, {"x": found.X[:, 0], "b": found.X[:, 1]}, *found.outcome, patient=patient, link=link
    )
    fit = estimate(analysis, penalty=penalty).fits[0].hazard_fit
    # past the three sessions seen, the last is carried on
    asked = [
        *(Measure("incidence", j, k) for j in (0, 1) for k in (1, 2, 5)),
        Measure("sessions", 0, 5),
        *NEXT,
    ]

    def at(theta):
        return averages(fit.layout, theta, found.X, found.sessions, asked, link=link)

    steps = 1e-5 * np.eye(len(fit.theta))
    numerical = [(at(fit.theta + s).mean - at(fit.theta - s).mean) / 2e-5 for s in steps]
    np.testing.assert_allclose(at(fit.theta).slopes, np.array(numerical).T, rtol=0, atol=1e-9)


def test_averages_are_those_of_the_forecasts_of_the_fitted_model():
    """Every case forecast with size 4 and with size 1 by a model of 4,000 draws."""
    cases = clinic(cases=400)
    found = estimate(analysed(cases, "core"), penalty="prior")
    ours = table_of(
        found, Comparison("size_mm", 4.0, 1.0), [Measure("incidence", 0, 2), Measure("sessions", 0, 5)]
    )
    model = retreat.fit(cases, "core", draws=4000)

    sides = []
    for size in (4.0, 1.0):
        ended = model.expected(cases.assign(size_mm=size), horizon=5).mean(axis=0)  # (ends, sessions)
        sides.append([ended[0, 1], 1 + (1 - ended.sum(axis=0))[:4].sum()])

    # the mean over draws is not at the estimate: curvature moves it by less than this
    np.testing.assert_allclose(ours.difference, np.subtract(*sides), atol=0.015)
    np.testing.assert_allclose(
        ours[["average_value", "average_against"]].to_numpy().T, sides, rtol=0, atol=0.02
    )


def test_a_sampled_case_mix_adds_what_samples_of_patients_show(pairs, analysis_of):
    """The spread of the average over 2,000 bootstrap samples of patients with the fit held."""
    found, patient = pairs(2)
    analysis = analysis_of(TERMS, {"x": found.X[:, 0], "b": found.X[:, 1]}, *found.outcome, patient=patient)
    fits = estimate(analysis)
    asked, one = [Measure("incidence", 0, 2)], Comparison("b", 1.0, 0.0)
    fixed, sampled = (table_of(fits, one, asked, case_mix=mix).iloc[0] for mix in ("fixed", "sampled"))
    fit = fits.fits[0].hazard_fit
    sides = [
        averages(
            fit.layout,
            fit.theta,
            np.column_stack([found.X[:, 0], np.full(400, v)]),
            found.sessions,
            asked,
            link="logit",
        ).by_case[:, 0]
        for v in (1.0, 0.0)
    ]
    pairs_of = np.subtract(*sides).reshape(200, 2).mean(axis=1)
    chosen = np.random.default_rng(1).integers(0, 200, (2000, 200))

    added = sampled.standard_error**2 - fixed.standard_error**2

    assert added == pytest.approx(pairs_of[chosen].mean(axis=1).var(), rel=0.1)
    assert sampled.difference == fixed.difference


def test_intervals_hold_the_true_average_effect_as_often_as_they_say(analysis_of):
    """250 studies of 200 patients with two eyes alike, one end; the effect is meant for all such patients."""
    rng = np.random.default_rng(11)

    def study(n):
        hard = np.repeat(rng.normal(size=n), 2)
        x, b = np.repeat(rng.normal(size=n), 2), (rng.random(2 * n) < 0.5).astype(float)
        return hard, x, b

    def chance(hard, x, b):
        return 1 / (1 + np.exp(0.3 - 0.5 * x - 0.7 * b - 0.6 * hard))

    # averaged over how hard eyes are the hazard is no longer logistic in x and b, but near it
    hard, x, _ = study(200_000)
    truth = (chance(hard, x, 1.0) - chance(hard, x, 0.0)).mean()
    held = []
    for _ in range(250):
        hard, x, b = study(200)
        ending = (rng.random(400) < chance(hard, x, b)).astype(int)
        analysis = analysis_of(
            TERMS, {"x": x, "b": b}, np.ones(400, int), ending, patient=np.repeat(np.arange(200), 2)
        )
        found = table_of(estimate(analysis), Comparison("b", 1.0, 0.0), [Measure("incidence", 0, 1)]).iloc[0]
        held.append(found.low < truth < found.high)
    # three errors of .0138
    assert np.mean(held) == pytest.approx(0.95, abs=0.041)


def test_by_default_the_question_is_relief_by_two_stopping_by_two_and_sessions():
    asked = default_measures(analysed(clinic(cases=200), "core"))

    assert [(m.kind, m.end) for m in asked] == [("incidence", 0), ("incidence", 1), ("sessions", 0)]
    assert default_measures(analysed(clinic(cases=200), "second_session")) == (Measure("incidence", 0, 1),)


@pytest.mark.parametrize(
    "measure",
    [
        Measure("incidence", 0, 0),
        Measure("incidence", 5, 1),
        Measure("sessions", 0, 1),
        Measure("sessions", 0, 41),
    ],
)
def test_what_cannot_be_averaged_is_refused(spells, measure):
    with pytest.raises(FitError):
        table_of(spells, Comparison("ui", 1.0, 0.0), [measure])


def test_an_end_that_no_case_had_is_left_out(analysis_of):
    found = draw(1, n=200, ends=2, columns=1, last=3)
    analysis = analysis_of([Term(("x",), "linear")], {"x": found.X[:, 0]}, *found.outcome)
    ending = np.where(found.ending == 2, 0, found.ending)
    without = replace(analysis, designs=(replace(analysis.first, ending=ending),))

    fits = estimate(without)

    assert without.known_ends == (0,)
    assert {m.end for m in default_measures(without) if m.kind == "incidence"} == {0}
    with pytest.raises(FitError, match="no fitted case ended so"):
        table_of(fits, Comparison("x", 1.0, 0.0), [Measure("incidence", 1, 2)])
