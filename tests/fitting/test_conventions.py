"""Every estimator of `retreat.fitting` keeps scikit-learn's conventions, apart from the outcome.

The outcome is two vectors, `sessions` and `ending`, so that `fit(X, y)` and with it most of
`sklearn.utils.estimator_checks` cannot run. Those that do not fit are run here as they are; what the others ask
(fit returns self, changes no input and no setting, forgets an earlier fit, refuses bad input by an error of its
own, takes a data frame) is asked below of each name in `retreat.fitting.__all__`.
"""

import inspect
import pickle

import numpy as np
import pandas as pd
import pytest
from simulated_courses import draw
from sklearn.base import BaseEstimator, clone
from sklearn.utils import estimator_checks

import retreat.fitting
from retreat.errors import FitError

ESTIMATORS = {name: getattr(retreat.fitting, name) for name in retreat.fitting.__all__}
EVERY = pytest.mark.parametrize("estimator", ESTIMATORS.values(), ids=ESTIMATORS)
# the checks of scikit-learn that never call fit, in the order of its source
WITHOUT_FIT = [
    "check_estimator_cloneable",
    "check_estimator_repr",
    "check_no_attributes_set_in_init",
    "check_get_params_invariance",
    "check_set_params",
    "check_parameters_default_constructible",
    "check_valid_tag_types",
]


def fitted_state(estimator):
    return {name: value for name, value in vars(estimator).items() if name.endswith("_")}


def assert_same_state(one, other):
    assert one.keys() == other.keys()
    for name, value in one.items():
        np.testing.assert_array_equal(value, other[name], err_msg=name)


@EVERY
@pytest.mark.parametrize("check", WITHOUT_FIT)
def test_scikit_learn_checks_that_need_no_outcome(estimator, check):
    getattr(estimator_checks, check)(estimator.__name__, estimator())


@EVERY
def test_an_estimator_is_one_of_scikit_learn(estimator):
    assert issubclass(estimator, BaseEstimator)


@EVERY
def test_settings_are_keywords_and_kept_as_given(estimator):
    parameters = inspect.signature(estimator.__init__).parameters
    marks = {name: object() for name in parameters if name != "self"}

    made = estimator(**marks)

    assert all(p.kind is inspect.Parameter.KEYWORD_ONLY for n, p in parameters.items() if n != "self")
    assert all(getattr(made, name) is mark for name, mark in marks.items())
    assert len(marks) <= 8


@EVERY
def test_fit_takes_two_vectors_and_keywords_after_them(estimator):
    parameters = list(inspect.signature(estimator.fit).parameters.values())

    assert [p.name for p in parameters[:4]] == ["self", "X", "sessions", "ending"]
    assert all(p.kind is inspect.Parameter.KEYWORD_ONLY for p in parameters[4:])


@EVERY
def test_fit_returns_itself(estimator):
    d = draw(1)
    made = estimator()

    assert made.fit(d.X, *d.outcome) is made


@EVERY
def test_fit_changes_neither_input_nor_settings(estimator):
    d = draw(1)
    given = [values.copy() for values in (d.X, *d.outcome)]
    for values in given:
        values.setflags(write=False)
    made = estimator()
    before = made.get_params()

    made.fit(*given)

    assert made.get_params() == before
    for values, original in zip(given, (d.X, *d.outcome), strict=True):
        np.testing.assert_array_equal(values, original)


@EVERY
def test_a_second_fit_forgets_the_first(estimator):
    first, second = draw(1, columns=2), draw(2, ends=1, columns=3)
    keywords = inspect.signature(estimator.fit).parameters
    extra = {"groups": np.arange(300) // 2} if "groups" in keywords else {}

    twice = estimator().fit(first.X, *first.outcome, **extra).fit(second.X, *second.outcome)

    assert_same_state(fitted_state(twice), fitted_state(estimator().fit(second.X, *second.outcome)))


@EVERY
def test_the_same_fit_twice_gives_the_same_bytes(estimator):
    d = draw(3)

    one, other = (estimator().fit(d.X, *d.outcome) for _ in range(2))

    assert_same_state(fitted_state(one), fitted_state(other))


@EVERY
def test_a_clone_is_not_fitted(estimator):
    d = draw(1)

    copy = clone(estimator().fit(d.X, *d.outcome))

    assert not fitted_state(copy)
    with pytest.raises(FitError, match="not fitted"):
        copy.predict_hazard(d.X)


@EVERY
def test_a_fit_keeps_no_row(estimator):
    d = draw(1, n=287)

    made = estimator().fit(d.X, *d.outcome)

    assert all(287 not in np.shape(value) for value in vars(made).values())


@EVERY
def test_a_fitted_estimator_can_be_copied_to_another_process(estimator):
    d = draw(1)
    made = estimator().fit(d.X, *d.outcome)

    copy = pickle.loads(pickle.dumps(made))

    np.testing.assert_array_equal(copy.predict_incidence(d.X), made.predict_incidence(d.X))


@EVERY
def test_a_data_frame_is_a_matrix_with_names(estimator):
    d = draw(1)
    frame = pd.DataFrame(d.X, columns=["a", "b", "c"])

    made = estimator().fit(frame, pd.Series(d.sessions), pd.Series(d.ending))

    plain = estimator().fit(d.X, *d.outcome)
    assert made.n_features_in_ == 3
    np.testing.assert_array_equal(made.predict_incidence(frame), plain.predict_incidence(d.X))


@EVERY
@pytest.mark.parametrize(
    "layout", [np.asfortranarray, lambda X: np.repeat(X, 2, axis=0)[::2], lambda X: X.astype(object)]
)
def test_the_layout_of_memory_does_not_matter(estimator, layout):
    d = draw(1)

    one, other = estimator().fit(d.X, *d.outcome), estimator().fit(layout(d.X), *d.outcome)

    np.testing.assert_allclose(one.predict_incidence(d.X), other.predict_incidence(d.X), rtol=0, atol=1e-12)


@EVERY
def test_predictions_of_one_case_do_not_depend_on_the_others(estimator):
    d = draw(1)
    made = estimator().fit(d.X, *d.outcome)

    together = made.predict_incidence(d.X[:20])
    alone = np.concatenate([made.predict_incidence(row[None]) for row in d.X[:20]])

    np.testing.assert_allclose(alone, together, rtol=0, atol=1e-12)


@EVERY
def test_hazards_and_incidences_have_cases_ends_and_sessions(estimator):
    d = draw(1)
    made = estimator().fit(d.X, *d.outcome)

    assert made.predict_hazard(d.X).shape == (300, 2, 4)
    assert made.predict_incidence(d.X, 2).shape == (300, 2, 2)
    np.testing.assert_allclose(
        made.predict_incidence(d.X)[..., 0], made.predict_hazard(d.X)[..., 0], atol=1e-15
    )


@EVERY
def test_a_refused_second_fit_is_an_error_and_not_a_mixture(estimator):
    d = draw(1)
    made = estimator().fit(d.X, *d.outcome)
    before = fitted_state(made)

    with pytest.raises(FitError):
        made.fit(d.X, d.sessions, d.ending * 0)

    assert_same_state(fitted_state(made), before)


@EVERY
def test_the_class_and_its_public_methods_are_documented(estimator):
    public = [m for name, m in inspect.getmembers(estimator, inspect.isfunction) if not name.startswith("_")]
    own = [m for m in public if m.__module__.startswith("retreat.")]

    assert own
    assert all(inspect.getdoc(m) for m in (estimator, *own))
