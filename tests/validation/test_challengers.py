"""What a model is measured against: the share of everyone, the life table, boosted trees, on the same samples."""

from dataclasses import replace

import numpy as np
import pytest
from clinics import clinic

import retreat
from retreat.definitions import read_definition
from retreat.fitting.design import read_data
from retreat.validation import aalen_johansen
from retreat.validation.schemes.challengers import (
    CHALLENGERS,
    BoostedRefits,
    NullRefits,
    challenger,
)
from retreat.validation.schemes.folds import deal_patients, held_out
from retreat.validation.schemes.recipe_refits import RecipeRefits
from retreat.validation.schemes.resampling import bootstrap_weights


def data_of(name="core", *, cases=200):
    return read_data(clinic(cases=cases), read_definition(name))


def samples(data, n=3):
    patient = np.unique(data.patient, return_inverse=True)[1]
    return bootstrap_weights(patient, n, 1)


def test_everyone_alike_is_the_observed_share_of_each_sample_for_every_case():
    data = data_of()
    weights = samples(data)

    found, failures = NullRefits(data, 3).predict(weights)

    assert failures == {}
    assert found.shape == (3, 200, 2, 3)
    for r, weight in enumerate(weights):
        expected = aalen_johansen(data.sessions, data.ending, weights=weight, n_ends=2, horizon=3).incidence
        np.testing.assert_allclose(found[r], np.broadcast_to(expected, (200, 2, 3)), rtol=1e-12)


def test_everyone_alike_is_told_by_hand_and_without_the_cases_held_out():
    # of ten, four relieved and one stopped at session 1, two relieved at session 2, three going on after it
    sessions, ending = np.array([1] * 5 + [2] * 5), np.array([1] * 4 + [2] + [1] * 2 + [0] * 3)
    data = replace(data_of().rows(np.arange(10)), sessions=sessions, ending=ending)

    found = held_out(NullRefits(data, 2), (np.arange(10) != 0).astype(int)[None])

    # without the first: 3 of 9 and 1 of 9 at session 1; then 2 of the 5 who had the second
    np.testing.assert_allclose(
        found.incidence[0, 0], [[3 / 9, 3 / 9 + 5 / 9 * 2 / 5], [1 / 9, 1 / 9]], rtol=1e-12
    )
    # by the first alone all are relieved
    np.testing.assert_allclose(
        found.incidence[0, 1:], np.broadcast_to([[1, 1], [0, 0]], (9, 2, 2)), atol=1e-12
    )


def test_the_life_table_gives_each_kind_what_a_fit_to_the_sample_gives():
    data = data_of()
    refits = challenger("lifetable", data, seed=4, horizon=3)
    kept = np.arange(200) % 3 > 0

    found, failures = refits.predict(kept.astype(float)[None])

    assert isinstance(refits, RecipeRefits)
    assert failures == {}
    cases = clinic(cases=200)
    model = retreat.fit(cases[kept].reset_index(drop=True), "lifetable", seed=4, draws=400)
    np.testing.assert_allclose(found[0], model.expected_of(data.features, horizon=3), rtol=1e-6)
    kinds = {kind: found[0][data.features["opacity"] == kind] for kind in ("ring", "strand", "cloud")}
    for incidence in kinds.values():
        # means over draws are of single precision, 6e-8, and their last bit hangs on the rows beside
        np.testing.assert_allclose(incidence, np.broadcast_to(incidence[0], incidence.shape), rtol=1e-6)
    assert kinds["ring"][0, 0, 0] > kinds["cloud"][0, 0, 0]


def test_boosted_trees_give_incidences_that_rise_and_add_to_less_than_1():
    data = data_of()

    found, failures = BoostedRefits(data, 1, 4).predict(samples(data, 2))

    assert failures == {}
    assert (np.diff(found, axis=-1) >= 0).all()
    assert (found[..., 0] > 0).all()
    assert (found.sum(axis=2) <= 1 + 1e-12).all()
    assert np.ptp(found[0, :, 0, 0]) > 0.1  # they tell eyes apart


def test_boosted_trees_do_not_see_the_outcome_of_cases_held_out():
    data = data_of()
    deal = deal_patients(data.patient, 4, 1)
    out = deal == 2
    altered = replace(data, sessions=np.where(out, 1, data.sessions), ending=np.where(out, 1, data.ending))

    one, other = (
        BoostedRefits(which, 1, 3).predict((~out).astype(float)[None])[0] for which in (data, altered)
    )

    assert (altered.sessions != data.sessions).any()
    np.testing.assert_array_equal(one, other)


def test_boosted_trees_take_a_case_drawn_twice_for_two_cases():
    data = data_of()
    twice = np.where(np.arange(200) < 100, 2.0, 1.0)
    repeated = data.rows(np.concatenate([np.arange(200), np.arange(100)]))

    weighted = BoostedRefits(data, 1, 3).predict(twice[None])[0][0]
    plain = BoostedRefits(repeated, 1, 3).predict(np.ones((1, 300)))[0][0, :200]

    np.testing.assert_allclose(weighted, plain, rtol=1e-9)


def test_a_sample_of_too_few_cases_fails_alone_and_says_why():
    data = data_of()
    weights = np.ones((3, 200))
    weights[1, 8:] = 0.0

    found, failures = BoostedRefits(data, 1, 2).predict(weights)

    assert list(failures) == [1]
    assert "8 complete cases of 8" in failures[1]
    assert np.isnan(found[1]).all()
    assert np.isfinite(found[[0, 2]]).all()


@pytest.mark.parametrize(
    ("definition", "name", "kind"),
    [
        ("core", "null", NullRefits),
        ("core", "lifetable", RecipeRefits),
        ("core", "boosted", BoostedRefits),
        ("core", "frailty", RecipeRefits),
        ("full", "frailty", RecipeRefits),
        ("frailty", "frailty", type(None)),  # it would be measured against itself
        ("lifetable", "frailty", type(None)),
        ("second_session", "frailty", type(None)),
        ("lifetable", "null", NullRefits),
        ("lifetable", "lifetable", type(None)),  # it would be measured against itself
        ("lifetable", "boosted", type(None)),
        ("second_session", "null", NullRefits),
        ("second_session", "lifetable", type(None)),  # the life table is of whole courses
        ("second_session", "boosted", BoostedRefits),
    ],
)
def test_each_definition_is_measured_against_what_has_a_place_beside_it(definition, name, kind):
    found = challenger(name, data_of(definition), seed=1, horizon=1)

    assert type(found) is kind


def test_a_life_table_needs_the_kind_of_opacity():
    data = data_of()
    without = replace(data, features={f: v for f, v in data.features.items() if f != "opacity"})

    assert challenger("lifetable", without, seed=1, horizon=1) is None


def test_frailty_gives_what_a_bayesian_fit_of_its_definition_to_the_sample_gives():
    data = data_of()
    refits = challenger("frailty", data, seed=4, horizon=3)
    kept = np.arange(200) % 3 > 0

    found, failures = refits.predict(kept.astype(float)[None])

    assert failures == {}
    cases = clinic(cases=200)
    model = retreat.fit(cases[kept].reset_index(drop=True), "frailty", method="bayes", seed=4)
    np.testing.assert_allclose(found[0], model.expected_of(data.features, horizon=3), rtol=1e-6)


def test_frailty_needs_the_features_of_its_definition():
    data = data_of()
    without = replace(data, features={f: v for f, v in data.features.items() if f != "depth"})

    assert challenger("frailty", without, seed=1, horizon=1) is None


def test_frailty_stands_beside_a_validated_model_only_where_asked_for():
    asked = retreat.validate(clinic(cases=200), "core", folds=2, challengers=("null", "frailty"))

    assert {row.other for row in asked.comparisons} == {"null", "frailty"}
    assert "frailty" not in CHALLENGERS
