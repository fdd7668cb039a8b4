"""The textbook law: its tables follow the coefficients stated, and its truth agrees with brute force."""

from __future__ import annotations

import numpy as np
import pytest
from clinic_rules import numbers, words

import synthetic
from synthetic import known, patients, scenario

ENDS = ("relieved", "stopped")
NAMES = (
    "opacity:strand",
    "opacity:cloud",
    "opacity:sheet",
    "log(size_mm/2)",
    "depth-0.5",
    "surgery",
    "surgery*(depth-0.5)",
)


def written_covariates(cases: dict[str, list[str]]) -> np.ndarray:
    """Covariates from the written cells alone, spelled out once more."""
    lens_gap, retina_gap = numbers(cases["lens_gap_mm"]), numbers(cases["retina_gap_mm"])
    deep = lens_gap / (lens_gap + retina_gap) - 0.5
    surgery = (words(cases["cornea"]) != "none") * 1.0
    kinds = [words(cases["opacity"]) == kind for kind in ("strand", "cloud", "sheet")]
    return np.column_stack([*kinds, np.log(numbers(cases["size_mm"]) / 2), deep, surgery, surgery * deep])


def stated_hazards(clinic: synthetic.Clinic, longest: int) -> np.ndarray:
    """Hazards (cases, ends, sessions) from the written cells and the stated coefficients."""
    told = clinic.about["coefficients"]
    x = written_covariates(clinic.cases)
    eta = []
    for end in ENDS:
        session = np.array(
            [told[end]["sessions"][min(k, len(told[end]["sessions"]) - 1)] for k in range(longest)]
        )
        operator = np.array([told["operators"][code][end] for code in clinic.cases["operator"]])
        eta.append((x @ [told[end][name] for name in NAMES] + operator)[:, None] + session)
    odds = np.exp(np.stack(eta, axis=1))
    return odds / (1 + odds.sum(axis=1, keepdims=True))


@pytest.mark.parametrize("step", [0.1, 0.5])
def test_the_written_courses_follow_the_stated_coefficients(scenario_file, step):
    # At the true coefficients the score of every coefficient has mean 0 and the variance of its information, so
    # that a correct fit on the written values is unbiased. 30,000 cases; 4.5 standard errors over 24 scores.
    path = scenario_file("known", ("[mix]", f"[mix]\nsize_step_mm = {step}"))
    clinic = synthetic.make(path, cases=30_000, truth=False, seed=8)
    sessions = numbers(clinic.cases["sessions"]).astype(int)
    longest = sessions.max()
    hazard = stated_hazards(clinic, longest)
    at_risk = np.arange(1, longest + 1) <= sessions[:, None]
    last = np.arange(1, longest + 1) == sessions[:, None]
    x = written_covariates(clinic.cases)
    for j, end in enumerate(ENDS):
        ended = last & (words(clinic.cases["ending"]) == end)[:, None]
        rest = np.where(at_risk, ended - hazard[:, j], 0)
        spread = np.where(at_risk, hazard[:, j] * (1 - hazard[:, j]), 0)
        by_covariate = (x * rest.sum(axis=1)[:, None]).sum(axis=0)
        z = by_covariate / np.sqrt((x**2 * spread.sum(axis=1)[:, None]).sum(axis=0))
        by_session = (rest.sum(axis=0) / np.sqrt(spread.sum(axis=0)))[:5]
        assert np.all(np.abs(z) < 4.5), dict(zip(NAMES, z, strict=True))
        assert np.all(np.abs(by_session) < 4.5), by_session


def test_the_score_of_a_wrong_coefficient_is_far_from_zero():
    # The test above can fail: half a logit off in one coefficient is noticed.
    clinic = synthetic.make("known", cases=30_000, truth=False, seed=8)
    clinic.about["coefficients"]["relieved"]["opacity:cloud"] += 0.5
    hazard = stated_hazards(clinic, 1)[:, 0, 0]
    cloud = words(clinic.cases["opacity"]) == "cloud"
    first = (words(clinic.cases["sessions"]) == "1") & (words(clinic.cases["ending"]) == "relieved")
    z = (first[cloud] - hazard[cloud]).sum() / np.sqrt((hazard[cloud] * (1 - hazard[cloud])).sum())
    assert z < -10


def test_truth_of_a_plain_ring_by_hand():
    clinic = synthetic.make("known", cases=3000)
    plain = (words(clinic.cases["opacity"]) == "ring") & (words(clinic.cases["cornea"]) == "none")
    two_mm = plain & (words(clinic.cases["size_mm"]) == "2.0")
    row = np.flatnonzero(two_mm)[0]
    deep = written_covariates(clinic.cases)[row, 4]
    # Session 1: eta 0.40 - 0.60 deep for relief, -1.80 + 0.30 deep for stopping; session 2: 0.30 and -1.50.
    odds = np.exp([[0.40 - 0.60 * deep, -1.80 + 0.30 * deep], [0.30 - 0.60 * deep, -1.50 + 0.30 * deep]])
    hazard = odds / (1 + odds.sum(axis=1, keepdims=True))
    stays = 1 - hazard[0].sum()
    assert clinic.truth["relieved_1"][row] == pytest.approx(hazard[0, 0], abs=1e-12)
    assert clinic.truth["stopped_2"][row] == pytest.approx(hazard[0, 1] + stays * hazard[1, 1], abs=1e-12)
    assert clinic.truth["relieved_2"][row] == pytest.approx(hazard[0, 0] + stays * hazard[1, 0], abs=1e-12)


def test_without_cluster_effects_a_new_operator_changes_nothing():
    truth = synthetic.make("known", cases=50).truth
    np.testing.assert_array_equal(truth["relieved_3"], truth["relieved_3_new_operator"])


@pytest.mark.parametrize("whose", ["", "_new_operator"])
def test_closed_form_truth_agrees_with_brute_force(whose):
    clinic = synthetic.make("known_clustered", cases=12)
    told, rng, draws = clinic.about["coefficients"], np.random.default_rng(5), 40_000
    x = written_covariates(clinic.cases)
    for row in range(12):
        operator = told["operators"][clinic.cases["operator"][row]]
        fixed = []
        for end in ENDS:
            sd = told[end]["operator_sd"]
            own = np.full(draws, operator[end]) if whose == "" else sd * rng.normal(size=draws)
            own = own + told[end]["patient_sd"] * rng.normal(size=draws)
            fixed.append(own + x[row] @ [told[end][name] for name in NAMES])
        inside = np.ones(draws, dtype=bool)
        seen = {end: np.zeros(draws, dtype=bool) for end in ENDS}
        for k in range(8):
            odds = [np.exp(fixed[j] + told[end]["sessions"][min(k, 4)]) for j, end in enumerate(ENDS)]
            chance, total = rng.random(draws), 1 + odds[0] + odds[1]
            relieved = inside & (chance < odds[0] / total)
            stopped = inside & ~relieved & (chance < (odds[0] + odds[1]) / total)
            seen["relieved"] |= relieved
            seen["stopped"] |= stopped
            inside &= ~(relieved | stopped)
            for end in ENDS:
                true = clinic.truth[f"{end}_{k + 1}{whose}"][row]
                error = np.sqrt(true * (1 - true) / draws)
                assert abs(seen[end].mean() - true) < 4.5 * error + 1e-9  # 192 comparisons: 4.5 is 1 in 1,000


def test_the_rule_over_patients_has_enough_points():
    plan = scenario.load("known_clustered", cases=40)
    features = patients.draw(plan, np.random.default_rng(3))
    eta = known.linear_predictor(plan.known, known.covariates(features), 8)
    spread = np.array([1.5, 1.5])
    nodes = known.NODES
    try:
        known.NODES = 81
        fine = known._averaged(eta, spread)
    finally:
        known.NODES = nodes
    np.testing.assert_allclose(known._averaged(eta, spread), fine, atol=2e-5)


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("eta", [-1000.0, -40.0, 0.0, 40.0, 1000.0])
def test_hazards_are_finite_however_large_the_predictor(eta):
    hazard = known.hazards(np.array([[[eta], [eta - 1]]]))
    assert np.all((hazard >= 0) & (hazard <= 1))
    if eta > 100:
        assert hazard[0, :, 0] == pytest.approx([1 / (1 + np.exp(-1)), np.exp(-1) / (1 + np.exp(-1))])


def test_truth_rises_and_never_exceeds_one():
    for name in ("known_clustered", "pathological"):
        truth = synthetic.make(name).truth
        for tail in ("", "_new_operator"):
            ends = np.array([[truth[f"{end}_{k}{tail}"] for k in range(1, 9)] for end in ENDS])
            assert np.all(np.diff(ends, axis=1) >= 0)
            assert ends.sum(axis=0).max() <= 1 + 1e-12


def test_patients_and_operators_differ_where_the_scenario_says_so():
    told = synthetic.make("known_clustered", truth=False).about["coefficients"]
    assert (told["relieved"]["operator_sd"], told["relieved"]["patient_sd"]) == (0.5, 0.6)
    effects = np.array([effect["relieved"] for effect in told["operators"].values()])
    assert len(effects) == 8
    assert 0.1 < effects.std() < 1.0
