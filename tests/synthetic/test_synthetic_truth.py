"""The truth of the law `burden` agrees with courses drawn apart from it, and its error is as stated."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from clinic_rules import numbers, words

import synthetic
from synthetic import burden, patients, scenario, truth
from synthetic.courses import RELIEVED, STOPPED


@pytest.fixture(scope="module")
def plan() -> scenario.Scenario:
    """Sixty cases, nobody lost, followed for eight sessions."""
    made = scenario.load("established", cases=60)
    burdens = made.values["burden"] | {"lost": -20.0, "event": 0.1}
    practice = made.values["practice"] | {"max_sessions": 8}
    values = made.values | {"burden": burdens, "practice": practice, "truth": {"repeats": 2000}}
    return replace(made, values=values)


@pytest.fixture(scope="module")
def eyes(plan) -> burden.Eyes:
    rng = np.random.default_rng(4)
    return burden.prepare(patients.draw(plan, rng), plan, rng)


def test_truth_agrees_with_courses_drawn_one_by_one(plan, eyes):
    none, draws = np.zeros(60), 800
    true, error = truth.simulate(eyes, none, none + 0.2, none, plan, [1])
    rng = np.random.default_rng(7)
    seen = np.zeros((2, 8, 60))
    for _ in range(draws):
        effects = burden.Effects(none, none + 0.2, *burden.draw_patients(plan, (60,), rng))
        course = burden.courses(eyes, effects, plan, rng)
        for k in range(8):
            done = course.sessions <= k + 1
            seen[0, k] += done & (course.ending == RELIEVED)
            seen[1, k] += done & (course.ending == STOPPED)
    for j, end in enumerate(("relieved", "stopped")):
        for k in range(8):
            exact = true[f"{end}_{k + 1}"]
            spread = np.sqrt(exact * (1 - exact) / draws + error.largest**2)
            assert np.all(np.abs(seen[j, k] / draws - exact) < 4.8 * spread)  # 960 comparisons


def test_the_stated_error_is_the_error_between_two_runs(plan, eyes):
    none = np.zeros(60)
    first, error = truth.simulate(eyes, none, none, none, plan, [1])
    second, _ = truth.simulate(eyes, none, none, none, plan, [2])
    apart = np.array([first[name] - second[name] for name in first])
    typical = np.abs(apart).mean() / np.sqrt(
        4 / np.pi
    )  # mean of |difference of two normals| is sd * sqrt(4 / pi)
    assert typical == pytest.approx(error.mean, rel=0.25)
    assert np.abs(apart).max() < 6 * error.largest


def test_what_happens_at_session_1_agrees_with_the_truth(registry):
    sessions, ending = words(registry.cases["sessions"]), words(registry.cases["ending"])
    begun = sessions != "0"
    for end in ("relieved", "stopped"):
        chance, seen = registry.truth[f"{end}_1"], (sessions == "1") & (ending == end)
        group = np.digitize(chance, np.quantile(chance, [0.2, 0.4, 0.6, 0.8]))
        for part in [begun] + [begun & (group == g) for g in range(5)]:
            error = np.sqrt((chance[part] * (1 - chance[part])).sum())
            # 5 instead of 3 standard errors: the two eyes of a patient and the same operator go together
            assert abs((seen - chance)[part].sum()) < 5 * error


def test_truth_rises_and_the_ends_leave_room_for_those_in_treatment(registry):
    for tail in ("", "_new_operator"):
        ends = np.array(
            [[registry.truth[f"{e}_{k}{tail}"] for k in range(1, 9)] for e in ("relieved", "stopped")]
        )
        assert np.all(np.diff(ends, axis=1) >= 0)
        assert ends.min() > 0
        assert ends.sum(axis=0).max() < 1


def test_the_truth_has_a_row_for_every_case_in_the_order_of_the_table(registry):
    assert registry.truth["case"].tolist() == registry.cases["case"]
    wanted = [
        f"{e}_{k}{t}" for t in ("", "_new_operator") for e in ("relieved", "stopped") for k in range(1, 9)
    ]
    assert list(registry.truth) == ["case", *wanted]


def test_about_states_the_monte_carlo_error(registry):
    assert registry.about["truth"]["error"].startswith(
        "by 80 simulated courses a case; Monte-Carlo standard error"
    )


def test_an_operator_of_great_skill_and_mild_policy_relieves_more(plan, eyes):
    none = np.zeros(60)
    plain, _ = truth.simulate(eyes, none, none, none, plan, [1])
    skilled, _ = truth.simulate(eyes, none + 0.5, none, none, plan, [1])
    mild, _ = truth.simulate(eyes, none, none + 1.0, none, plan, [1])
    assert np.all(skilled["relieved_3"] > plain["relieved_3"])
    assert np.all(mild["relieved_3"] > plain["relieved_3"])


def test_a_patient_bothered_more_is_harder_to_relieve(registry):
    before, kind = numbers(registry.cases["relief_before"]), words(registry.cases["opacity"])
    for each in ("ring", "cloud"):
        little, much = (kind == each) & (before <= 4), (kind == each) & (before >= 8)
        assert registry.truth["relieved_1"][much].mean() < registry.truth["relieved_1"][little].mean() - 0.1


@pytest.mark.slow
def test_the_established_clinic_with_truth_takes_less_than_ten_seconds():
    import time

    start = time.process_time()
    clinic = synthetic.make("established")
    assert time.process_time() - start < 10
    assert clinic.about["truth"]["error"].startswith("by 1000 simulated courses")
