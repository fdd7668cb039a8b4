"""The sheet as text: same numbers as the page, its width, its words and how easy they are."""

from __future__ import annotations

import re
from html import unescape

import numpy as np
import pytest
from toy import EVERYTHING, FULL, known_model, toy_model, variant

from retreat.pages import words
from retreat.pages.html import render_sheet
from retreat.pages.readability import grade, n_words
from retreat.pages.sheet import Sheet, build_sheet
from retreat.pages.terminal import lines, render_text

DATE = "2026-11-25"
HALF = np.array([0.5])  # hazard of relief 1/2, of stopping 1/10


def test_no_line_is_wider_than_the_terminal(sheet: Sheet):
    assert max(len(line) for line in lines(sheet)) <= 80


def test_marks_of_the_100_figures_are_those_of_the_sheet():
    sheet = variant("during")
    rows = [line.split() for line in lines(sheet) if re.fullmatch(r"  (\w+ ){9}\w+", line)]
    marks = [mark for row in rows for mark in row]
    assert len(rows) == 10
    assert {s.mark: marks.count(s.mark) for s in sheet.states} == {s.mark: s.count for s in sheet.states}
    assert marks == sorted(marks, key=[s.mark for s in sheet.states].index)


def test_text_and_page_carry_the_same_numbers(sheet: Sheet):
    text = render_text(sheet)
    page = unescape(
        re.sub(r"<style>.*?</style>|<svg.*?</svg>|<[^>]+>", " ", render_sheet(sheet), flags=re.DOTALL)
    )
    array = re.compile(r"^  (\w+ +){9}\w+$", flags=re.MULTILINE)
    assert sorted(re.findall(r"\d+", array.sub("", text))) == sorted(re.findall(r"\d+", page))


def test_the_text_of_a_known_course_reads_as_it_should():
    sheet = build_sheet(known_model(HALF), {}, practice="Example Eye Clinic", date=DATE)
    assert render_text(sheet) == GOLDEN.format(model=known_model(HALF).model_id)


GOLDEN = """\
How many laser sessions for this eye?
=====================================

Of 100 eyes treated here, 50 are finished after 1 session, 70 after 2 and 78
after 3.

  1 1 1 1 1 1 1 1 1 1
  1 1 1 1 1 1 1 1 1 1
  1 1 1 1 1 1 1 1 1 1
  1 1 1 1 1 1 1 1 1 1
  1 1 1 1 1 1 1 1 1 1
  2 2 2 2 2 2 2 2 2 2
  2 2 2 2 2 2 2 2 2 2
  3 3 3 3 3 3 3 3 4 4
  4 5 T S S S S S S S
  S S S S S S S S S S

Of 100 eyes treated here
After session                           Finished       Not    Likely   Figures
------------------------------------------------------------------------------
1                                             50        50  50 to 50        50
2                                             70        30  70 to 70        20
3                                             78        22  78 to 78         8
4                                             81        19  81 to 81         3
5                                             82        18  82 to 82         1
T  Still in treatment after session 5                                        1
S  Stopped without enough relief                                            17

After session 3: 78 of 100 (78%) finished, 22 of 100 (22%) not: still in
treatment or stopped. Finished: likely 78 of 100 (from how many eyes were seen;
doctors differ too). Finished means enough relief. Surgery counts as stopped.

Eyes like this one
The model learned from 812 eyes of 640 patients, 2019 to 2024. Too little is
known of this eye to say how many of these were like it.

What goes with this number
No one thing moves this number by 3 of 100 or more.

Please note
This sheet is to help you and your eye doctor talk. It is a group estimate: it
cannot say which of the 100 is you. It is not a promise and does not decide on
treatment. Only a licensed eye doctor (ophthalmologist) may treat, under local
rules. The laser can hurt the lens or the retina, raise the eye pressure, or
fail to help.

********************************************************************************
New flashes, a shower of new floaters, a curtain or loss of vision? Get an
urgent eye check the same day.
********************************************************************************

Date: 25 November 2026, Example Eye Clinic. Ask for a new one after each
  session.
Entered for this eye: nothing.
Model: core {model}, penalised logistic regression, 2026-10-01, retreat
  0.1.0.
Checked: not yet on patients it had not seen.
Data: clinic case table 0123456789ab.

For the clinic
- this model has not been validated: run retreat validate with --into
- likely ranges are 90% intervals of the model; they cover less where the model
  is wrong
"""


def test_the_patients_text_is_at_most_250_words(sheet: Sheet):
    notices = {*sheet.banners, *sheet.warnings}
    assert n_words(text for text in sheet.sentences if text not in notices) <= 250


def test_the_patients_text_is_of_grade_8_or_below(sheet: Sheet):
    assert grade(sheet.sentences) <= 8


def test_every_fixed_sentence_together_is_of_grade_8_or_below():
    fixed = [
        *words.CAUTIONS,
        *(words.URGENT, words.FINISHED_MEANS, words.SURGERY_INSIDE, words.NO_CAUSE, words.NOTHING_MOVES),
        *(words.NO_NUMBERS, words.NO_NUMBERS_WHY, words.RENEW),
        *(
            words.course(2),
            words.like("at least 45", (), done=2),
            words.past_the_cases(4),
            words.few_seen(["age", "lens"]),
        ),
        *(words.never_seen("stopped"), words.FEW_LIKE, words.DURING, words.NOT_DURING),
    ]
    assert grade(fixed) <= 8


def test_the_hardest_case_is_of_grade_8_or_below_and_250_words():
    model = toy_model(FULL, supported_session=4)
    sheet = build_sheet(model, {**EVERYTHING, "size_mm": [9.5]}, done=2, horizon=7, date=DATE)
    assert grade(sheet.sentences) <= 8
    assert n_words(text for text in sheet.sentences if text not in sheet.warnings) <= 250


@pytest.mark.parametrize(
    "pattern",
    [
        r"\b(one|1|\d+) in (\d+|ten|five|four|three)\b",
        r"\b(rare|common|unlikely|probable|probably|low risk|high risk|chance)\b",
        r"\btimes (as|more|higher|lower)\b|\bdouble\b|\bhalf\b|\btwice\b",
        r"\d[.,]\d",
    ],
)
def test_numbers_are_told_only_as_counts_of_100(sheet: Sheet, pattern: str):
    told = [text for text in sheet.sentences if text not in sheet.banners and "dioptres" not in text]
    assert [text for text in told if re.search(pattern, text, flags=re.IGNORECASE)] == []


def test_each_percentage_stands_beside_its_count_of_100(sheet: Sheet):
    for text in sheet.sentences:
        percentages = re.findall(r"(\d+)%", text)
        assert percentages == re.findall(r"(\d+) of 100 \(\1%\)", text)
