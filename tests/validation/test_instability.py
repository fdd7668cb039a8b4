"""Instability of predictions: by hand, by law, and from a bootstrap whose models are known."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from retreat.validation._checked import courses
from retreat.validation.instability import instability
from retreat.validation.schemes.optimism import Question, correct_optimism
from retreat.validation.schemes.resampling import bootstrap_weights


def of(predicted, refitted):
    return instability(np.array(predicted), np.array(refitted), end="relieved", horizon=3)


def test_spread_and_error_of_two_cases_in_five_models_are_as_worked_by_hand():
    found = of([0.5, 0.2], [[0.4, 0.2], [0.5, 0.2], [0.6, 0.2], [0.7, 0.2], [0.8, 0.4]])

    # first: distances 0.1, 0, 0.1, 0.2, 0.3; second: 0, 0, 0, 0, 0.2
    np.testing.assert_allclose(found.error, [0.14, 0.04], rtol=1e-12)
    assert found.mean_error == pytest.approx(0.09, rel=1e-12)
    # 2.5% of the way over four gaps is a tenth of the first, and the same from above
    np.testing.assert_allclose(found.low, [0.41, 0.2], rtol=1e-12)
    np.testing.assert_allclose(found.high, [0.79, 0.38], rtol=1e-12)
    # widths 0.38 and 0.18; 95% of the way from the narrow to the wide
    assert found.widest == pytest.approx(0.37, rel=1e-12)
    assert (found.n_resamples, found.end, found.horizon) == (5, "relieved", 3)
    assert found.predicted.tolist() == [0.5, 0.2]


MODELS = st.integers(1, 8).flatmap(
    lambda cases: st.tuples(
        st.lists(st.floats(0, 1), min_size=cases, max_size=cases),
        st.lists(st.lists(st.floats(0, 1), min_size=cases, max_size=cases), min_size=1, max_size=12),
    )
)


@given(MODELS, st.randoms(use_true_random=False))
def test_the_order_of_models_and_cases_does_not_matter(drawn, random):
    predicted, refitted = map(np.array, drawn)
    models, cases = list(range(len(refitted))), list(range(len(predicted)))
    random.shuffle(models)
    random.shuffle(cases)

    one, other = of(predicted, refitted), of(predicted[cases], refitted[models][:, cases])

    assert other.mean_error == pytest.approx(one.mean_error, abs=1e-12)
    assert other.widest == pytest.approx(one.widest, abs=1e-12)
    np.testing.assert_allclose(other.low, one.low[cases], atol=1e-12)


@given(MODELS)
def test_intervals_lie_among_the_models_and_no_error_exceeds_the_farthest(drawn):
    predicted, refitted = map(np.array, drawn)

    found = of(predicted, refitted)

    assert (refitted.min(axis=0) <= found.low + 1e-12).all()
    assert (found.low <= found.high).all()
    assert (found.high <= refitted.max(axis=0) + 1e-12).all()
    assert (found.error <= np.abs(refitted - predicted).max(axis=0) + 1e-12).all()


def test_models_that_agree_are_stable():
    found = of([0.3, 0.6], [[0.3, 0.6]] * 7)

    assert (found.mean_error, found.widest) == (0.0, 0.0)


def test_models_that_agree_with_each_other_but_not_with_the_whole_are_wrong_and_not_wide():
    found = of([0.3, 0.6], [[0.4, 0.5]] * 7)

    assert found.mean_error == pytest.approx(0.1, rel=1e-12)
    assert found.widest == 0.0


class Shares:
    """Predicts for everyone the weighted share relieved at the first session; samples named in `failing` fail."""

    def __init__(self, relieved, failing=()):
        self.relieved, self.failing = relieved, failing

    def predict(self, weights):
        share = weights @ self.relieved / weights.sum(axis=1)
        shape = (len(weights), len(self.relieved), 1, 1)
        out = np.broadcast_to(share[:, None, None, None], shape).copy()
        failures = {r: "it would not" for r in self.failing if r < len(weights) > 1}
        out[list(failures)] = np.nan
        return out, failures


def test_the_bootstrap_hands_on_the_models_that_could_be_fitted():
    relieved = np.tile([1, 0, 0], 20)
    seen = courses(np.ones(60), relieved, n_ends=1)
    weights = bootstrap_weights(np.arange(60), 12, 1)
    question = Question(seen, ("relieved",), (1,), ("brier_at",))

    found = correct_optimism(Shares(relieved, failing=(2, 5)), question, weights)

    shares = np.delete(weights @ relieved / 60, [2, 5])
    assert found.per_case.shape == (10, 60, 1)
    np.testing.assert_allclose(found.per_case[:, :, 0], np.repeat(shares[:, None], 60, axis=1), rtol=1e-12)
    spread = of(np.full(60, 1 / 3), found.per_case[:, :, 0])
    assert spread.n_resamples == 10
    assert spread.mean_error == pytest.approx(np.abs(shares - 1 / 3).mean(), rel=1e-12)
    assert np.isfinite(spread.widest)
