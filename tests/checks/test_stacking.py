"""Definitions beside each other: the true one is preferred, equals are not told apart, in plain words."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from lawful import clinic

import retreat
from retreat.checks.held_out import CrossValidation, clustered_error
from retreat.checks.stacking import Candidate, beside, reading_of

CORE, FRAILTY, OTHER = frozenset("a"), frozenset("ab"), frozenset("ac")


def scored(elpd, patient=None):
    n = len(elpd)
    nothing = np.zeros(n)
    return CrossValidation(
        scheme="case",
        elpd=np.asarray(elpd, dtype=float),
        in_sample=np.asarray(elpd, dtype=float) + 0.01,
        over_before=nothing,
        over_by=nothing,
        khat=nothing,
        refitted=np.zeros(n, dtype=bool),
        patient=np.arange(n) if patient is None else patient,
        n_folds=0,
        failures=(),
    )


def candidate(name, parts, elpd=(-1.0, -1.0)):
    return Candidate(name, len(parts), parts, scored(elpd))


@pytest.mark.parametrize(
    ("difference", "error", "words"),
    [
        (2.0, 0.1, "not told apart by these cases: keep the simpler, core"),
        (9.0, 5.0, "not told apart by these cases: keep the simpler, core"),
        (9.0, 2.0, "frailty foresees better than the simpler core"),
        (-9.0, 2.0, "the simple one wins: core foresees better than frailty"),
        (np.nan, np.nan, "not told: some cases could not be foreseen"),
    ],
)
def test_which_to_keep_is_said_plainly(difference, error, words):
    core, frailty = candidate("core", CORE), candidate("frailty", FRAILTY)

    assert reading_of(core, frailty, difference, error) == words


def test_where_neither_is_the_simpler_the_one_checked_is_kept():
    one, other = candidate("frailty", FRAILTY), candidate("mover_stayer", OTHER)

    assert reading_of(one, other, 3.0, 1.0).endswith("keep frailty, as neither is the simpler")
    assert reading_of(one, other, 30.0, 1.0) == "mover_stayer foresees better than frailty"


def test_a_larger_definition_checked_against_a_simple_one_gives_way_to_it():
    full, core = candidate("full", FRAILTY), candidate("core", CORE)

    assert reading_of(full, core, -1.0, 1.0) == "not told apart by these cases: keep the simpler, core"
    assert reading_of(full, core, 9.0, 1.0) == "the simple one wins: core foresees better than full"


def test_weights_are_those_of_the_best_mixture():
    rng = np.random.default_rng(1)
    scores = -rng.exponential(size=(2, 300))
    rows = beside([candidate("a", CORE, scores[0]), candidate("b", OTHER, scores[1])])

    grid = np.linspace(0, 1, 1001)
    mixture = np.log(np.multiply.outer(1 - grid, np.exp(scores[0])) + np.outer(grid, np.exp(scores[1])))
    best = grid[mixture.sum(axis=1).argmax()]
    # the minimiser stops at 1e-6 of the score, which is flat there
    assert rows[1].weight == pytest.approx(best, abs=0.01)
    assert rows[0].weight + rows[1].weight == pytest.approx(1.0)


def test_differences_take_the_eyes_of_a_patient_together():
    patient = np.repeat(np.arange(50), 2)
    gap = np.repeat(np.random.default_rng(1).normal(size=50), 2)
    one = replace(candidate("a", CORE), found=scored(np.zeros(100), patient))
    other = replace(candidate("b", OTHER), found=scored(gap, patient))

    row = beside([one, other])[1]

    assert row.difference == pytest.approx(gap.sum())
    assert row.difference_error == pytest.approx(np.sqrt(50 * (2 * gap[::2]).var(ddof=1)))
    # as if they were apart it would be smaller by the root of 2
    assert row.difference_error > 1.3 * clustered_error(gap, np.arange(100))


@pytest.mark.slow
def test_the_true_definition_is_preferred_at_1000_cases():
    cases = clinic(3, n=1000, never=0.25)

    found = retreat.check_fit(cases, "core", others=["mover_stayer"], clinics=100, seed=1)

    core, mover_stayer = found.beside
    assert mover_stayer.weight > 0.8
    assert mover_stayer.difference > 2 * mover_stayer.difference_error
    assert mover_stayer.reading == "mover_stayer foresees better than the simpler core"
    assert core.reading == "the definition checked"


@pytest.mark.slow
def test_the_simple_definition_is_kept_where_it_is_true():
    found = retreat.check_fit(clinic(4, n=1000), "core", others=["mover_stayer"], clinics=100, seed=1)

    assert found.beside[1].reading == "not told apart by these cases: keep the simpler, core"
    assert abs(found.beside[1].difference) < 4
