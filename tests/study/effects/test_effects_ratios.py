"""Odds ratios, curves and joint tests against published values and statsmodels; what a joint test rejects by chance."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from clinics import clinic
from scipy.stats import chi2
from simulated_courses import draw, rows_of

from retreat.coding import Term, spline_basis
from retreat.errors import FitError
from retreat.study.effects import Comparison, analysed, curve_over, own_curve
from retreat.study.effects.estimates import estimate
from retreat.study.effects.joint import joint_table
from retreat.study.effects.ratios import column_table, comparison_table, curve_table

EXTERNAL = Path(__file__).parents[2] / "external" / "data"
VALUES = pd.read_csv(EXTERNAL / "hazard_values.csv")


@pytest.fixture(scope="module")
def first_sex(analysis_of):
    """Grades 7 to 12 as sessions 1 to 6: Singer and Willett's discrete-time hazards (see external/hazard_recipe.py)."""
    boys = pd.read_csv(EXTERNAL / "validation_first_sex.csv")
    forms = {
        "pt": Term(("pt",), "category", reference="0", levels=("0", "1")),
        "pas": Term(("pas",), "linear"),
    }
    features = {"pt": boys.parental_transition.astype(str).to_numpy(), "pas": boys.antisociality.to_numpy()}

    def fitted(*names, link="logit"):
        return estimate(
            analysis_of(
                [forms[name] for name in names],
                {name: features[name] for name in names},
                boys.grade.to_numpy() - 6,
                1 - boys.censor.to_numpy(),
                link=link,
            ),
            covariance="information",
        )

    return fitted


def published(model, quantity):
    rows = VALUES[(VALUES.data == "first_sex") & (VALUES.model == model) & (VALUES.quantity == quantity)]
    return float(rows.value.iloc[0])


def test_the_odds_ratio_of_parental_transition_is_the_published_one(first_sex):
    """About 2.4 as odds, about 2.2 as rates (Singer and Willett 2003, pp. 424-425, as quoted in public notes)."""
    odds, rates = (first_sex("pt", link=link) for link in ("logit", "cloglog"))
    asked = [Comparison("pt", "1", "0")]

    one, other = (comparison_table(f, asked, level=0.95).iloc[0] for f in (odds, rates))

    assert round(one.ratio, 1) == 2.4
    assert round(other.ratio, 1) == 2.2
    assert np.log(one.ratio) == pytest.approx(published("logit B", "pt"), abs=1e-6)
    assert one.standard_error == pytest.approx(published("logit B", "standard error pt"), abs=1e-6)
    assert one.low == pytest.approx(np.exp(one.estimate - 1.959964 * one.standard_error), rel=1e-6)
    assert one.high == pytest.approx(np.exp(one.estimate + 1.959964 * one.standard_error), rel=1e-6)


def test_every_column_has_the_coefficient_and_error_of_the_published_model(first_sex):
    found = column_table(first_sex("pt", "pas"), level=0.95).set_index("column")

    for ours, theirs in (("pt=1", "pt"), ("pas", "pas")):
        assert found.estimate[ours] == pytest.approx(published("logit D", theirs), abs=1e-6)
        assert found.standard_error[ours] == pytest.approx(
            published("logit D", f"standard error {theirs}"), abs=1e-6
        )


TERMS = [
    Term(("g",), "category", reference="a", levels=("a", "b", "c")),
    Term(("x",), "spline", n_knots=4),
    Term(("g", "x"), "interaction"),
    Term(("s",), "log", centre=2.0),
]


@pytest.fixture(scope="module")
def bent(analysis_of):
    """Cases in pairs, a category that interacts with a spline, and the person-sessions for statsmodels."""
    found = draw(4, n=500, ends=2, columns=2, last=3)
    rng = np.random.default_rng(2)
    g, s = rng.choice(list("abc"), 500), rng.uniform(1, 6, 500)
    patient = np.repeat(np.arange(250), 2)
    analysis = analysis_of(TERMS, {"g": g, "x": found.X[:, 0], "s": s}, *found.outcome, patient=patient)
    case, rows, y = rows_of(*found.outcome, analysis.first.X)
    fit = sm.MNLogit(y, rows).fit(
        disp=0,
        method="newton",
        maxiter=100,
        tol=1e-10,
        cov_type="cluster",
        cov_kwds={"groups": patient[case], "use_correction": False},
    )
    return estimate(analysis), fit, np.sqrt(250 / (250 - fit.params.size))


def test_contrasts_of_a_spline_in_an_interaction_are_those_of_statsmodels(bent):
    """c'b and c'Vc with c from the spline formula, clustered; their correction of the sandwich for ours."""
    found, fit, wider = bent
    knots = found.analysed.coding.knots[1]
    away = np.subtract(*spline_basis([1.2, -0.4], knots))
    c = np.concatenate([[0, 0], away, [0, 0, 0], away, [np.log(4.0)], [0, 0, 0]])
    # x at g = c, and s from 1 to 4
    size = np.eye(15)[11] * np.log(4.0)
    parts = [(Comparison("x", 1.2, -0.4, {"g": "c"}), c - size), (Comparison("s", 4.0, 1.0), size)]
    for comparison, weights in parts:
        ours = comparison_table(found, [comparison], level=0.95)
        for j in (0, 1):
            theirs = weights @ np.asarray(fit.params)[:, j]
            block = slice(j * 15, (j + 1) * 15)
            error = np.sqrt(weights @ np.asarray(fit.cov_params())[block, block] @ weights) * wider
            assert ours.estimate[j] == pytest.approx(theirs, abs=1e-7)
            assert ours.standard_error[j] == pytest.approx(error, rel=1e-6)


def test_joint_tests_are_the_wald_tests_of_statsmodels(bent):
    """Features with their interactions, interactions and the bend; each end, and both."""
    found, fit, wider = bent
    columns = {
        ("feature", "g"): [0, 1, 5, 6, 7, 8, 9, 10],
        ("feature", "x"): [2, 3, 4, 5, 6, 7, 8, 9, 10],
        ("bend", "x"): [3, 4],
        ("interaction", "g x x"): [5, 6, 7, 8, 9, 10],
        ("feature", "s"): [11],
    }

    ours = joint_table(found).set_index(["test", "term", "end"])

    assert set(ours.index.droplevel("end")) == set(columns)
    for (kind, term), own in columns.items():
        ends = {"relieved": own, "stopped": [15 + i for i in own], "all": [*own, *(15 + i for i in own)]}
        for end, places in ends.items():
            theirs = fit.wald_test(np.eye(30)[places], use_f=False, scalar=True)
            row = ours.loc[kind, term, end]
            assert row.chi_square == pytest.approx(float(theirs.statistic) / wider**2, rel=1e-5)
            assert row.df == len(places)
            assert row.p == pytest.approx(chi2.sf(row.chi_square, row.df), rel=1e-9)


def test_a_curve_is_its_contrasts_and_one_where_it_starts(bent):
    found, *_ = bent
    curve = own_curve(found.analysed, "x", against=0.0, held={"g": "b"}, at=[-1.0, 0.0, 0.5])

    table = curve_table(found, [curve], level=0.9)
    alone = comparison_table(found, [Comparison("x", v, 0.0, {"g": "b"}) for v in (-1.0, 0.5)], level=0.9)

    assert curve.label == "x against 0 (g b)"
    at_start = table[table["at"] == 0.0]
    assert (at_start[["ratio", "low", "high"]] == 1.0).all(axis=None)
    for name in ("ratio", "low", "high"):
        np.testing.assert_allclose(table[table["at"] != 0.0][name], alone[name], rtol=1e-12)


def test_an_interaction_is_a_curve_of_one_feature_over_another(bent):
    found, *_ = bent
    curve = curve_over(found.analysed, Comparison("g", "c", "a"), "x", at=[-0.5, 1.0])

    table = curve_table(found, [curve], level=0.95)

    for at in (-0.5, 1.0):
        alone = comparison_table(found, [Comparison("g", "c", "a", {"x": at})], level=0.95)
        assert table[table["at"] == at].ratio.tolist() == pytest.approx(alone.ratio.tolist(), rel=1e-12)
    flat = curve_table(
        found, [curve_over(found.analysed, Comparison("s", 4.0, 1.0), "x", at=[-0.5, 1.0])], level=0.95
    )
    assert flat.groupby("end").ratio.nunique().eq(1).all()


def test_a_joint_test_rejects_a_true_null_as_often_as_it_says(analysis_of):
    """A category that tells nothing, both ends at once, two eyes of a patient alike: 300 studies of 200 patients."""
    rng = np.random.default_rng(5)
    terms = [Term(("g",), "category", reference="a", levels=("a", "b", "c")), Term(("x",), "linear")]
    patient = np.repeat(np.arange(200), 2)
    p = []
    for _ in range(300):
        g, x = np.repeat(rng.choice(list("abc"), 200), 2), rng.normal(size=400)
        hard = np.repeat(rng.normal(scale=2.5, size=200), 2)
        sessions, ending = np.ones(400, int), np.zeros(400, int)
        for k in (1, 2):
            odds = np.exp([-0.5 + 0.5 * x + hard, -1.2 - 0.5 * hard])
            way = (rng.random(400) * (1 + odds.sum(axis=0)) > np.cumsum(odds, axis=0)).sum(axis=0)
            here = (ending == 0) & (sessions >= k - 1)
            sessions[here] = k
            ending[here & (way < 2)] = way[here & (way < 2)] + 1
        found = estimate(analysis_of(terms, {"g": g, "x": x}, sessions, ending, patient=patient))
        naive = estimate(found.analysed, covariance="information")
        p.append([found.test([0, 1], (0, 1)).p, naive.test([0, 1], (0, 1)).p])
    clustered, independent = (np.array(p) < 0.05).mean(axis=0)
    # three errors of .0126
    assert clustered == pytest.approx(0.05, abs=0.038)
    # as if eyes were independent it rejects too often: the test can fail
    assert independent > 0.09


@pytest.mark.parametrize(
    ("comparison", "said"),
    [
        (Comparison("size_mm", 40.0, 1.0), "0.1 to 15"),
        (Comparison("size_mm", True, 1.0), "0.1 to 15"),
        (Comparison("opacity", "fog", "ring"), "'ring'"),
        (Comparison("lens", "natural", "monofocal"), "none of core"),
        (Comparison("size_mm", 2.0, 2.0), "two values"),
        (Comparison("size_mm", 4.0, 2.0, {"size_mm": 1.0}), "one of the two"),
    ],
)
def test_what_cannot_be_compared_is_refused(comparison, said):
    from retreat.study.effects import estimate_effects

    with pytest.raises(FitError, match=said):
        estimate_effects(clinic(cases=200), "core", comparisons=[comparison])


def test_a_curve_needs_a_number():
    cases = analysed(clinic(cases=200), "core")

    with pytest.raises(FitError, match="no number of the definition"):
        own_curve(cases, "opacity")
    with pytest.raises(FitError, match="one of the two"):
        own_curve(cases, "depth", held={"depth": 0.5})
    with pytest.raises(FitError, match="0 to 1"):
        curve_over(cases, Comparison("corneal_surgery", "yes", "no"), "depth", at=[0.2, 1.4])
