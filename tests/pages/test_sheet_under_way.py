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
from retreat.model.card import INVENTED, NOT_FOR_COUNSELLING
from retreat.pages import course_words, words
from retreat.pages.html import render_sheet
from retreat.pages.readability import grade, n_words
from retreat.pages.record import Sheet, UnderWay
from retreat.pages.sheet import build_sheet
from retreat.pages.terminal import lines, render_text

DATE = "2026-11-25"
EYE: dict[str, Any] = {**RING, "case": ["k7f3q9"], "relief_before": [8]}
# characters of the longest sheet that, printed by a browser to A4 and to Letter, left a line free
SEEN_TO_FIT = 1760
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
    assert variant("told").caption == "Of 100 eyes that stand where yours stands"


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
    told = [int(n) for n in re.findall(r"(\d+)(?: of 100| go on| stop )", course(sheet).go_on[0])]
    finished, rest, going_on, stopped = told
    assert finished == sheet.rows[0].finished
    assert finished + rest == 100
    assert going_on + stopped == rest


def test_the_picture_at_the_start_is_the_forecast_before_the_first_session():
    before = seeing().forecast({**EYE, "sessions": [0]}, horizon=5).mean()[0, 0]
    by_two, by_five = (int(counts_of([p, 1 - p])[0]) for p in before[[1, 4]])
    assert course(variant("told")).at_start == (
        f"The picture was: of 100 eyes like this one, {by_two} finished by session 2 and {by_five} by session 5. "
        "Yours went on."
    )


def test_ending_now_is_told_beside_going_on():
    assert course(variant("told")).stop == (
        "No more relief is forecast.",
        "Bother is taken to stay at 4 of 10.",
        "The record then says: stopped.",
    )
    assert "as noted after session 1" in course(variant("partly noted")).stop[1]
    assert course(variant("nothing noted")).stop[1] == "Bother is taken to stay as it is."


def test_what_was_not_noted_is_shown_as_not_noted():
    first, second = course(variant("partly noted")).strip[1:]
    assert (first.gone, first.pieces, first.bother) == ("not noted", "few", "6 of 10")
    assert (second.gone, second.pieces, second.bother) == ("60 of 100", "few", "not noted")
    nothing = course(variant("nothing noted")).strip[1:]
    assert {(one.gone, one.pieces, one.bother) for one in nothing} == {("not noted",) * 3}


def test_a_long_course_shows_its_last_sessions_and_says_so():
    assert [one.session for one in course(variant("late")).strip] == ["6", "7", "8", "9"]
    assert course(variant("late")).strip_caption == "Your sessions so far, the last 4 of 9"


def test_a_model_that_sees_the_course_does_not_warn_that_it_cannot():
    assert words.DURING not in variant("told").warnings
    assert words.DURING in variant("blind").warnings
    assert words.DURING in variant("nothing noted").warnings


def test_what_the_course_uses_is_not_said_to_be_unused():
    bother = words.plain("relief_before")
    assert bother not in " ".join(variant("told").for_clinic)
    unused = build_sheet(toy_model(), EYE, visits=visits(2), done=2, date=DATE)
    assert f"not used by this model: {bother}." in unused.for_clinic


def test_what_is_not_known_is_told_to_the_clinic():
    assert "the fall in bother: it was not noted after session 2" in variant("partly noted").for_clinic


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
        course_words.BOTHER_NOT_KNOWN,
    )
    told = (course_words.NO_MORE, course_words.RECORD_SAYS, *course_words.LIKELY.values())
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
        "After it: over 99 of 100 (over 99%) finished, fewer than 1 of 100 (fewer than 1%) not: "
        "fewer than 1 go on and fewer than 1 stop without enough relief."
    )


def test_the_longest_sheet_keeps_to_what_was_seen_to_fit_one_page():
    case = {**EYE, **EVERYTHING, "size_mm": [9.5]}
    model = toy_model(FULL, invented=True, supported_session=14)
    sheet = build_sheet(model, case, visits=visits(3), done=3, horizon=7, practice="x" * 50, date=DATE)
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
