"""What few patients have: rare words, outermost numbers, longest courses; and what stays true of the rest."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from retreat.study.sharing.changes import Changes
from retreat.study.sharing.crosswalk import Crosswalk
from retreat.study.sharing.deidentified import deidentified
from retreat.study.sharing.rare import cut_courses, without_rare
from retreat.study.sharing.rule import Rule
from retreat.tables import as_cases, as_visits


@pytest.fixture(scope="module")
def left(clinic):
    return deidentified(clinic.cases, clinic.visits, Crosswalk(), Rule())


@pytest.fixture(scope="module")
def matched(clinic):
    """Original and shared cases side by side, through the crosswalk."""
    crosswalk = Crosswalk()
    shared = deidentified(clinic.cases, clinic.visits, crosswalk, Rule()).cases.set_index("case")
    own = clinic.cases.set_index("case")
    return own, shared.loc[crosswalk.keys("case", own.index)].set_index(own.index)


def test_both_tables_are_sound_as_they_leave(left):
    assert len(as_visits(left.visits, as_cases(left.cases))) == len(left.visits)
    assert left.smallest >= 5


def test_only_years_leave_and_no_age_above_90(left):
    assert left.cases["started"].str.fullmatch("[0-9]{4}|not_recorded").all()
    assert left.cases["age"].max() <= 90
    assert (
        left.visits.loc[left.visits["session"].eq(1) & left.visits["missed"].ne("yes"), "day"]
        .dropna()
        .eq(0)
        .all()
    )


def test_the_course_is_that_of_the_case_up_to_the_cut(matched):
    own, shared = matched
    last = shared["sessions"].max()
    short = own["sessions"] <= last

    assert (
        shared.loc[short, ["sessions", "ending", "opacity"]]
        == own.loc[short, ["sessions", "ending", "opacity"]]
    ).all(axis=None)
    assert (~short).any()
    assert shared.loc[~short, "ending"].eq("ongoing").all()
    assert own["sessions"].ge(last).sum() >= 5


def test_what_was_changed_is_counted_exactly(clinic):
    crosswalk = Crosswalk()
    left = deidentified(clinic.cases, None, crosswalk, Rule())
    own = clinic.cases.set_index("case")
    shared = left.cases.set_index("case").loc[crosswalk.keys("case", own.index)].set_index(own.index)

    for name in ("lens", "cornea"):
        changed = (own[name] != shared[name]) & ~own[name].isin(["not_recorded", "unknown"])
        assert left.changes.count(name, "removed") == changed.sum() > 0
    gone = own["age"].notna() & shared["age"].isna()
    moved = shared["age"].notna() & (own["age"] != shared["age"])
    assert (left.changes.count("age", "removed"), left.changes.count("age", "grouped")) == (
        gone.sum(),
        moved.sum(),
    )


def test_small_counts_of_changes_do_not_leave():
    changes = Changes()
    changes.add("lens", "removed", 3)
    changes.add("age", "removed", 30)

    assert changes.shown() == [{"column": "age", "removed": "30"}, {"column": "lens", "removed": "few"}]
    assert changes.frame().loc["lens", "removed"] == 3


def test_an_outermost_number_is_that_of_k_patients():
    table = pd.DataFrame({"size_mm": [0.3, 0.4, 0.5, 1.0, 2.0, 3.0, 4.0, 9.0, 14.0, 15.0]})
    persons = ["a", "a", "b", "c", "d", "e", "f", "g", "h", "i"]

    found = without_rare(table, persons, Rule(3), Changes())

    # by hand: the third lowest patient has 1.0 (a patient counts once), the third highest 9.0
    assert found["size_mm"].tolist() == [1.0, 1.0, 1.0, 1.0, 2.0, 3.0, 4.0, 9.0, 9.0, 9.0]


def test_a_word_of_few_patients_goes_however_many_rows_they_have():
    table = pd.DataFrame(
        {"event": ["lens_hit"] * 6 + ["none"] * 6, "stop_reason": ["surgery"] * 2 + ["choice"] * 10}
    )
    persons = ["a"] * 6 + list("bcdefg")

    found = without_rare(table, persons, Rule(3), Changes())

    # and with it the commonest word of two more patients, so that three have a removed one, at most half the rare one
    assert found["event"].tolist() == ["not_recorded"] * 8 + ["none"] * 4
    # "a" has two words and counts once
    assert found["stop_reason"].tolist() == ["unknown"] * 8 + ["choice"] * 4


@pytest.mark.parametrize("k", [2, 5, 11])
@pytest.mark.parametrize("n_rare", [1, 4, 10])
def test_a_removed_word_never_stands_alone_behind_not_recorded(n_rare, k):
    words = ["sheet"] * n_rare + ["cloud"] * 12 + ["ring"] * 40
    table = pd.DataFrame({"opacity": words})

    found = without_rare(table, [f"p{i}" for i in range(len(words))], Rule(k), Changes())

    gone = table.loc[found["opacity"].eq("not_recorded"), "opacity"].value_counts()
    if n_rare >= k:
        assert gone.empty
        return
    assert gone.sum() >= k
    assert len(gone) >= 2
    assert 2 * gone["sheet"] <= gone.sum()
    assert found["opacity"].value_counts().min() >= k


def test_a_cut_course_is_censored_not_ended(clinic):
    cut = cut_courses(clinic.cases, 2, Changes())
    long = clinic.cases["sessions"] > 2

    assert set(cut.loc[long, "ending"]) == {"ongoing"}
    assert cut.loc[long, "relief_after"].isna().all()
    assert cut.loc[~long].equals(clinic.cases.loc[~long])
    as_cases(cut)


def test_an_operator_of_a_visit_tells_no_more_than_the_case(clinic):
    left = deidentified(clinic.cases, clinic.visits, Crosswalk(), Rule(known=("operator",)))
    of_case = left.visits["case"].map(left.cases.set_index("case")["operator"])

    told = left.visits["operator"] != "not_recorded"
    assert told.any()
    assert (left.visits.loc[told, "operator"] == of_case[told]).all()


def test_operators_and_sites_that_the_rule_does_not_know_are_left_out(clinic):
    left = deidentified(clinic.cases, clinic.visits, Crosswalk(), Rule(known=("cornea",)))

    assert set(left.cases["operator"]) == {"not_recorded"}
    assert set(left.cases["site"]) == {"invented_other"}  # invented data say so in any case
    assert set(left.visits["operator"]) == {"not_recorded"}


def test_gaps_that_no_longer_fit_the_eye_are_not_told(clinic):
    eyes = clinic.cases.copy()
    eyes.loc[0, ["axial_mm", "lens_gap_mm", "retina_gap_mm", "size_mm"]] = [34.0, 12.0, 14.0, 1.0]

    left = deidentified(eyes, None, Crosswalk(), Rule())

    assert left.changes.count("retina_gap_mm", "removed") >= 1
    assert left.cases["axial_mm"].max() < 34


def test_an_eye_never_has_two_open_courses(clinic):
    twice = clinic.cases.copy()
    twice.attrs.clear()
    long = int(np.argmax(twice["sessions"]))
    again = twice.iloc[[long]].assign(
        case="zz7q8w9x", sessions=1, ending="ongoing", stop_reason="not_applicable"
    )
    twice.loc[long, ["ending", "stop_reason"]] = ["relieved", "not_applicable"]

    left = deidentified(pd.concat([twice, again], ignore_index=True), None, Crosswalk(), Rule())

    assert left.changes.count("patient", "alone") >= 1
    as_cases(left.cases)
