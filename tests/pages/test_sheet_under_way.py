"""The sheet of a course under way: its numbers, what it leaves open, its words, its page."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache
from html import unescape
from typing import Any

import numpy as np
import pytest
from made_progress import made_progress
from parsed import Page
from toy import CLOUD, EVERYTHING, FULL, RING, known_model, toy_model

from retreat.errors import FitError
from retreat.frequencies import counts_of
from retreat.model import Model
from retreat.model.card import INVENTED, NOT_FOR_COUNSELLING, Validated
from retreat.model.history.landmark import SEEN, UNSEEN, Landmark
from retreat.pages import course_words, words
from retreat.pages.html import render_sheet
from retreat.pages.readability import grade, n_words
from retreat.pages.record import Sheet, UnderWay
from retreat.pages.sheet import build_sheet
from retreat.pages.terminal import lines, render_text

DATE = "2026-11-25"
EYE: dict[str, Any] = {**RING, "case": ["k7f3q9"], "relief_before": [8]}
# characters of the longest sheet that, printed by a browser to A4 and to Letter, fitted one page
SEEN_TO_FIT = 1790
ADVICE = re.compile(r"\b(should|ought|worth|recommend\w*|advis\w*|best|better)\b", re.IGNORECASE)


def visits(n: int, **noted: Any) -> dict[str, Any]:
    seen = {
        "cleared": np.linspace(0.3, 0.8, n).tolist(),
        "fragments": ["few"] * n,
        "bother": np.linspace(7, 4, n).round().tolist(),
    }
    return {"case": ["k7f3q9"] * n, "session": list(range(1, n + 1)), **seen, **noted}


@cache
def seeing(**card: Any) -> Model:
    model = toy_model(draws=60, **card)
    return replace(model, history=made_progress(len(model.coding.names), 60))


LATE = {"done": 9, "horizon": 13}
VARIANTS: dict[str, Any] = {
    "told": lambda: build_sheet(seeing(), EYE, visits=visits(2), done=2, date=DATE),
    "partly noted": lambda: build_sheet(
        seeing(),
        EYE,
        visits=visits(2, cleared=["unknown", 0.6], bother=[6, "not_recorded"]),
        done=2,
        date=DATE,
    ),
    "nothing noted": lambda: build_sheet(
        seeing(), EYE, visits={**visits(1), "case": ["other"]}, done=2, date=DATE
    ),
    "blind": lambda: build_sheet(
        toy_model(), {**CLOUD, "case": ["k7f3q9"]}, visits=visits(2), done=2, date=DATE
    ),
    "pieces not noted": lambda: build_sheet(
        seeing(),
        EYE,
        visits=visits(3, fragments=["few", "few", "unknown"]),
        done=3,
        date=DATE,
    ),
    "most words": lambda: build_sheet(
        seeing(invented=True),
        EYE,
        visits=visits(2, cleared=[0.5, "unknown"], bother=[6, "unknown"]),
        done=2,
        date=DATE,
    ),
    "late": lambda: build_sheet(seeing(supported_session=20), EYE, visits=visits(9), **LATE, date=DATE),
    "invented": lambda: build_sheet(seeing(invented=True), EYE, visits=visits(1), done=1, date=DATE),
}


@cache
def variant(name: str) -> Sheet:
    return VARIANTS[name]()


@pytest.fixture(params=VARIANTS)
def sheet(request: pytest.FixtureRequest) -> Sheet:
    return variant(request.param)


def course(sheet: Sheet) -> UnderWay:
    assert sheet.under_way is not None
    return sheet.under_way


def test_the_headline_speaks_of_eyes_that_stand_where_this_one_stands():
    expected = course_words.headline(
        course_words.STANDS, (3, 4, 5), [row.finished for row in variant("told").rows]
    )
    assert variant("told").course == "You have had 2 sessions."
    assert variant("told").headline == expected
    assert variant("told").caption == "Of 100 eyes that stand where yours stands and go on"


@pytest.mark.parametrize(
    ("name", "used"), [("nothing noted", course_words.NOTHING_NOTED), ("blind", course_words.NOT_USED)]
)
def test_an_eye_of_which_only_the_count_is_used_is_not_said_to_stand_there(name: str, used: str):
    assert variant(name).headline.startswith("Of 100 eyes like this one still in treatment after 2, ")
    assert course(variant(name)).used == used
    assert course_words.BOTHER_NOT_KNOWN in course(variant(name)).go_on


def test_the_numbers_are_those_of_the_outlook():
    found = seeing().outlook({**EYE, "sessions": [2]}, visits(2), horizon=5)
    sheet = variant("told")
    finish = [counts_of([p, 1 - p])[0] for p in (one.relieved.estimate for one in found.further)]
    assert [step.finish for step in course(sheet).steps] == finish
    assert [step.bother for step in course(sheet).steps] == [f"{one.bother:.0f}" for one in found.further]
    by = [100 * one.relieved_by.estimate for one in found.further]
    assert np.abs(np.array(by) - [row.finished for row in sheet.rows]).max() <= 1
    assert found.bother_next is not None
    span = f"{found.bother_next.low:.0f} to {found.bother_next.high:.0f} of 10"
    assert f"In 80 of 100, bother is then {span}." in course(sheet).go_on


def test_the_next_session_adds_up_to_100(sheet: Sheet):
    told = [int(n) for n in re.findall(r"(\d+)(?: of 100| go on| stop)", course(sheet).go_on[0])]
    finished, rest, going_on, stopped = told
    assert finished == sheet.rows[0].finished
    assert finished + rest == 100
    assert going_on + stopped == rest


def test_the_picture_at_the_start_is_the_forecast_before_the_first_session():
    before = seeing().forecast({**EYE, "sessions": [0]}, horizon=5).mean()[0, 0]
    by_two, by_five = (int(counts_of([p, 1 - p])[0]) for p in before[[1, 4]])
    assert course(variant("told")).at_start == (
        f"Of 100 eyes like this one, {by_two} finished by session 2 and {by_five} by 5. Yours went on."
    )


def test_ending_now_is_told_beside_going_on():
    first, second = course(variant("told")).stop
    assert first == "This tool does not forecast what follows."
    again = round(seeing().outlook({**EYE, "sessions": [2]}, visits(2)).bother_again.estimate)
    assert second == f"Last bother: 4 of 10; rated again, about {again}."
    assert (
        course(variant("partly noted"))
        .stop[1]
        .startswith("Last bother: 6 of 10 (session 1); rated again, about ")
    )
    assert course(variant("nothing noted")).stop[1] == "Bother is taken to stay about as it is."


def test_no_end_is_foretold_of_an_eye_without_bother():
    sheet = build_sheet(seeing(), EYE, visits=visits(2, bother=[4, 0]), done=2, date=DATE)
    assert course(sheet).stop[1].startswith("Last bother: 0 of 10; rated again, about ")
    assert not re.search(r"record|stopped|relief", " ".join(course(sheet).stop))


def test_bother_after_the_session_is_held_against_bother_without_it():
    # after a bad day of an eye whose sessions do nothing, the rating returns: that is not the session's
    model = toy_model(draws=60)
    idle = made_progress(
        len(model.coding.names), 60, off=0.0, clear_level=-12.0, clear_session=[0.0] * 3, bother_few=0.0,
        bother_many=0.0,
    )  # fmt: skip
    seen = visits(2, cleared=[0.0, 0.0], bother=[5, 10])
    sheet = build_sheet(replace(model, history=idle), EYE, visits=seen, done=2, date=DATE)
    assert course(sheet).steps[0].bother != "10"
    assert course(sheet).go_on[2:] == (
        "On average, about the same as with no session.",
        "Ratings move about 1 point by themselves.",
    )
    found = seeing().outlook({**EYE, "sessions": [2]}, visits(2), horizon=5)
    assert found.bother_again is not None
    assert found.bother_next is not None
    # the difference of the numbers that stand on the page
    again, after = round(found.bother_again.estimate), round(found.bother_next.estimate)
    assert course_words.fall(again - after) in course(variant("told")).go_on
    assert course(variant("told")).steps[0].bother == str(after)
    assert found.fall_next is not None
    assert found.fall_next.estimate > 0


def test_without_the_fragments_last_noted_no_fall_is_told():
    seen = visits(2, fragments=["few", "unknown"])
    sheet = build_sheet(seeing(), EYE, visits=seen, done=2, date=DATE)
    assert "with no session" not in " ".join(course(sheet).go_on)
    assert course(sheet).go_on[-1].startswith("Ratings move ")
    assert course(sheet).go_on[1].startswith("In 80 of 100, bother is then ")
    assert "the fall in bother: fragments were not noted after session 2" in sheet.for_clinic


def test_what_was_not_noted_is_shown_as_not_noted():
    first, second = course(variant("partly noted")).strip[1:]
    assert (first.gone, first.pieces, first.bother) == ("not noted", "few", "6 of 10")
    assert (second.gone, second.pieces, second.bother) == ("60 of 100", "few", "not noted")
    nothing = course(variant("nothing noted")).strip[1:]
    assert {(one.gone, one.pieces, one.bother) for one in nothing} == {("not noted",) * 3}


def test_a_long_course_shows_its_last_sessions_and_says_so():
    assert [one.session for one in course(variant("late")).strip] == ["6", "7", "8", "9"]
    assert course(variant("late")).strip_caption == "Your sessions so far, the last 4 of 9"


DURING_CHECKED = "5-fold cross-validation by patient; during a course after session 1, 2, 3"
LAST_HIDDEN = {"cleared": [0.3, "unknown"], "fragments": ["few", "unknown"], "bother": [7, "unknown"]}


def checked_as(
    standing: str = "fit for counselling", reasons: tuple[str, ...] = (), scheme: str = DURING_CHECKED
) -> Model:
    model = seeing()
    found = Validated(standing, reasons, "validate again", scheme, DATE)
    return replace(model, card=replace(model.card, validated=found))


@pytest.mark.parametrize(
    ("model", "seen", "warned"),
    [
        (seeing, {}, True),
        (checked_as, {}, False),
        (lambda: checked_as("usable with a warning", ("relieved was seldom seen",)), {}, False),
        (
            lambda: checked_as(
                "usable with a warning", ("during a course, after 1 session, the slope is 2",)
            ),
            {},
            True,
        ),
        (lambda: checked_as(scheme="5-fold cross-validation by patient"), {}, True),
        (lambda: checked_as(scheme="x; during a course after session 1, 3"), {}, True),
        (checked_as, {"bother": [7, "unknown"], "cleared": [0.3, "unknown"]}, False),
        (checked_as, LAST_HIDDEN, True),
    ],
)
def test_a_forecast_during_a_course_is_doubted_unless_it_was_checked_there(
    model: Any, seen: dict[str, Any], warned: bool
):
    sheet = build_sheet(model(), EYE, visits=visits(2, **seen), done=2, date=DATE)
    assert (course_words.EITHER in sheet.warnings) == warned
    assert words.DURING not in sheet.warnings
    assert course(sheet).used.startswith(course_words.USED)


def test_a_course_is_doubted_where_nothing_of_it_is_used():
    assert words.DURING in variant("blind").warnings
    assert words.DURING in variant("nothing noted").warnings


def test_what_was_not_noted_at_the_last_session_is_named():
    assert course(variant("told")).used == course_words.USED
    assert course(variant("partly noted")).used.endswith(" Not noted last time: bother.")
    sheet = build_sheet(seeing(), EYE, visits=visits(2, **LAST_HIDDEN), done=2, date=DATE)
    assert course(sheet).used.endswith(" Not noted last time: gone, pieces and bother.")
    # nor is it where there is no line of the last session
    late = build_sheet(seeing(), EYE, visits=visits(2), done=3, date=DATE)
    assert course(late).used.endswith(" Not noted last time: gone, pieces and bother.")


def test_a_record_that_does_not_fit_the_model_is_not_said_to_be_used():
    # what was gone comes back, more than grading can explain
    model = toy_model(draws=200)
    part = made_progress(
        len(model.coding.names), 200, off=0.5, grade_sd=0.01, clear_luck_sd=0.02, clear_eye_sd=0.02
    )
    seen = visits(3, cleared=[0.99, 0.02, 0.99])
    sheet = build_sheet(replace(model, history=part), EYE, visits=seen, done=3, date=DATE)
    assert course(sheet).used == course_words.DOES_NOT_FIT
    assert course_words.BOTHER_NOT_KNOWN in course(sheet).go_on
    assert sheet.warnings[0] == course_words.UNFIT
    assert words.DURING in sheet.warnings
    assert sheet.headline.startswith("Of 100 eyes like this one still in treatment after 3, ")


def test_a_record_that_fits_badly_is_said_at_the_top(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr("retreat.model.request.DISAGREES_SOMEWHAT", 1.1)
    sheet = build_sheet(seeing(), EYE, visits=visits(2), done=2, date=DATE)
    assert sheet.warnings[0] == course_words.BADLY


def landmark(model: Model) -> Landmark:
    """A landmark model without effects."""
    width = 2 * (len(model.coding.names) + 1 + 2 * len(SEEN) + len(UNSEEN) + 2 + 1)
    values = np.full((model.parameters.n_draws, width), -0.5)
    values[:, :-2] = 0.0
    return Landmark(values, 2, len(model.coding.names), 2, 3, (0.0,) * len(SEEN), "logit", model.parameters)


@pytest.mark.parametrize("base_of_operators", [True, False])
def test_what_a_range_counts_is_told_of_the_model_whose_numbers_stand_there(base_of_operators: bool):
    model = toy_model(draws=60)
    effect = model.parameters.operator_effect + 0.1 * base_of_operators
    model = replace(model, parameters=replace(model.parameters, operator_effect=effect))
    told: list[str] = []
    for history in (made_progress(len(model.coding.names), 60), landmark(model), None):
        sheet = build_sheet(replace(model, history=history), EYE, visits=visits(2), done=2, date=DATE)
        told.append(sheet.likely)
    with_operators = course_words.LIKELY[words.EYES_AND_DOCTORS]
    without = course_words.LIKELY[words.EYES_SEEN]
    assert told == [with_operators, without, with_operators if base_of_operators else without]


def test_what_the_course_uses_is_not_said_to_be_unused():
    bother = words.plain("relief_before")
    assert bother not in " ".join(variant("told").for_clinic)
    unused = build_sheet(toy_model(), EYE, visits=visits(2), done=2, date=DATE)
    assert f"not used by this model: {bother}." in unused.for_clinic


def test_what_is_not_known_is_told_to_the_clinic():
    assert any(text.startswith("bother after further sessions: ") for text in variant("blind").for_clinic)


def test_before_the_first_session_visits_change_nothing():
    model = seeing()
    assert build_sheet(model, EYE, visits=visits(1, case=["other"]), date=DATE) == build_sheet(
        model, EYE, date=DATE
    )


def test_a_model_that_failed_its_checks_shows_no_number_of_the_course():
    failed = build_sheet(
        seeing(failures=("R-hat 1.04 above 1.01",)), EYE, visits=visits(2), done=2, date=DATE
    )
    assert failed.banners == (NOT_FOR_COUNSELLING, "R-hat 1.04 above 1.01")
    assert (failed.under_way, failed.rows) == (None, ())


def test_nothing_is_advised(sheet: Sheet):
    told = [*sheet.sentences, sheet.title, course(sheet).go_on_heading, course_words.STOP_HEADING]
    assert [text for text in told if ADVICE.search(text)] == []
    assert set(words.CAUTIONS) <= set(sheet.sentences)
    assert words.URGENT in sheet.sentences


def test_nothing_alarms(sheet: Sheet):
    alarming = re.compile(r"\b(worse|fail|failed|bad|unusual|slow|behind|expected)\b", re.IGNORECASE)
    assert not alarming.search(" ".join((*course(sheet).sentences, sheet.headline)))


def test_the_patients_text_is_of_grade_8_or_below_and_at_most_250_words(sheet: Sheet):
    notices = {*sheet.banners, *sheet.warnings}
    assert grade(sheet.sentences) <= 8
    assert n_words(text for text in sheet.sentences if text not in notices) <= 250


def test_every_fixed_sentence_together_is_of_grade_8_or_below():
    fixed = (
        course_words.USED,
        course_words.NOTHING_NOTED,
        course_words.NOT_USED,
        course_words.DOES_NOT_FIT,
        course_words.fall(2),
        course_words.passing(1),
        course_words.lacking(("Gone", "Bother")),
        course_words.BOTHER_NOT_KNOWN,
        course_words.UNFIT,
        course_words.BADLY,
        course_words.EITHER,
    )
    stays = course_words.stays(4.0, noted_after=1, done=2, again=3.0)
    told = (course_words.NOT_FORECAST, stays, *course_words.LIKELY.values())
    assert grade((*fixed, *told)) <= 8


@pytest.mark.parametrize(
    "pattern",
    [
        r"\b(one|1|\d+) in (\d+|ten|five|four|three)\b",
        r"\b(rare|common|unlikely|probable|probably|low risk|high risk|chance)\b",
        r"\btimes (as|more|higher|lower)\b|\bdouble\b|\bhalf\b|\btwice\b",
        r"\d[.,]\d",
    ],
)
def test_numbers_are_told_only_as_counts(sheet: Sheet, pattern: str):
    told = [text for text in sheet.sentences if text not in sheet.banners]
    assert [text for text in told if re.search(pattern, text, flags=re.IGNORECASE)] == []


def test_each_percentage_stands_beside_its_count_of_100(sheet: Sheet):
    for text in sheet.sentences:
        assert re.findall(r"(\d+)%", text) == re.findall(r"(\d+) of 100 \(\1%\)", text)


def test_text_and_page_carry_the_same_numbers(sheet: Sheet):
    page = unescape(
        re.sub(r"<style>.*?</style>|<svg.*?</svg>|<[^>]+>", " ", render_sheet(sheet), flags=re.DOTALL)
    )
    array = re.compile(r"^  (\w+ +){9}\w+$", flags=re.MULTILINE)
    assert sorted(re.findall(r"\d+", array.sub("", render_text(sheet)))) == sorted(re.findall(r"\d+", page))
    assert max(len(line) for line in lines(sheet)) <= 80


def test_every_sentence_and_cell_is_on_the_page(sheet: Sheet):
    page = Page(render_sheet(sheet))
    shown = " ".join(page.words("body"))
    assert [sentence for sentence in sheet.sentences if sentence not in shown] == []
    assert page.words("h1") == [course_words.TITLE]
    assert page.words("caption")[1:] == [course(sheet).strip_caption, course_words.COME]
    cells = [cell for _, _, told in (*course(sheet).strip_rows, *course(sheet).step_rows) for cell in told]
    assert page.words("td")[-len(cells) :] == cells


def test_bars_are_hidden_beside_their_numbers_and_tables_have_scoped_headers(sheet: Sheet):
    page = Page(render_sheet(sheet))
    assert [d.get("role") for d in page.all("svg") if d.get("aria-hidden") != "true"] == ["img"]
    assert {header.get("scope") for header in page.all("th")} == {"col", "row"}
    widths = re.findall(r'class="bar".*?<rect width="(\d+)" height="16" fill="#0072B2"', render_sheet(sheet))
    assert [int(width) for width in widths] == [step.finish for step in course(sheet).steps]


def test_the_key_of_the_case_is_not_on_the_sheet(sheet: Sheet):
    assert "k7f3q9" not in repr(sheet)


def test_invented_data_is_told_first():
    assert variant("invented").sentences[0] == INVENTED


def test_no_sheet_is_sure_of_all_or_of_none():
    sheet = build_sheet(
        known_model(np.array([0.9985]), stopped=0.001), EYE, visits=visits(1), done=1, date=DATE
    )
    assert course(sheet).go_on[0] == (
        "Over 99 of 100 (over 99%) finished, fewer than 1 of 100 (fewer than 1%) not: "
        "fewer than 1 go on and fewer than 1 stop."
    )


@pytest.mark.parametrize("told_of_course", [True, False])
def test_the_longest_sheet_keeps_to_what_was_seen_to_fit_one_page(told_of_course: bool):
    case = {**EYE, **EVERYTHING, "size_mm": [9.5]}
    model = toy_model(FULL, draws=60, invented=True, supported_session=14)
    if told_of_course:
        model = replace(model, history=made_progress(len(model.coding.names), 60))
    seen = visits(3, cleared=[0.3, 0.5, "unknown"], bother=[7, 6, "unknown"])
    sheet = build_sheet(model, case, visits=seen, done=3, horizon=7, practice="x" * 50, date=DATE)
    told = (*sheet.sentences, *(f"{name}: {text}" for name, text in sheet.about))
    assert len(" ".join(told)) <= SEEN_TO_FIT
    assert (len(course(sheet).strip), len(course(sheet).steps)) == (4, 4)


def test_what_the_page_has_no_room_for_is_told_to_the_clinic():
    sheet = build_sheet(
        toy_model(FULL),
        {**EYE, **EVERYTHING},
        visits=visits(2),
        done=2,
        practice="Example Eye Clinic",
        date=DATE,
    )
    about, clinic = dict(sheet.about), " ".join(sheet.for_clinic)
    assert about["Entered for this eye"].endswith(" more.")
    assert words.value_alone("age", 64) not in about["Entered for this eye"]
    assert words.value_alone("age", 64) in clinic
    assert "penalised logistic regression" in clinic
    assert "data: clinic case table" in clinic
    assert about["Date"].startswith("25 November 2026, Example Eye Clinic.")


def test_more_sessions_than_the_page_has_room_for_are_refused():
    with pytest.raises(FitError, match="horizon: 7; allowed: 3 to 6 after 2 done"):
        build_sheet(seeing(), EYE, visits=visits(2), done=2, horizon=7, date=DATE)
