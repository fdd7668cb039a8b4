"""Bad input to an estimator: one error, the place, what is allowed or how to mend it, and no warning beside it."""

import numpy as np
import pandas as pd
import pytest
from simulated_courses import draw

from retreat.errors import FitError
from retreat.fitting import LogisticHazard

D = draw(1, n=60, columns=2)
X, SESSIONS, ENDING = D.X, D.sessions, D.ending


def replaced(values, at, new):
    out = np.array(values, dtype=float)
    out[at] = new
    return out


BAD_DATA = {
    "empty": (np.empty((0, 2)), [], [], "sessions: no cases; allowed: at least one case"),
    "one axis": (X[:, 0], SESSIONS, ENDING, "X: 1 dimensions; allowed: 2: cases by columns"),
    "a missing value": (
        replaced(X, (7, 1), np.nan),
        SESSIONS,
        ENDING,
        "(row 7 of x1); allowed: finite numbers",
    ),
    "an infinite value": (
        replaced(X, (7, 1), np.inf),
        SESSIONS,
        ENDING,
        "X: 1 values are missing or infinite",
    ),
    "words": (X.astype(str), SESSIONS, ENDING, "X: holds values that are not numbers"),
    "complex numbers": (X * 1j, SESSIONS, ENDING, "X: holds values that are not numbers"),
    "dates": (
        np.full((60, 1), "2020-01-01", "M8[D]"),
        SESSIONS,
        ENDING,
        "X: holds values that are not numbers",
    ),
    "fewer rows": (X[:-1], SESSIONS, ENDING, "X: 59 rows; allowed: 60, one for each of sessions"),
    "huge values": (X * 1e200, SESSIONS, ENDING, "x0, x1: values too large or too small"),
    "tiny values": (X * 1e-200, SESSIONS, ENDING, "x0, x1: values too large or too small"),
    "half sessions": (X, SESSIONS + 0.5, ENDING, "allowed: whole numbers from 1 to 999"),
    "session nothing": (X, SESSIONS * 0, ENDING, "sessions: 60 of 60 values are not allowed (row 0: 0, 1: 0"),
    "a missing session": (X, replaced(SESSIONS, 3, np.nan), ENDING, "(row 3: nan)"),
    "sessions in words": (X, SESSIONS.astype(str), ENDING, "sessions: holds values that are not numbers"),
    "a column of sessions": (X, SESSIONS[:, None], ENDING, "shapes (60, 1) and (60,); allowed: two vectors"),
    "fewer endings": (X, SESSIONS, ENDING[:-1], "shapes (60,) and (59,)"),
    "endings in words": (X, SESSIONS, np.full(60, "relieved"), "ending: holds values that are not numbers"),
    "a negative ending": (
        X,
        SESSIONS,
        replaced(ENDING, 2, -1),
        "(row 2: -1); allowed: whole numbers from 0 to 20",
    ),
    "a code for unknown": (
        X,
        SESSIONS,
        replaced(ENDING, 2, 99),
        "(row 2: 99); allowed: whole numbers from 0",
    ),
    "nobody ended": (X, SESSIONS, ENDING * 0, "ending: no case has ended"),
    "all ended at once": (
        X,
        np.ones(60),
        np.ones(60),
        "every case ended at session 1; allowed: some cases that",
    ),
    "both faults": (X, SESSIONS * 0, ENDING - 1, "\nending: "),
    "a constant column": (np.column_stack([X, np.full(60, 0.1)]), SESSIONS, ENDING, "x2: constant"),
    "more columns than cases": (draw(2, n=60, columns=70).X, SESSIONS, ENDING, "more: collinear"),
}


@pytest.mark.parametrize("name", BAD_DATA)
def test_bad_data_are_refused(name):
    *data, message = BAD_DATA[name]

    with pytest.raises(FitError) as refused:
        LogisticHazard().fit(*data)

    assert message in str(refused.value)


@pytest.mark.parametrize("penalty", [0, "firth"])
def test_collinear_columns_are_named(penalty):
    table = pd.DataFrame({"length": X[:, 0], "other": X[:, 1], "width": 3 - 2 * X[:, 0]})

    with pytest.raises(FitError, match=r"^length, width: collinear.*drop one or add a ridge"):
        LogisticHazard(penalty=penalty).fit(table, SESSIONS, ENDING)


def test_a_ridge_takes_constant_and_collinear_columns():
    table = np.column_stack([X, X[:, 0], np.ones(60)])

    h = LogisticHazard(penalty=1.0).fit(table, SESSIONS, ENDING)

    np.testing.assert_allclose(h.coef_[:, 0], h.coef_[:, 2], atol=1e-8)
    np.testing.assert_allclose(h.coef_[:, 3], 0.0, atol=1e-8)


def test_a_million_equal_values_are_a_constant_column():
    """Their mean is off by rounding, so that a standard deviation of rounding size is not a spread."""
    n = 200_000
    column = np.full((n, 1), 0.1)
    with pytest.raises(FitError, match="x0: constant"):
        LogisticHazard().fit(column, np.ones(n), np.arange(n) % 2)


def test_a_column_in_a_tiny_unit_is_not_constant():
    one = LogisticHazard().fit(X, SESSIONS, ENDING)

    other = LogisticHazard().fit(X * 1e-14, SESSIONS, ENDING)

    np.testing.assert_allclose(other.coef_ * 1e-14, one.coef_, rtol=0, atol=1e-8)


BAD_SETTINGS = [
    *({"penalty": v} for v in (-1, "ridge", None, True, np.nan, np.inf, [1], np.array([1.0, 2.0]))),
    *({"session_effect": v} for v in ("spline", None, 3, ["free"])),
    *({"link": v} for v in ("probit", None)),
    *({"pool_below": v} for v in (-1, 2.5, "5", None, True)),
]


@pytest.mark.parametrize("setting", BAD_SETTINGS, ids=str)
def test_unknown_settings_are_refused_at_fit(setting):
    (name,) = setting

    with pytest.raises(FitError, match=rf"^{name}: .*; allowed: "):
        LogisticHazard(**setting).fit(X, SESSIONS, ENDING)


def test_all_bad_settings_are_told_at_once():
    with pytest.raises(FitError) as refused:
        LogisticHazard(penalty=-1, link="probit", session_effect="x", pool_below=-1).fit(X, SESSIONS, ENDING)

    assert [f.where for f in refused.value.faults] == ["session_effect", "link", "penalty", "pool_below"]


@pytest.mark.parametrize("penalty", [np.float64(1.0), np.int64(1), 1])
def test_numbers_of_numpy_are_numbers(penalty):
    h = LogisticHazard(penalty=penalty).fit(X, SESSIONS, ENDING)

    np.testing.assert_allclose(
        h.coef_, LogisticHazard(penalty=1.0).fit(X, SESSIONS, ENDING).coef_, atol=1e-12
    )


@pytest.mark.parametrize("kind", [bool, object, np.uint8, "Int64"])
def test_whole_numbers_of_any_kind_are_outcomes(kind):
    ending = (ENDING > 0).astype(int)
    other = pd.array(ending, dtype=kind) if kind == "Int64" else ending.astype(kind)

    h = LogisticHazard().fit(X, SESSIONS, other)

    np.testing.assert_array_equal(h.coef_, LogisticHazard().fit(X, SESSIONS, ending).coef_)


def test_firth_is_for_the_logit_link():
    with pytest.raises(FitError, match="Firth's penalty is for the logit link; to mend: use a ridge"):
        LogisticHazard(penalty="firth", link="cloglog").fit(X, SESSIONS, ENDING)


@pytest.mark.parametrize(
    ("weights", "message"),
    [
        (np.zeros(60), "weights: all are 0"),
        (replaced(np.ones(60), 4, -1), "weights: 1 of 60 values are not allowed (row 4: -1)"),
        (replaced(np.ones(60), 4, np.nan), "(row 4: nan)"),
        (np.full(60, "a"), "weights: holds values that are not numbers"),
        (np.ones(3), "weights: shape (3,)"),
    ],
)
def test_bad_weights_are_refused(weights, message):
    with pytest.raises(FitError) as refused:
        LogisticHazard().fit(X, SESSIONS, ENDING, weights=weights)

    assert message in str(refused.value)


@pytest.mark.parametrize(
    ("groups", "message"),
    [
        (np.zeros(60), "groups: one group; allowed: at least 2"),
        (np.arange(3), "groups: shape (3,)"),
        ([None, *"ab" * 29, "c"], "groups: 1 labels are missing (row 0)"),
        (replaced(np.arange(60), 5, np.nan), "groups: 1 labels are missing (row 5)"),
    ],
)
def test_bad_groups_are_refused(groups, message):
    with pytest.raises(FitError) as refused:
        LogisticHazard().fit(X, SESSIONS, ENDING, groups=groups)

    assert message in str(refused.value)


@pytest.mark.parametrize("ask", ["predict_hazard", "predict_incidence"])
def test_prediction_before_a_fit_is_refused(ask):
    with pytest.raises(FitError, match="not fitted yet; to mend: call fit first"):
        getattr(LogisticHazard(), ask)(X)


def test_a_summary_before_a_fit_is_refused():
    with pytest.raises(FitError, match="not fitted yet"):
        LogisticHazard().summary()


@pytest.mark.parametrize("horizon", [0, -1, 2.5, "3", True, np.nan])
def test_a_horizon_that_is_no_session_is_refused(horizon):
    h = LogisticHazard().fit(X, SESSIONS, ENDING)

    with pytest.raises(FitError, match=r"^horizon: .*; allowed: a whole number of sessions from 1"):
        h.predict_incidence(X, horizon)


@pytest.mark.parametrize("level", [0, 1, 95, "0.9", True])
def test_a_level_that_is_no_share_is_refused(level):
    h = LogisticHazard().fit(X, SESSIONS, ENDING)

    with pytest.raises(FitError, match=r"^level: .*; allowed: a number between 0 and 1"):
        h.summary(level)


def test_another_number_of_columns_is_refused_at_prediction():
    h = LogisticHazard().fit(X, SESSIONS, ENDING)

    with pytest.raises(FitError, match="X: 1 columns; allowed: 2 as fitted"):
        h.predict_hazard(X[:, :1])


def test_columns_in_another_order_are_refused_at_prediction():
    h = LogisticHazard().fit(pd.DataFrame(X, columns=["size", "depth"]), SESSIONS, ENDING)

    with pytest.raises(FitError, match="X: columns depth, size; allowed: size, depth, in this order"):
        h.predict_hazard(pd.DataFrame(X, columns=["depth", "size"]))


def test_a_missing_value_is_refused_at_prediction():
    h = LogisticHazard().fit(X, SESSIONS, ENDING)

    with pytest.raises(FitError, match="row 7 of x1"):
        h.predict_hazard(replaced(X, (7, 1), np.nan))


def test_no_cases_have_no_predictions():
    h = LogisticHazard().fit(X, SESSIONS, ENDING)

    assert h.predict_incidence(X[:0]).shape == (0, 2, 4)
