"""Rubin's rules against statsmodels, formulas worked by hand, and what they must do at their edges."""

from fractions import Fraction

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy.stats import chi2, f, t
from statsmodels.imputation.mice import MICE, MICEData

from retreat.errors import FitError
from retreat.study.effects import joint_test, pool


@pytest.fixture(scope="module")
def mice():
    """Results of statsmodels on tables it completed itself."""
    rng = np.random.default_rng(3)
    table = pd.DataFrame(rng.normal(size=(80, 2)), columns=["a", "b"])
    table["y"] = 1 + table.a - 0.5 * table.b + rng.normal(size=80)
    table.loc[rng.random(80) < 0.3, "a"] = np.nan
    table.loc[rng.random(80) < 0.2, "b"] = np.nan
    np.random.seed(1)  # noqa: NPY002 - statsmodels draws from numpy's global state
    found = MICE("y ~ a + b", sm.OLS, MICEData(table))
    found.fit(n_burnin=3, n_imputations=12)
    return found


def test_estimates_errors_and_share_lost_are_those_of_statsmodels(mice):
    theirs = mice.combine()
    values = [np.asarray(one.params) for one in mice.results_list]
    spread = [np.diag(np.asarray(one.cov_params())) for one in mice.results_list]

    ours = pool(values, spread)

    np.testing.assert_allclose(ours.estimate, theirs.params, rtol=1e-12)
    np.testing.assert_allclose(ours.error, theirs.bse, rtol=1e-12)
    # what they call the fraction missing is (1 + 1/m) B / T; ours adds what the degrees of freedom lose
    lost = np.var(values, axis=0, ddof=1) * (1 + 1 / 12) / ours.error**2
    np.testing.assert_allclose(lost, theirs.frac_miss_info, rtol=1e-12)
    assert (ours.missing > lost).all()


def test_degrees_of_freedom_are_rubins_and_barnard_and_rubins_by_hand():
    """Three estimates 1, 2, 4 of variance 1/2 with 20 complete degrees of freedom, in fractions."""
    between = Fraction(7, 3)  # variance of 1, 2, 4
    added = between * Fraction(4, 3)
    total = Fraction(1, 2) + added
    lost = added / total
    old = 2 / lost**2
    seen = Fraction(21, 23) * 20 * (1 - lost)

    rubin = pool([1.0, 2.0, 4.0], [0.5] * 3)
    small = pool([1.0, 2.0, 4.0], [0.5] * 3, complete_df=20.0)

    assert float(rubin.error) ** 2 == pytest.approx(float(total), rel=1e-14)
    # without an end to the complete degrees of freedom, Rubin's own: (m - 1)(1 + 1/r)^2
    ratio = added / Fraction(1, 2)
    assert float(old) == pytest.approx(float(2 * (1 + 1 / ratio) ** 2), rel=1e-14)
    assert float(rubin.df) == pytest.approx(float(old), rel=1e-14)
    joined = 1 / (1 / old + 1 / seen)
    assert float(small.df) == pytest.approx(float(joined), rel=1e-14)
    assert float(small.missing) == pytest.approx(float((ratio + 2 / (joined + 3)) / (ratio + 1)), rel=1e-14)


def test_a_single_table_is_complete():
    one = pool([[0.5, -1.0]], [[0.25, 0.04]], complete_df=30.0)

    assert one.missing.tolist() == [0.0, 0.0]
    low, high = one.interval(0.9)
    np.testing.assert_allclose(high - low, 2 * t.ppf(0.95, 30) * np.array([0.5, 0.2]))
    np.testing.assert_allclose(one.p_value(), 2 * t.sf([1.0, 5.0], 30))


def test_tables_alike_are_one_table():
    one, many = pool([2.0], [0.5], complete_df=12.0), pool([2.0] * 5, [0.5] * 5, complete_df=12.0)

    assert (many.error, many.df, many.missing) == (one.error, one.df, 0.0)


def test_a_joint_test_of_one_number_is_the_square_of_its_own():
    values, spread = [1.0, 1.3, 0.7, 1.1], [0.3, 0.25, 0.35, 0.3]

    joint = joint_test(np.array(values)[:, None], np.array(spread)[:, None, None])
    alone = pool(values, spread)

    assert joint.chi_square == pytest.approx(float((alone.estimate / alone.error) ** 2), rel=1e-12)


def test_joint_tests_of_one_table_are_chi_square_and_f():
    many = joint_test([[1.0, 2.0]], [[[1.0, 0.5], [0.5, 2.0]]])
    few = joint_test([[1.0, 2.0]], [[[1.0, 0.5], [0.5, 2.0]]], complete_df=15.0)

    # (1, 2) [[2, -.5], [-.5, 1]] / 1.75 (1, 2)' = 4 / 1.75
    assert many.chi_square == few.chi_square == pytest.approx(4 / 1.75, rel=1e-12)
    assert many.p == pytest.approx(chi2.sf(4 / 1.75, 2), rel=1e-12)
    assert few.p == pytest.approx(f.sf(2 / 1.75, 2, 15), rel=1e-12)


def test_the_joint_test_of_completed_tables_is_d1_by_hand():
    """Two numbers, five tables, unit variances within: r = 1.2 tr(B) / 2, written out."""
    values = np.array([[1.0, 0.0], [2.0, 1.0], [1.5, 0.5], [0.5, 1.5], [1.0, 1.0]])
    r = 1.2 * values.var(axis=0, ddof=1).mean()
    a = 2 * 4
    df = 4 + (a - 4) * (1 + (1 - 2 / a) / r) ** 2
    statistic = (values.mean(axis=0) ** 2).sum() / (1 + r)

    found = joint_test(values, np.repeat(np.eye(2)[None], 5, axis=0))

    assert found.chi_square == pytest.approx(statistic, rel=1e-12)
    assert found.df_error == pytest.approx(df, rel=1e-12)
    assert found.p == pytest.approx(f.sf(statistic / 2, 2, df), rel=1e-12)


def test_intervals_of_filled_tables_hold_the_truth_as_often_as_they_say():
    """A mean with 40% of 30 values missing at random, filled by proper draws of the normal model; 1,500 samples."""
    rng = np.random.default_rng(8)
    covered = 0
    for _ in range(1500):
        y = rng.normal(size=30)
        seen = y[:18]
        tables = []
        for _ in range(10):
            variance = 17 * seen.var(ddof=1) / rng.chisquare(17)
            mean = seen.mean() + rng.normal() * np.sqrt(variance / 18)
            tables.append(np.concatenate([seen, mean + np.sqrt(variance) * rng.normal(size=12)]))
        found = pool([x.mean() for x in tables], [x.var(ddof=1) / 30 for x in tables], complete_df=29.0)
        low, high = found.interval(0.95)
        covered += low < 0 < high
    # three errors of .0056
    assert covered / 1500 == pytest.approx(0.95, abs=0.017)


@pytest.mark.parametrize(
    ("estimates", "covariances"),
    [([], []), ([1.0], [[1.0]]), ([[1.0, 1.0]], [[[1.0, 1.0], [1.0, 1.0]]]), ([[1.0]], [[[0.0]]])],
)
def test_what_cannot_be_tested_is_refused(estimates, covariances):
    with pytest.raises(FitError):
        joint_test(estimates, covariances)


def test_no_tables_are_refused():
    with pytest.raises(FitError, match="at least one"):
        pool([], [])
