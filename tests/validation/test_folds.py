"""Folds, clusters left out, samples of patients and shared work: what is fitted to what, and the same bits always."""

import sys
from types import SimpleNamespace

import numpy as np
import pytest
from clinics import clinic
from hypothesis import given
from hypothesis import strategies as st

import retreat
from retreat.definitions import read_definition
from retreat.errors import FitError
from retreat.fitting import LogisticHazard
from retreat.fitting.design import read_data
from retreat.validation import recipes
from retreat.validation._checked import courses
from retreat.validation.schemes.array_refits import LogisticRefits
from retreat.validation.schemes.challengers import NullRefits
from retreat.validation.schemes.folds import deal_patients, held_out
from retreat.validation.schemes.optimism import Question, correct_optimism
from retreat.validation.schemes.resampling import CHUNK, bootstrap_weights, chunks, copies, shared

LABELS = st.lists(st.sampled_from("abcdefghijkl"), min_size=2, max_size=40)


class Told:
    """Refits that fit nothing: they keep the samples they were given and predict how many cases each had."""

    def __init__(self, cases, *, fails=lambda weight: False):
        self.cases, self.fails, self.given = cases, fails, []

    def predict(self, weights):
        self.given += list(weights)
        out = np.broadcast_to(
            weights.sum(axis=1)[:, None, None, None], (len(weights), self.cases, 1, 2)
        ).copy()
        failures = {r: "no fit" for r, weight in enumerate(weights) if self.fails(weight)}
        out[list(failures)] = np.nan
        return out, failures


@given(LABELS, st.integers(0, 5), st.data())
def test_all_cases_of_a_patient_are_in_one_fold_and_folds_are_nearly_equal(patients, seed, data):
    n = len(set(patients))
    if n < 2:
        return
    folds = data.draw(st.integers(2, n))

    fold = deal_patients(np.array(patients), folds, seed)

    of_patient = dict(zip(patients, fold.tolist(), strict=True))
    assert [of_patient[p] for p in patients] == fold.tolist()
    sizes = np.bincount(list(of_patient.values()), minlength=folds)
    assert len(sizes) == folds
    assert sizes.min() >= 1
    assert np.ptp(sizes) <= 1


def test_the_deal_hangs_on_the_seed_and_not_on_the_order_of_cases():
    patients = np.random.default_rng(1).integers(0, 50, 80)
    order = np.random.default_rng(2).permutation(80)

    fold = deal_patients(patients, 5, 1)

    np.testing.assert_array_equal(deal_patients(patients[order], 5, 1), fold[order])
    assert (deal_patients(patients, 5, 2) != fold).any()


@pytest.mark.parametrize(
    ("folds", "fix"), [(1, "use more folds"), (0, "use more folds"), (4, "use fewer folds")]
)
def test_folds_that_cannot_be_dealt_are_refused(folds, fix):
    with pytest.raises(
        FitError, match=f"folds: {folds} folds for 3 patients; allowed: 2 to 3; to mend: {fix}"
    ):
        deal_patients(np.array(["a", "b", "c", "a"]), folds, 1)


def test_every_case_is_predicted_by_a_fit_to_all_other_folds_and_none_of_its_own():
    fold = np.array([0, 1, 2, 0, 1, 0])
    refits = Told(6)

    found = held_out(refits, fold[None])

    assert [weight.tolist() for weight in refits.given] == [
        *([0, 1, 1, 0, 1, 0], [1, 0, 1, 1, 0, 1], [1, 1, 0, 1, 1, 1]),
    ]
    # three, four and five cases were fitted to
    assert found.incidence[0, :, 0, 0].tolist() == [3, 4, 5, 3, 4, 3]
    assert (found.n_fits, found.failures) == (3, ())


def test_each_deal_is_fitted_on_its_own():
    deals = np.array([[0, 0, 1, 1, 1], [0, 1, 0, 1, 2]])

    found = held_out(Told(5), deals)

    assert found.incidence[:, :, 0, 0].tolist() == [[3, 3, 2, 2, 2], [3, 3, 3, 3, 4]]
    assert found.n_fits == 5


def test_a_case_of_no_fold_is_in_every_fit_and_not_predicted():
    refits = Told(4)

    found = held_out(refits, np.array([[-1, 0, 1, 1]]))

    assert all(weight[0] == 1 for weight in refits.given)
    assert np.isnan(found.incidence[0, :, 0, 0]).tolist() == [True, False, False, False]


def test_a_fold_that_could_not_be_fitted_leaves_its_cases_without_a_number_and_says_so():
    # the fit without case 2 fails
    found = held_out(Told(4, fails=lambda w: w[2] == 0), np.array([[0, 0, 1, 1]]), what="site")

    assert found.failures == ("site 2 of 2: no fit",)
    assert np.isnan(found.incidence[0, :, 0, 0]).tolist() == [False, False, True, True]


def test_a_failure_among_several_deals_names_the_deal():
    deals = np.array([[0, 0, 1, 1], [0, 1, 1, 1]])

    found = held_out(Told(4, fails=lambda w: w.sum() == 1), deals)

    assert found.failures == ("fold 2 of 2 of deal 2: no fit",)


def test_progress_is_told_after_each_fit():
    steps = []

    held_out(Told(6), np.array([[0, 1, 2, 0, 1, 2]]), progress=lambda done, of: steps.append((done, of)))

    assert steps == [(1, 3), (2, 3), (3, 3)]


@given(st.lists(st.integers(0, 6), min_size=1, max_size=30), st.integers(0, 4))
def test_a_sample_has_as_many_patients_as_there_are_and_all_cases_of_each_alike(codes, seed):
    group = np.unique(codes, return_inverse=True)[1]

    weights = bootstrap_weights(group, 5, seed)

    assert weights.shape == (5, len(group))
    for weight in weights:
        of_patient = [set(weight[group == g]) for g in range(group.max() + 1)]
        assert all(len(found) == 1 for found in of_patient)
        assert sum(found.pop() for found in of_patient) == group.max() + 1
    np.testing.assert_array_equal(weights, bootstrap_weights(group, 5, seed))


def test_patients_are_drawn_with_replacement_and_equal_chances():
    weights = bootstrap_weights(np.arange(10), 20_000, 1)

    # counts of a draw of 10 of 10: mean 1, variance 0.9, not drawn 0.9^10; four standard errors of 20,000 draws
    np.testing.assert_allclose(weights.mean(axis=0), 1.0, atol=4 * np.sqrt(0.9 / 20_000))
    missed = 0.9**10
    np.testing.assert_allclose(
        (weights == 0).mean(axis=0), missed, atol=4 * np.sqrt(missed * (1 - missed) / 20_000)
    )
    # two patients take places from each other: covariance -1/10
    assert np.cov(weights[:, 0], weights[:, 1])[0, 1] == pytest.approx(-0.1, abs=0.03)


def test_another_seed_gives_other_samples():
    one, other = (bootstrap_weights(np.arange(30), 4, seed) for seed in (1, 2))

    assert (one != other).any(axis=1).all()


@given(st.lists(st.integers(0, 4), min_size=1, max_size=20).filter(any))
def test_copies_are_the_rows_of_a_sample_each_with_a_number_of_its_own(weight):
    rows, number = copies(np.array(weight, dtype=float))

    assert np.bincount(rows, minlength=len(weight)).tolist() == weight
    for row in set(rows.tolist()):
        assert sorted(number[rows == row].tolist()) == list(range(weight[row]))


@pytest.mark.parametrize(("n", "sizes"), [(1, [1]), (32, [32]), (33, [32, 1]), (70, [32, 32, 6])])
def test_samples_are_cut_into_tasks_of_one_size_in_their_order(n, sizes):
    weights = np.arange(n * 2.0).reshape(n, 2)

    found = chunks(weights, 32)

    assert [len(part) for part in found] == sizes
    np.testing.assert_array_equal(np.concatenate(found), weights)


@pytest.mark.parametrize("jobs", [1, 2])
def test_results_come_in_the_order_of_their_tasks(jobs):
    def work(task):
        from time import sleep

        sleep(0.05 if task == 0 else 0.0)  # the first is the last to be ready
        return task**2

    steps = []

    found = shared(work, range(6), jobs=jobs, progress=lambda done, of: steps.append((done, of)))

    assert found == [0, 1, 4, 9, 16, 25]
    assert steps == [(k, 6) for k in range(1, 7)]


@pytest.mark.parametrize("jobs", [1, 2])
def test_an_error_of_a_task_arrives_whole(jobs):
    def work(task):
        from retreat.errors import Fault, FitError

        raise FitError([Fault("cases", f"task {task}"), Fault("cases", "and more")])

    with pytest.raises(FitError) as caught:
        shared(work, [7], jobs=jobs)

    assert [fault.what for fault in caught.value.faults] == ["task 7", "and more"]


def test_products_of_matrices_have_the_same_bits_in_two_processes():
    def work(seed):
        import numpy as np

        a = np.random.default_rng(seed).normal(size=(300, 300))
        return np.linalg.solve(a, a @ a.T)

    one, two = (shared(work, range(4), jobs=jobs) for jobs in (1, 2))

    for a, b in zip(one, two, strict=True):
        np.testing.assert_array_equal(a, b)


def test_samples_are_those_of_one_draw_of_all():
    group = np.array([0, 0, 1, 2, 2, 2, 3])

    weights = bootstrap_weights(group, 150, 7)

    chosen = np.random.default_rng(7).integers(0, 4, size=(150, 4))
    expected = (chosen[:, :, None] == group).sum(axis=1)
    np.testing.assert_array_equal(weights, expected)
    assert weights.flags.c_contiguous


def trial(n=150, seed=1):
    """Invented courses of one end with two columns."""
    rng = np.random.default_rng(seed)
    X = rng.normal(size=(n, 2))
    sessions = np.minimum(rng.geometric(1 / (1 + np.exp(0.5 - X[:, 0]))), 4)
    return X, sessions, np.where(rng.random(n) < 0.9, 1, 0)


def test_the_bootstrap_has_the_same_bits_with_one_process_and_two():
    X, sessions, ending = trial()
    refits = LogisticRefits(LogisticHazard(penalty=1.0), X, sessions, ending, 1, 3)
    question = Question(courses(sessions, ending), ("relieved",), (1, 3), ("slope", "brier_at"))
    weights = bootstrap_weights(np.arange(150), CHUNK + 8, 1)  # more than one task

    one, two = (correct_optimism(refits, question, weights, jobs=jobs) for jobs in (1, 2))

    assert one.values == two.values
    assert all(np.isfinite(value.corrected) for value in one.values.values())
    np.testing.assert_array_equal(one.per_case, two.per_case)


def test_held_out_predictions_have_the_same_bits_with_one_process_and_two():
    data = read_data(clinic(cases=100), read_definition("core"))
    deal = deal_patients(data.patient, 5, 1)[None]

    one, two = (held_out(NullRefits(data, 3), deal, jobs=jobs) for jobs in (1, 2))

    np.testing.assert_array_equal(one.incidence, two.incidence)
    assert np.isfinite(one.incidence).all()


def test_a_cluster_without_its_library_is_told_in_words(monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)

    with pytest.raises(FitError, match="cluster: Dask is not installed; to mend: pip install"):
        shared(abs, [1], cluster="tcp://127.0.0.1:1")


@pytest.mark.parametrize("error", [OSError("timed out"), ValueError("no such scheme")])
def test_a_cluster_that_is_not_there_is_told_in_words(monkeypatch, error):
    def client(address, timeout):
        raise error

    monkeypatch.setitem(sys.modules, "distributed", SimpleNamespace(Client=client))

    with pytest.raises(FitError, match=rf"cluster: 'tcp://127.0.0.1:1' cannot be reached \({error}\)"):
        shared(abs, [1], cluster="tcp://127.0.0.1:1")


def a_question(n):
    seen = courses(np.ones(n), np.arange(n) % 2, n_ends=1)
    return Question(seen, ("relieved",), (1,), ("brier_at",))


class Constant(Told):
    """The same with predictions that are probabilities."""

    def predict(self, weights):
        out, failures = super().predict(weights)
        return np.where(np.isnan(out), out, 0.4), failures


def test_a_recipe_that_fails_on_every_resample_is_refused_with_the_first_reasons():
    refits = Constant(20, fails=lambda weight: weight.max() > 1)

    with pytest.raises(FitError) as caught:
        correct_optimism(refits, a_question(20), bootstrap_weights(np.arange(20), 40, 1))

    assert [fault.what for fault in caught.value.faults] == [f"resample {r}: no fit" for r in range(1, 11)]


def test_a_recipe_that_fails_on_the_whole_table_is_refused_before_any_resample():
    refits = Constant(20, fails=lambda weight: weight.max() == 1)

    with pytest.raises(FitError, match="cases: no fit; to mend: mend this first"):
        correct_optimism(refits, a_question(20), bootstrap_weights(np.arange(20), 40, 1))

    assert len(refits.given) == 1


def test_resamples_that_failed_are_counted_from_1_over_all_tasks():
    weights = bootstrap_weights(np.arange(20), CHUNK + 5, 1)
    bad = {weights[r].tobytes() for r in (0, 3, CHUNK + 2)}
    assert len(bad) == 3

    found = correct_optimism(
        Constant(20, fails=lambda weight: weight.tobytes() in bad), a_question(20), weights
    )

    assert found.failures == ("resample 1: no fit", "resample 4: no fit", f"resample {CHUNK + 3}: no fit")
    assert found.values["brier_at", 1, "relieved"].n_failed == 3
    assert len(found.per_case) == CHUNK + 2


def test_a_validation_of_which_no_fold_could_be_fitted_is_refused(monkeypatch):
    class Failing(Told):
        def __init__(self, data, *rest):
            super().__init__(len(data.sessions), fails=lambda weight: weight.min() == 0)

    monkeypatch.setattr(recipes, "RecipeRefits", Failing)

    with pytest.raises(FitError) as caught:
        retreat.validate(clinic(cases=100), folds=4, at=(), challengers=())

    assert [fault.what for fault in caught.value.faults] == [f"fold {k} of 4: no fit" for k in range(1, 5)]
