"""The counselling sheet: its numbers, its refusals, its words."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from toy import CLOUD, EVERYTHING, FULL, RING, known_model, toy_model

from retreat.errors import FitError, TableError
from retreat.features import FEATURES
from retreat.model.card import INVENTED, NOT_FOR_COUNSELLING
from retreat.pages import words
from retreat.pages.sheet import Row, build_sheet

DATE = "2026-11-25"
HALF = np.array([0.5])  # hazard of relief 1/2, of stopping 1/10: 0.4 stay at each session


def test_numbers_are_those_of_a_course_worked_by_hand():
    # relieved by session 1..5: 0.5 (1 + 0.4 + 0.16 + 0.064 + 0.0256) = 0.5, 0.7, 0.78, 0.812, 0.8248
    sheet = build_sheet(known_model(HALF), {}, date=DATE)
    assert [row.finished for row in sheet.rows] == [50, 70, 78, 81, 82]
    # stopped 0.16496 and in treatment 0.01024: 82 + 16 + 1, the last figure to the remainder .496 of stopped
    assert [(s.mark, s.count) for s in sheet.states] == [
        *(("1", 50), ("2", 20), ("3", 8), ("4", 3), ("5", 1)),
        *(("T", 1), ("S", 17)),
    ]


def test_numbers_during_a_course_are_those_of_eyes_still_in_treatment():
    # a constant hazard forgets what was done: session 3 is as session 1
    sheet = build_sheet(known_model(HALF), {}, done=2, date=DATE)
    assert [(row.session, row.finished) for row in sheet.rows] == [(3, 50), (4, 70), (5, 78)]
    assert [(s.mark, s.count) for s in sheet.states] == [("3", 50), ("4", 20), ("5", 8), ("T", 6), ("S", 16)]


def test_the_headline_is_in_natural_frequencies():
    sheet = build_sheet(known_model(HALF), {}, date=DATE)
    expected = "Of 100 eyes treated here, 50 are finished after 1 session, 70 after 2 and 78 after 3."
    assert sheet.headline == expected


def test_the_headline_during_a_course_says_what_it_is_given():
    sheet = build_sheet(known_model(HALF), {}, done=2, date=DATE)
    assert sheet.course == "This eye has had 2 sessions."
    expected = (
        "Of 100 eyes treated here still in treatment after 2, "
        "50 are finished after session 3, 70 after 4 and 78 after 5."
    )
    assert sheet.headline == expected


def test_an_eye_of_which_nothing_is_known_is_not_called_like_this_one():
    model = toy_model()
    known, unknown = (build_sheet(model, case, date=DATE) for case in (RING, {"opacity": ["unknown"]}))
    assert known.headline.startswith("Of 100 eyes like this one, ")
    assert unknown.headline.startswith("Of 100 eyes treated here, ")
    assert (known.caption, unknown.caption) == ("Of 100 eyes like this one", "Of 100 eyes treated here")


def test_no_sheet_is_sure_of_all_or_of_none():
    sheet = build_sheet(known_model(np.array([0.9985]), stopped=0.001), {}, horizon=1, date=DATE)
    assert sheet.rows[0].finished == 100
    assert "over 99 are finished" in sheet.headline
    assert "over 99 of 100 (over 99%) finished, fewer than 1 of 100 (fewer than 1%) not" in sheet.framing
    cells = dict(sheet.table[0][2])
    assert (cells["Finished"], cells["Not"]) == ("over 99", "fewer than 1")


def test_both_directions_are_told():
    sheet = build_sheet(known_model(HALF), {}, date=DATE)
    assert "78 of 100 (78%) finished, 22 of 100 (22%) not" in sheet.framing


@pytest.mark.parametrize(("level", "low", "high"), [(0.9, 31, 49), (0.5, 35, 45)])
def test_the_likely_range_is_the_middle_of_the_draws(level: float, low: int, high: int):
    # 101 evenly spaced hazards of relief from 0.3 to 0.5
    sheet = build_sheet(known_model(np.linspace(0.3, 0.5, 101)), {}, horizon=1, level=level, date=DATE)
    assert sheet.rows == (Row(1, 40, 60, low, high),)
    assert f"likely between {low} and {high} of 100" in sheet.likely
    assert sheet.likely.endswith("(from how many eyes were seen; doctors differ too).")
    assert words.level_note(level) in sheet.for_clinic


@given(
    effects=st.lists(st.floats(-6, 4), min_size=32, max_size=32),
    done=st.integers(0, 4),
    ahead=st.integers(1, 5),
)
def test_counts_sum_to_100_and_never_fall(effects: list[float], done: int, ahead: int):
    model = known_model(np.array([0.5, 0.4]))
    session_effects = np.array(effects).reshape(2, 1, 2, 8)
    model = replace(model, parameters=replace(model.parameters, session_effects=session_effects))
    sheet = build_sheet(model, {}, done=done, horizon=done + ahead, date=DATE)
    finished = [row.finished for row in sheet.rows]
    assert len(sheet.rows) == min(ahead, 8 - done)  # eight sessions were seen
    assert sum(state.count for state in sheet.states) == 100
    assert min(state.count for state in sheet.states) >= 0
    assert finished == sorted(finished)
    assert all(row.finished + row.not_finished == 100 for row in sheet.rows)
    assert all(0 <= row.low <= row.finished <= row.high <= 100 for row in sheet.rows)
    assert finished == np.cumsum([s.count for s in sheet.states[: len(finished)]]).tolist()


def test_rounding_never_takes_back_a_finished_eye():
    # By session 1: 0.605 relieved, alone rounded to 61. By session 2: 0.60501 relieved, 0.1975 stopped,
    # 0.19749 in treatment: the two figures left over go to the last two, so 60 are finished.
    hazards = np.array([[0.605, 0.00001 / 0.1975], [0.1975, 1e-9]])  # (ends, sessions)
    effects = np.log(hazards / (1 - hazards.sum(axis=0)))[None, None]
    model = known_model(HALF)
    model = replace(model, parameters=replace(model.parameters, session_effects=effects))
    sheet = build_sheet(model, {}, horizon=2, date=DATE)
    assert [row.finished for row in sheet.rows] == [60, 60]
    assert [state.count for state in sheet.states] == [60, 0, 20, 20]


def test_no_number_is_further_than_one_figure_from_the_forecast():
    model = toy_model()
    sheet = build_sheet(model, RING, date=DATE)
    exact = 100 * model.forecast(RING, horizon=5).mean()[0, 0]
    assert np.abs(exact - [row.finished for row in sheet.rows]).max() <= 1


def test_every_refusal_of_the_support_is_a_fault():
    far = {**EVERYTHING, "size_mm": [14.0], "eccentricity_deg": [50.0]}
    with pytest.raises(FitError) as refused:
        build_sheet(toy_model(FULL), far, date=DATE)
    assert str(refused.value).splitlines() == [
        "this eye: size_mm 14 is outside the range of nearly all fitted cases, 0.75 to 6.35, "
        "and far from all of them; to mend: check the value; "
        "if it is right, this model cannot speak for this eye",
        "this eye: eccentricity_deg 50 is outside the range of nearly all fitted cases, -0.5 to 20.5, "
        "and far from all of them; "
        "to mend: check the value; "
        "if it is right, this model cannot speak for this eye",
    ]


def test_all_wrong_arguments_are_told_at_once():
    model = toy_model(ends=("second", "stopped"))
    case = {**RING, "sessions": [3], "ending": ["relieved"]}
    with pytest.raises(FitError) as refused:
        build_sheet(model, case, done=-1, horizon=9, level=1.0, practice="a\nb", date="25.11.2026")
    assert str(refused.value).splitlines() == [
        "model: it forecasts second, not relief; allowed: first end relieved; "
        "to mend: use a model of whole courses, such as core",
        "done: -1; allowed: a whole number of sessions from 0",
        "horizon: 9; allowed: 0 to 4 after -1 done; to mend: sessions count from the first of the course",
        "level: 1; allowed: between 0 and 1, for example 0.9",
        "practice: a line break or control character; allowed: one line of at most 50 characters",
        "date: '25.11.2026'; allowed: an ISO date; to mend: write it like 2026-11-25",
        "done: -1, but the column sessions says 3; to mend: pass done=3, or leave the column out",
        "ending: the case has ended (relieved); allowed: ongoing; to mend: a sheet is for a case not yet begun "
        "or still in treatment; leave ending and sessions out",
    ]


def test_a_course_longer_than_any_seen_is_refused():
    with pytest.raises(
        FitError, match="few or no fitted cases were still in treatment after 8 sessions; allowed: at most 7"
    ):
        build_sheet(toy_model(), RING, done=8, horizon=9, date=DATE)


def test_two_cases_are_refused():
    with pytest.raises(FitError, match="2 cases; allowed: one case"):
        build_sheet(toy_model(), {"opacity": ["ring", "cloud"]}, date=DATE)


def test_a_value_that_is_not_allowed_is_refused():
    with pytest.raises(TableError, match="value rings"):
        build_sheet(toy_model(), {**RING, "opacity": ["rings"]}, date=DATE)


def test_a_model_that_failed_its_checks_shows_the_reason_and_no_number():
    sheet = build_sheet(toy_model(failures=("R-hat 1.04 above 1.01",)), RING, date=DATE)
    assert sheet.banners == (NOT_FOR_COUNSELLING, "R-hat 1.04 above 1.01")
    assert (sheet.rows, sheet.states, sheet.moved, sheet.likely) == ((), (), (), "")
    assert not re.search(r"\d", sheet.headline + sheet.framing)


def test_invented_data_is_told_first():
    sheet = build_sheet(toy_model(invented=True), RING, date=DATE)
    assert sheet.sentences[0] == INVENTED
    assert "812 made-up eyes" in sheet.like[0]


def test_warnings_of_the_support_stand_before_the_headline():
    sheet = build_sheet(toy_model(FULL), {**EVERYTHING, "size_mm": [9.5]}, date=DATE)
    assert sheet.warnings == (words.few_seen(["size_mm", "lens"]),)
    assert sheet.sentences.index(sheet.warnings[0]) < sheet.sentences.index(sheet.headline)
    assert "size_mm 9.5 is outside the range of nearly all fitted cases, 0.75 to 6.35" in sheet.for_clinic


def test_no_number_is_shown_past_the_sessions_that_enough_cases_reached():
    sheet = build_sheet(toy_model(supported_session=2), RING, date=DATE)
    assert sheet.warnings == (
        "Take care: too few eyes were seen past session 2, so no later numbers are shown.",
    )
    assert [row.session for row in sheet.rows] == [1, 2]
    assert [state.label for state in sheet.states][-2:] == [
        "Still in treatment after session 2",
        "Stopped without enough relief",
    ]
    assert sheet.framing.startswith("After session 2: ")


def test_an_end_never_seen_is_called_a_guess():
    sheet = build_sheet(toy_model(n_ended={"relieved": 600, "stopped": 0}), RING, date=DATE)
    assert sheet.warnings == (words.never_seen("stopped"),)


def test_like_cases_during_a_course_are_those_still_in_treatment():
    model = toy_model()
    before, during = (build_sheet(model, RING, done=done, date=DATE) for done in (0, 1))
    counts = [int(sheet.like[1].split(" were ")[0].rsplit(" ")[-1]) for sheet in (before, during)]
    assert counts[0] > counts[1] > 10
    assert " were like this one and still in treatment after 1: a ring, " in during.like[1]
    late = build_sheet(model, RING, done=6, horizon=8, date=DATE)
    assert "fewer than 11 were like this one and still in treatment after 6" in late.like[1]
    assert words.FEW_LIKE in late.warnings


def test_a_sheet_during_a_course_tells_no_differences_and_says_to_take_care():
    sheet = build_sheet(toy_model(), CLOUD, done=2, date=DATE)
    assert words.DURING in sheet.warnings
    assert (sheet.moved, sheet.moved_lead) == ((), words.NOT_DURING)
    assert words.DURING not in build_sheet(toy_model(), CLOUD, date=DATE).warnings


def test_few_like_cases_are_not_counted_out():
    sheet = build_sheet(toy_model(), CLOUD, date=DATE)
    assert sheet.like[1].startswith("Of these, fewer than 11 were like this one: a cloud, ")


def test_a_small_model_does_not_tell_its_counts():
    sheet = build_sheet(toy_model(n_cases=10, n_patients=9), RING, date=DATE)
    assert "fewer than 11 eyes of fewer than 11 patients" in sheet.like[0]


def test_unknown_features_are_named():
    sheet = build_sheet(toy_model(), {"opacity": ["ring"], "cornea": ["unknown"]}, date=DATE)
    told = dict(sheet.about)["Not known, averaged over"]
    unknown = ("size_mm", "depth", "corneal_surgery")
    assert told == f"{', '.join(FEATURES[name].plain for name in unknown)}."


def test_differences_are_those_of_the_model_from_3_of_100_on():
    model = toy_model()
    sheet = build_sheet(model, RING, date=DATE)
    differences = model.associations(RING, session=3)
    large = sorted((d for d in differences.values() if abs(d) >= 0.03), key=abs, reverse=True)
    told = [line.partition(":")[0] for line in sheet.moved]
    assert told == [f"{round(100 * abs(d))} {'more' if d > 0 else 'fewer'}" for d in large[:3]]
    assert len(differences) > len([d for d in differences.values() if abs(d) >= 0.03]) > 0
    assert words.NO_CAUSE in sheet.moved_lead


def test_a_case_like_the_average_is_said_to_be_so():
    sheet = build_sheet(known_model(HALF), {}, date=DATE)
    assert (sheet.moved, sheet.moved_lead) == ((), words.NOTHING_MOVES)


def test_surgery_is_said_to_count_as_stopped_unless_the_model_tells_it_apart():
    together = build_sheet(toy_model(), RING, date=DATE)
    apart = build_sheet(toy_model(ends=("relieved", "stopped", "surgery")), RING, date=DATE)
    assert words.SURGERY_INSIDE in together.ends_mean
    assert words.SURGERY_INSIDE not in apart.ends_mean
    assert [state.label for state in apart.states][-1] == "Went on to surgery"
    assert sum(state.count for state in apart.states) == 100


def test_the_sheet_says_when_it_was_made_by_what_and_from_what():
    model = toy_model()
    about = dict(build_sheet(model, RING, practice="Example Eye Clinic", date=DATE).about)
    assert about["Date"].startswith("25 November 2026, Example Eye Clinic.")
    expected = f"core {model.model_id}, penalised logistic regression, 2026-10-01, retreat 0.1.0."
    assert about["Model"] == expected
    assert about["Data"] == "clinic case table 0123456789ab."
    assert about["Entered for this eye"] == (
        "a ring, 2 mm long, middle third of the gel, no past surgery to see without glasses, "
        "depth from the zone only."
    )


def test_what_the_model_does_not_use_is_named():
    case = {**RING, "lens": ["natural"], "age": [60]}
    about = dict(build_sheet(toy_model(), case, date=DATE).about)
    assert about["Not used by this model"] == f"{words.plain('lens')}, {words.plain('age')}."
    assert "Not used by this model" not in dict(build_sheet(toy_model(), RING, date=DATE).about)


def test_the_key_of_the_case_is_not_on_the_sheet():
    sheet = build_sheet(toy_model(), {**RING, "case": ["k7f3q9"], "patient": ["p1x8z2"]}, date=DATE)
    assert "k7f3q9" not in repr(sheet)
    assert "p1x8z2" not in repr(sheet)


def test_the_same_case_gives_the_same_sheet():
    model = toy_model()
    assert build_sheet(model, CLOUD, date=DATE) == build_sheet(model, CLOUD, date=DATE)


@pytest.mark.parametrize("name", sorted(FEATURES))
def test_every_level_of_a_feature_has_words(name: str):
    levels = {level: words.value_words(name, level) for level in FEATURES[name].levels}
    assert all("_" not in text for text in levels.values())
    assert name == "depth_source" or all(levels.values())


def test_a_sheet_of_a_rare_combination_says_so_before_the_headline():
    model = toy_model()
    rare = replace(model, support=replace(model.support, cells={}))
    assert build_sheet(rare, RING, date=DATE).warnings[0] == words.FEW_LIKE
    assert words.FEW_LIKE not in build_sheet(model, RING, date=DATE).warnings
