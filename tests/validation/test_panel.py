"""The batched measures are the single ones, prediction by prediction and sample by sample."""

import numpy as np
import pytest

from retreat import validation
from retreat.validation._checked import courses
from retreat.validation.panel import AT, NAMES, evaluate
from retreat.validation.samples import Samples

ENDS = ("relieved", "stopped")
HORIZONS = (1, 2, 3)
N, B = 300, 8


@pytest.fixture(scope="module")
def data():
    """Courses with losses, predictions that rise over sessions with many ties, whole weights with zeros."""
    rng = np.random.default_rng(3)
    sessions, ending = rng.integers(1, 6, N), rng.integers(0, 3, N)
    steps = rng.uniform(0.01, 0.3, (B, N, 2, 4))
    incidence = np.round(0.4 * steps.cumsum(axis=-1), 2)
    weights = rng.multinomial(N, np.full(N, 1 / N), size=B).astype(float)
    return sessions, ending, incidence, weights


@pytest.fixture(scope="module")
def panel(data):
    sessions, ending, incidence, weights = data
    samples = Samples(courses(sessions, ending, None, n_ends=2), weights)
    return evaluate(incidence, samples, ends=ENDS, horizons=HORIZONS)


def single(data, r, j, h):
    """The measures of one prediction on one sample by the public functions."""
    sessions, ending, incidence, weights = data
    p = incidence[r, :, j, h - 1]
    kept = weights[r] > 0
    arguments = (p[kept], sessions[kept], ending[kept])
    keywords = {"end": j + 1, "horizon": h, "weights": weights[r][kept]}
    found = validation.calibration_at(*arguments, **keywords)
    values = {name: getattr(found, name) for name in AT if hasattr(found, name)}
    for name in ("brier_at", "scaled_brier_at", "concordance_at"):
        values[name] = getattr(validation, name)(*arguments, **keywords)
    return values


@pytest.mark.parametrize("r", [0, 3, B - 1])
@pytest.mark.parametrize("j", [0, 1])
@pytest.mark.parametrize("h", HORIZONS)
def test_every_measure_at_a_session_is_the_single_one(data, panel, r, j, h):
    expected = single(data, r, j, h)

    assert set(expected) == set(AT)
    for name, value in expected.items():
        assert panel[name, h, ENDS[j]][r] == pytest.approx(value, abs=1e-9, nan_ok=True), name


@pytest.mark.parametrize("r", range(B))
def test_measures_of_the_whole_course_are_the_single_ones(data, panel, r):
    sessions, ending, incidence, weights = data
    kept = weights[r] > 0
    seen = {"weights": weights[r][kept]}
    until = incidence[r][kept][:, :, :3]
    pmf = np.diff(until, axis=-1, prepend=0.0)

    assert panel["log_score", 3, ""][r] == pytest.approx(
        validation.log_score(pmf, sessions[kept], ending[kept], **seen), abs=1e-12
    )
    assert panel["rps", 3, ""][r] == pytest.approx(
        validation.rps(until, sessions[kept], ending[kept], **seen), abs=1e-12
    )
    for j, end in enumerate(ENDS):
        assert panel["integrated_brier", 3, end][r] == pytest.approx(
            validation.integrated_brier(until, sessions[kept], ending[kept], end=j + 1, **seen), abs=1e-12
        )


def test_one_sample_meets_many_predictions_and_the_other_way_round(data):
    sessions, ending, incidence, weights = data
    seen = courses(sessions, ending, None, n_ends=2)
    one = np.ones((1, N))

    many = evaluate(incidence, Samples(seen, one), ends=ENDS, horizons=HORIZONS)
    turned = evaluate(incidence[:1], Samples(seen, weights), ends=ENDS, horizons=HORIZONS)

    for r in (0, B - 1):
        alone = evaluate(incidence[r : r + 1], Samples(seen, one), ends=ENDS, horizons=HORIZONS)
        held = evaluate(incidence[:1], Samples(seen, weights[r : r + 1]), ends=ENDS, horizons=HORIZONS)
        for key in alone:
            assert many[key][r] == pytest.approx(alone[key][0], abs=1e-9, nan_ok=True), key
            assert turned[key][r] == pytest.approx(held[key][0], abs=1e-9, nan_ok=True), key


def test_a_choice_of_measures_gives_the_same_numbers_and_no_others(data, panel):
    sessions, ending, incidence, weights = data
    samples = Samples(courses(sessions, ending, None, n_ends=2), weights)

    for name in NAMES:
        some = evaluate(incidence, samples, ends=ENDS, horizons=HORIZONS, measures=(name,))
        assert {key[0] for key in some} == {name}
        for key, values in some.items():
            np.testing.assert_array_equal(values, panel[key])


def test_what_cannot_be_told_is_missing():
    sessions, ending = np.ones(40, dtype=int), np.repeat([1, 0], [5, 35])
    rng = np.random.default_rng(1)
    incidence = rng.uniform(0.05, 0.3, (3, 40, 1, 1))
    incidence[1] = 0.2  # equal predictions
    incidence[2, 0] = 0.0  # one prediction certain
    found = evaluate(
        incidence, Samples(courses(sessions, ending), np.ones((1, 40))), ends=("a",), horizons=(1,)
    )

    assert np.isnan(found["slope", 1, "a"]).all()  # five of the rarer outcome
    assert np.isfinite(found["in_the_large", 1, "a"][:2]).all()
    assert np.isnan(found["in_the_large", 1, "a"][2])
    assert found["concordance_at", 1, "a"][1] == pytest.approx(0.5)
    # equal predictions have a curve, their mean outcome; others need ten of the rarer one
    assert np.isnan(found["ici", 1, "a"]).tolist() == [True, False, True]


def test_nobody_followed_to_the_horizon_leaves_no_number():
    sessions, ending = np.array([1, 1, 1, 2]), np.array([1, 0, 0, 1])
    weights = np.array([[1.0, 1.0, 1.0, 0.0]])  # in this sample nobody had session 2, some were lost before
    found = evaluate(
        np.full((1, 4, 1, 2), 0.3), Samples(courses(sessions, ending), weights), ends=("a",), horizons=(2,)
    )

    for name in ("observed_expected", "brier_at", "concordance_at", "rps"):
        key = (name, 2, "" if name == "rps" else "a")
        assert np.isnan(found[key]).all(), name
