"""What holds for every measure, found in the package and not listed by hand."""

import subprocess
import sys

import numpy as np
import pytest

import retreat.validation as validation
from retreat.validation import measures

ALL = measures()


def perfect():
    """Four eyes whose course was foreseen: relieved at 1, 2, stopped at 1, going on after 2."""
    sessions, ending = [1, 2, 1, 2], [1, 1, 2, 0]
    pmf = np.zeros((4, 2, 2))
    pmf[0, 0, 0] = pmf[1, 0, 1] = pmf[2, 1, 0] = 1.0
    return np.cumsum(pmf, axis=2), pmf, sessions, ending


def hopeless():
    """The same eyes with the opposite foreseen as far as that goes: relieved at 1 is said never to be, and so on."""
    incidence, pmf, sessions, ending = perfect()
    order = [2, 3, 0, 1]
    return incidence[order], pmf[order], sessions, ending


def scores(incidence, pmf, sessions, ending):
    relieved = (np.array(ending) == 1).astype(int)
    p = incidence[:, 0, -1]
    return {
        "brier": validation.brier(p, relieved),
        "concordance": validation.concordance(p, relieved),
        "brier_at": validation.brier_at(p, sessions, ending, end=1, horizon=2),
        "scaled_brier_at": validation.scaled_brier_at(p, sessions, ending, end=1, horizon=2),
        "integrated_brier": validation.integrated_brier(incidence, sessions, ending, end=1),
        "concordance_at": validation.concordance_at(p, sessions, ending, end=1, horizon=2),
        "rps": validation.rps(incidence, sessions, ending),
        "log_score": validation.log_score(pmf, sessions, ending),
    }


def agreement(slope):
    rng = np.random.default_rng(1)
    lp = rng.normal(0, 1.5, 5000)
    outcomes = rng.random(5000) < 1 / (1 + np.exp(-lp))
    found = validation.calibration(1 / (1 + np.exp(-lp / slope)), outcomes)
    return {name: getattr(found, name) for name in ALL if hasattr(found, name)}


def test_every_measure_is_tried_below():
    assert set(ALL) == set(scores(*perfect())) | set(agreement(1.0))


@pytest.mark.parametrize("name", scores(*perfect()))
def test_a_course_foreseen_reaches_the_ideal_value(name):
    assert scores(*perfect())[name] == pytest.approx(ALL[name].ideal, abs=1e-12)


@pytest.mark.parametrize("name", scores(*perfect()))
def test_a_course_foreseen_wrongly_is_worse_in_the_direction_told(name):
    good, bad = scores(*perfect())[name], scores(*hopeless())[name]

    assert bad < good if ALL[name].direction == "higher" else bad > good


@pytest.mark.parametrize("name", agreement(1.0))
def test_true_probabilities_come_near_the_ideal_value_of_calibration(name):
    # 5,000 cases: standard errors of slope and intercept are about 0.03, of a curve about 0.02 at its ends
    assert agreement(1.0)[name] == pytest.approx(ALL[name].ideal, abs=0.12)


@pytest.mark.parametrize("name", ["slope", "ici", "e50", "e90", "emax"])
def test_timid_probabilities_are_further_from_the_ideal_value_of_calibration(name):
    true, timid = agreement(1.0)[name], agreement(3.0)[name]

    assert abs(timid - ALL[name].ideal) > abs(true - ALL[name].ideal) + 0.05


@pytest.mark.parametrize("measure", ALL.values(), ids=list(ALL))
def test_the_ideal_value_lies_in_the_range_and_agrees_with_the_direction(measure):
    best = {"lower": measure.low, "higher": measure.high, "target": measure.ideal}[measure.direction]

    assert measure.low <= measure.ideal <= measure.high
    assert measure.ideal == best


@pytest.mark.parametrize("measure", ALL.values(), ids=list(ALL))
def test_every_value_seen_lies_in_the_range(measure):
    seen = [
        values[measure.name]
        for values in (scores(*perfect()), scores(*hopeless()), agreement(3.0))
        if measure.name in values
    ]

    assert all(measure.low <= value <= measure.high for value in seen)


@pytest.mark.parametrize("name", validation.__all__)
def test_public_names_are_objects_and_never_modules(name):
    # every module is loaded by now: measures() imports them all
    assert type(getattr(validation, name)).__name__ in {"function", "type"}


def test_an_unknown_name_is_an_attribute_error():
    with pytest.raises(AttributeError, match="no attribute 'brior'"):
        _ = validation.brior


def test_every_measure_runs_on_numpy_alone():
    code = (
        "import sys, retreat.validation as v; v.measures();"
        "v.calibration([.2, .8, .4, .6], [0, 1, 1, 0]); v.brier_at([.5, .5], [1, 2], [1, 0], end=1, horizon=1);"
        "print([m for m in ('pandas', 'scipy', 'sklearn', 'statsmodels', 'matplotlib', 'pymc') if m in sys.modules])"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

    assert run.stdout.strip() == "[]"
