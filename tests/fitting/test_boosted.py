"""The challenger learns what trees can, gives counts where counts are the answer, and is beaten by a true law."""

import subprocess
import sys
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from clinics import clinic
from hypothesis import given, settings
from hypothesis import strategies as st
from simulated_courses import draw

from retreat import hazard
from retreat.definitions import read_definition
from retreat.errors import ExtrapolationWarning, FitError
from retreat.fitting import LogisticHazard
from retreat.fitting.boosted import BoostedHazard, boosted_incidence
from retreat.fitting.design import design
from retreat.validation import log_score

D = draw(1, n=120, columns=2)
NO_COLUMNS = np.zeros((1, 0))


def replaced(values, at, new):
    out = np.array(values, dtype=float)
    out[at] = new
    return out


def score(model, X, sessions, ending):
    return log_score(hazard.pmf(model.predict_hazard(X, 4)), sessions, ending)


def interacting(seed, n):
    """One end, four sessions, nobody lost: the first column helps or harms by the sign of the second."""
    rng = np.random.default_rng(seed)
    X = rng.normal(size=(n, 3))
    chance = 1 / (1 + np.exp(1 - 1.5 * X[:, 0] * np.sign(X[:, 1])))
    sessions = rng.geometric(chance)
    return X, np.minimum(sessions, 4), (sessions <= 4).astype(int)


@cache
def core():
    return design(clinic(), read_definition("core"))


def thorough(**other):
    """Settings that hold nothing back."""
    return BoostedHazard(learning_rate=0.5, max_iter=200, min_samples_leaf=1, l2_regularization=0, **other)


def test_without_columns_and_restraint_hazards_are_counts_ended_over_at_risk():
    # at risk 10, 6, 2; relieved 3, 1, 1; stopped 0, 2, 1; one case lost after session 1 and one after session 2
    sessions = np.array([1, 1, 1, 1, 2, 2, 2, 2, 3, 3])
    ending = np.array([1, 1, 1, 0, 1, 2, 2, 0, 1, 2])

    found = thorough().fit(np.zeros((10, 0)), sessions, ending).predict_hazard(NO_COLUMNS)

    np.testing.assert_allclose(found, [[[3 / 10, 1 / 6, 1 / 2], [0, 2 / 6, 1 / 2]]], atol=2e-3)


def test_without_restraint_a_column_splits_the_counts():
    # kind 0: 8 of 10 end at session 1; kind 1: 2 of 10; all others are lost after it
    kind = np.repeat([0.0, 1.0], 10)
    ending = np.repeat([1, 0, 1, 0], [8, 2, 2, 8])

    found = thorough().fit(kind[:, None], np.ones(20), ending).predict_hazard([[0.0], [1.0]])

    np.testing.assert_allclose(found[:, 0, 0], [0.8, 0.2], atol=1e-3)


def test_incidence_is_what_the_hazards_make():
    made = BoostedHazard().fit(D.X, *D.outcome)

    h, F = made.predict_hazard(D.X, 2), made.predict_incidence(D.X, 2)

    assert h.shape == F.shape == (120, 2, 2)
    going_on = 1 - h[:, :, 0].sum(axis=1)
    np.testing.assert_allclose(F[:, :, 1], h[:, :, 0] + going_on[:, None] * h[:, :, 1], atol=1e-12)


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10_000), n=st.integers(5, 80), ends=st.integers(1, 3))
def test_hazards_add_to_at_most_one_and_incidence_never_falls(seed, n, ends):
    d = draw(seed, n=n, ends=ends)
    made = thorough().fit(d.X, d.sessions, replaced(d.ending, 0, ends))  # the last end is seen
    fresh = np.random.default_rng(seed).normal(scale=5, size=(20, 3))

    h, F = made.predict_hazard(fresh), made.predict_incidence(fresh)

    assert h.shape == F.shape == (20, ends, d.sessions.max())
    assert h.min() >= 0
    assert h.sum(axis=1).max() <= 1 + 1e-12
    assert np.diff(F, axis=2, prepend=0).min() >= 0
    assert F.sum(axis=1).max() <= 1 + 1e-12


def test_an_end_never_seen_has_hazard_nothing_and_keeps_its_place():
    ending = np.where(D.ending == 1, 0, D.ending)  # only the second end was seen

    found = BoostedHazard().fit(D.X, D.sessions, ending, n_ends=3).predict_hazard(D.X)

    assert found.shape == (120, 3, 4)
    assert not found[:, [0, 2]].any()
    assert (found[:, 1] > 0).all()


def test_where_nobody_went_on_the_hazards_add_to_one():
    ending = np.arange(120) % 3 + 1

    found = BoostedHazard().fit(D.X, np.ones(120), ending).predict_hazard(D.X)

    assert found.shape == (120, 3, 1)
    np.testing.assert_allclose(found.sum(axis=1), 1, atol=1e-12)


def test_one_kind_of_outcome_is_certain():
    found = BoostedHazard().fit(D.X, np.ones(120), np.full(120, 2)).predict_hazard(D.X[:2])

    np.testing.assert_array_equal(found, [[[0], [1]]] * 2)


def test_the_last_hazard_is_carried_on_and_said():
    made = BoostedHazard().fit(D.X, *D.outcome)

    with pytest.warns(ExtrapolationWarning, match=r"sessions 5 to 7 .* largest session seen \(4\)"):
        found = made.predict_hazard(D.X, 7)

    np.testing.assert_array_equal(found[..., 4:], np.repeat(found[..., 3:4], 3, axis=2))
    np.testing.assert_array_equal(found[..., :4], made.predict_hazard(D.X))


def test_the_same_seed_gives_the_same_bytes():
    one, other = (BoostedHazard(random_state=7).fit(D.X, *D.outcome).predict_hazard(D.X) for _ in range(2))

    np.testing.assert_array_equal(one, other)


def test_no_rows_are_held_out_however_many_there_are():
    """Early stopping left to itself begins at 10,000 rows, with a sample by the seed."""
    d = draw(5, n=8000)
    assert d.sessions.sum() > 10_000

    one, other = (
        BoostedHazard(max_iter=3, random_state=seed).fit(d.X, *d.outcome).predict_hazard(d.X[:50])
        for seed in (1, 2**40)
    )

    np.testing.assert_array_equal(one, other)


def test_the_order_of_cases_changes_no_byte():
    """A column and its mirror offer equal splits: the last bit of a sum over cases would decide between them."""
    d = draw(4, n=500, columns=2)
    X = np.column_stack([replaced(d.X, (slice(0, 30), 0), np.nan), -d.X[:, 1]])
    order = np.random.default_rng(2).permutation(500)
    apart = np.random.default_rng(3).normal(size=(200, 3))  # here the mirror is none

    one = BoostedHazard().fit(X, *d.outcome)
    other = BoostedHazard().fit(X[order], d.sessions[order], d.ending[order])

    np.testing.assert_array_equal(one.predict_hazard(apart), other.predict_hazard(apart))


def test_an_interaction_is_learned_that_main_effects_miss():
    X, sessions, ending = interacting(11, 1000)
    fresh = interacting(12, 3000)

    boosted = score(BoostedHazard().fit(X, sessions, ending), *fresh)

    logistic = score(LogisticHazard().fit(X, sessions, ending), *fresh)
    assert boosted < logistic - 0.1


def test_the_true_law_beats_it_where_effects_add_up_and_cases_are_few():
    gap = []
    for seed in range(8):
        d = draw(seed, n=3150)
        seen, fresh = slice(0, 150), slice(150, None)
        boosted, logistic = (
            score(
                made.fit(d.X[seen], d.sessions[seen], d.ending[seen]),
                d.X[fresh],
                d.sessions[fresh],
                d.ending[fresh],
            )
            for made in (BoostedHazard(), LogisticHazard(session_effect="smooth"))
        )
        gap.append(boosted - logistic)

    assert np.mean(gap) > 2 * np.std(gap, ddof=1) / np.sqrt(8)


def test_with_few_cases_it_still_beats_knowing_nothing_of_the_case():
    """A challenger too weak to learn would make any model look good."""
    gap = []
    for seed in range(8):
        d = draw(seed, n=3400)
        seen, fresh = slice(0, 400), slice(400, None)
        none = np.zeros((3400, 0))
        boosted, table = (
            score(
                made.fit(X[seen], d.sessions[seen], d.ending[seen]),
                X[fresh],
                d.sessions[fresh],
                d.ending[fresh],
            )
            for made, X in ((BoostedHazard(), d.X), (LogisticHazard(session_effect="smooth"), none))
        )
        gap.append(table - boosted)

    assert np.mean(gap) > 2 * np.std(gap, ddof=1) / np.sqrt(8)


def test_being_missing_can_tell_of_the_end():
    # 18 of the 20 cases without a value end, 2 of the 20 with one
    X = np.where(np.arange(40) < 20, np.nan, np.arange(40.0))[:, None]
    ending = np.repeat([1, 0, 1, 0], [18, 2, 2, 18])

    found = thorough(max_leaf_nodes=2).fit(X, np.ones(40), ending).predict_hazard([[np.nan], [25.0]])

    assert found[0, 0, 0] > 0.8
    assert found[1, 0, 0] < 0.2


def test_a_column_without_a_value_changes_nothing():
    X = np.column_stack([np.full(120, np.nan), D.X])
    made = BoostedHazard().fit(X, *D.outcome)

    found = made.predict_hazard(replaced(X, (slice(None), 0), 3.0))

    np.testing.assert_array_equal(found, BoostedHazard().fit(D.X, *D.outcome).predict_hazard(D.X))


def test_no_cases_have_no_predictions():
    made = BoostedHazard().fit(D.X, *D.outcome)

    assert made.predict_incidence(D.X[:0]).shape == (0, 2, 4)


def test_fit_returns_itself_and_changes_no_input():
    given_arrays = [values.copy() for values in (D.X, *D.outcome)]
    for values in given_arrays:
        values.setflags(write=False)
    made = BoostedHazard()

    assert made.fit(*given_arrays) is made


def test_a_second_fit_forgets_the_first():
    other = draw(2, n=80, ends=1, columns=3, last=3)

    twice = BoostedHazard().fit(D.X, *D.outcome).fit(other.X, *other.outcome)

    once = BoostedHazard().fit(other.X, *other.outcome)
    np.testing.assert_array_equal(twice.predict_hazard(other.X), once.predict_hazard(other.X))


BAD_DATA = {
    "no cases": (np.empty((0, 2)), [], [], "sessions: no cases"),
    "session nothing": (D.X, D.sessions * 0, D.ending, "sessions: 120 of 120 values are not allowed"),
    "half sessions": (D.X, D.sessions + 0.5, D.ending, "allowed: whole numbers from 1 to 999"),
    "a code for unknown": (D.X, D.sessions, replaced(D.ending, 2, 99), "(row 2: 99)"),
    "fewer endings": (D.X, D.sessions, D.ending[:-1], "shapes (120,) and (119,)"),
    "fewer rows": (D.X[:-1], *D.outcome, "X: 119 rows; allowed: 120, one for each of sessions"),
    "one axis": (D.X[:, 0], *D.outcome, "X: 1 dimensions; allowed: 2"),
    "words": (D.X.astype(str), *D.outcome, "X: holds values that are not numbers"),
    "complex numbers": (D.X * 1j, *D.outcome, "X: holds values that are not numbers"),
    "an infinite value": (replaced(D.X, (7, 1), np.inf), *D.outcome, "(row 7 of column 1)"),
    "nobody ended": (D.X, D.sessions, D.ending * 0, "ending: no case has ended"),
}


@pytest.mark.parametrize("name", BAD_DATA)
def test_bad_data_are_refused(name):
    *data, message = BAD_DATA[name]

    with pytest.raises(FitError) as refused:
        BoostedHazard().fit(*data)

    assert message in str(refused.value)


@pytest.mark.parametrize(
    "setting",
    [
        *({"learning_rate": v} for v in (0, 1.5, "fast", True, np.nan)),
        *({"max_iter": v} for v in (0, 2.5, None)),
        {"max_leaf_nodes": 1},
        {"min_samples_leaf": 0},
        {"l2_regularization": -1},
        *({"random_state": v} for v in (-1, None, 0.5)),
    ],
    ids=str,
)
def test_settings_out_of_range_are_refused(setting):
    (name,) = setting

    with pytest.raises(FitError, match=rf"^{name}: .*; allowed: "):
        BoostedHazard(**setting).fit(D.X, *D.outcome)


@pytest.mark.parametrize("n_ends", [1, 2.0, True])
def test_ends_that_do_not_hold_those_seen_are_refused(n_ends):
    with pytest.raises(FitError, match=r"^n_ends: .*; allowed: a whole number from 2"):
        BoostedHazard().fit(D.X, *D.outcome, n_ends=n_ends)


def test_prediction_before_a_fit_is_refused():
    with pytest.raises(FitError, match="BoostedHazard: not fitted yet; to mend: call fit first"):
        BoostedHazard().predict_incidence(D.X)


def test_another_number_of_columns_is_refused_at_prediction():
    made = BoostedHazard().fit(D.X, *D.outcome)

    with pytest.raises(FitError, match="X: 1 columns; allowed: 2 as fitted"):
        made.predict_hazard(D.X[:, :1])


@pytest.mark.parametrize("horizon", [0, 2.5, True])
def test_a_horizon_that_is_no_session_is_refused(horizon):
    made = BoostedHazard().fit(D.X, *D.outcome)

    with pytest.raises(FitError, match=r"^horizon: .*; allowed: a whole number of sessions from 1"):
        made.predict_hazard(D.X, horizon)


def test_a_design_is_fitted_as_its_arrays():
    train = core()
    last = int(train.sessions.max())

    found = boosted_incidence(train, train.X[:9], 2, seed=3)

    made = BoostedHazard(random_state=3).fit(train.X, train.sessions, train.ending)
    assert last >= 2
    np.testing.assert_array_equal(found, made.predict_incidence(train.X[:9], 2))


def test_a_design_is_carried_past_its_last_session_without_a_warning():
    train = core()
    last = int(train.sessions.max())

    found = boosted_incidence(train, train.X[:9], last + 3, seed=3)

    h = hazard.hazards_of_incidence(found)
    assert found.shape == (9, train.n_ends, last + 3)
    np.testing.assert_allclose(h[..., last:], np.repeat(h[..., last - 1 : last], 3, axis=2), atol=1e-9)


def test_an_end_that_a_design_never_had_keeps_its_place():
    train = core()
    without = replace(train, ending=np.where(train.ending == train.n_ends, 0, train.ending))

    found = boosted_incidence(without, train.X[:9], 3, seed=3)

    assert found.shape == (9, train.n_ends, 3)
    assert not found[:, -1].any()
    assert (found[:, 0] > 0).all()


def test_importing_it_loads_neither_scikit_learn_nor_pandas():
    code = "import sys, retreat.fitting.boosted; print(sorted({'sklearn', 'scipy', 'pandas'} & set(sys.modules)))"

    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

    assert run.stdout.strip() == "[]"
