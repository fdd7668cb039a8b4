"""The tables of the invented clinic keep the rules of the format, whatever the seed."""

from __future__ import annotations

import datetime as dt
from collections import Counter

import numpy as np
import pytest
from clinic_rules import MISSING, faults, numbers, words
from hypothesis import given, settings
from hypothesis import strategies as st

import synthetic


@pytest.mark.parametrize("scenario", synthetic.names())
def test_tables_break_no_rule(scenario):
    clinic = synthetic.make(scenario, truth=False)
    assert faults(clinic.cases, clinic.visits) == []


@settings(max_examples=30, deadline=None)
@given(
    scenario=st.sampled_from(["small", "known_clustered", "pathological"]),
    seed=st.integers(0, 2**40),
    cases=st.integers(6, 60),
)
def test_tables_break_no_rule_at_any_seed(scenario, seed, cases):
    clinic = synthetic.make(scenario, seed=seed, cases=cases, truth=False)
    assert faults(clinic.cases, clinic.visits) == []
    assert len(clinic.cases["case"]) == cases


@pytest.mark.parametrize("cases", [1, 2, 3])
def test_a_clinic_of_very_few_cases_is_legal_and_has_its_truth(cases):
    clinic = synthetic.make("small", cases=cases)
    assert faults(clinic.cases, clinic.visits) == []
    assert clinic.truth["relieved_8"].shape == (cases,)


def test_the_rules_of_these_tests_notice_a_fault():
    clinic = synthetic.make("known", cases=40, truth=False)
    spoiled = {name: list(column) for name, column in clinic.cases.items()}
    spoiled["sessions"][0] = str(int(spoiled["sessions"][0]) + 1)
    spoiled["size_mm"][1] = ""
    found = faults(spoiled, clinic.visits)
    assert "size_mm: blank" in found
    assert f"{spoiled['case'][0]}: visits" in " ".join(found)


def test_all_three_missing_codes_occur_and_only_where_they_belong(registry):
    seen = {name: MISSING & set(column) for name, column in registry.cases.items()}
    assert seen["size_mm"] == {"not_recorded"}
    assert seen["pvd"] == {"unknown"}
    assert seen["sphere_d"] == {"unknown", "not_recorded"}
    assert seen["stop_reason"] == {"not_applicable"}
    assert seen["relief_after"] == {"not_recorded", "not_applicable"}
    for name in (
        "case",
        "patient",
        "eye",
        "operator",
        "site",
        "sessions",
        "ending",
        "opacity",
        "cornea",
        "age",
    ):
        assert seen[name] == set()


def test_axial_length_is_missing_in_many_and_less_often_with_an_implant(registry):
    gone, lens = np.isnan(numbers(registry.cases["axial_mm"])), words(registry.cases["lens"])
    assert 0.35 < gone.mean() < 0.5
    assert gone[lens == "natural"].mean() > gone[lens == "monofocal"].mean() + 0.1


def test_some_eyes_have_only_a_zone_and_some_only_one_gap(registry):
    lens_gap, retina_gap = (np.isnan(numbers(registry.cases[f"{at}_gap_mm"])) for at in ("lens", "retina"))
    assert 0.12 < (lens_gap & retina_gap).mean() < 0.18
    assert 0.02 < (lens_gap ^ retina_gap).mean() < 0.07


def test_an_unwritten_visit_is_a_recent_one(registry):
    started = dict(zip(registry.cases["case"], registry.cases["started"], strict=True))
    closed = dt.date.fromisoformat(registry.about["closed"])
    cells = zip(
        *(registry.visits[name] for name in ("case", "day", "pulses", "cleared", "fragments")), strict=True
    )
    unwritten = [
        (closed - dt.date.fromisoformat(started[case])).days - int(day)
        for case, day, *rest in cells
        if set(rest) == {"not_recorded"}
    ]
    recent = np.array(unwritten) < 21
    assert recent.sum() >= 5
    assert (
        ~recent
    ).sum() <= 8  # three cells gone together by chance: 0.05 cubed of 11,800 rows, 1.5 expected


def test_open_cases_are_not_only_recent_ones(registry):
    open_ = words(registry.cases["ending"]) == "ongoing"
    begun = words(registry.cases["started"]) != "not_applicable"
    year = np.array([cell[:4] for cell in words(registry.cases["started"])[open_ & begun]])
    assert (year < "2024").sum() > 50  # lost to follow-up
    assert (year == "2024").sum() > 20  # books closed


def test_missed_bookings_are_followed_by_the_session_some_days_later_or_by_nothing(registry):
    rows = list(zip(*(registry.visits[name] for name in ("case", "session", "missed", "day")), strict=True))
    followed = Counter()
    for (case, session, missed, day), after in zip(rows, [*rows[1:], ("", "", "", "")], strict=True):
        if missed == "yes":
            followed[after[0] == case] += 1
            assert after[:3] == (case, session, "no") or after[0] != case
            assert after[0] != case or int(day) + 7 <= int(after[3]) <= int(day) + 21
    later = sum(session != "1" and missed == "no" for _, session, missed, _ in rows)
    assert followed[True] / later == pytest.approx(0.06, abs=0.012)  # four standard errors of about 5,000
    assert followed[False] > 50  # left standing by those lost


def test_keys_tell_nothing_about_the_order_or_the_pairs(registry):
    cases = registry.cases
    place = {patient: [] for patient in cases["patient"]}
    for row, patient in enumerate(cases["patient"]):
        place[patient].append(row)
    apart = np.array([abs(rows[0] - rows[1]) for rows in place.values() if len(rows) == 2])
    assert np.mean(apart == 1) < 0.01  # by chance 2 in 6,000
    started = [
        dt.date.fromisoformat(cell).toordinal() for cell in cases["started"] if cell != "not_applicable"
    ]
    order = np.corrcoef(np.arange(len(started)), started)[0, 1]
    assert abs(order) < 0.06  # four standard errors


def test_size_can_be_recorded_on_a_half_millimetre_grid(scenario_file):
    path = scenario_file("known", ("[mix]", "[mix]\nsize_step_mm = 0.5"))
    size = numbers(synthetic.make(path, truth=False).cases["size_mm"])
    assert np.all(size % 0.5 == 0)
    assert len(set(size)) > 6


def test_the_nasty_clinic_is_nasty(nasty):
    cases, visits = nasty.cases, nasty.visits
    kinds, operators = Counter(cases["opacity"]), Counter(cases["operator"])
    ending, sessions = words(cases["ending"]), numbers(cases["sessions"])
    operated = words(cases["cornea"]) != "none"
    assert (kinds["strand"], kinds["sheet"], operators["op_z"]) == (3, 2, 2)
    assert operated.sum() >= 8
    assert not np.any(operated & (ending == "relieved"))  # complete separation
    assert not np.any((sessions == 1) & (ending == "stopped"))
    assert not np.any((sessions == 3) & (ending == "relieved"))
    assert np.any((sessions >= 4) & (ending == "relieved"))
    assert (ending == "ongoing").mean() > 0.4
    assert (words(visits["missed"]) == "yes").mean() > 0.1
