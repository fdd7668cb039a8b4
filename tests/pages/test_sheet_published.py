"""The sheet of a model of published averages: what it rests on comes first, and nothing claims a clinic's own cases."""

from __future__ import annotations

import re
from functools import cache

import pytest
from parsed import Page

import retreat
from retreat.errors import FitError
from retreat.model import Model
from retreat.pages import words
from retreat.pages.html import render_sheet
from retreat.pages.readability import grade, n_words
from retreat.pages.sheet import Sheet, build_sheet
from retreat.pages.terminal import render_text

DATE = "2026-11-25"
RING = {"opacity": ["ring"], "size_mm": [2.0], "zone": ["middle"], "cornea": ["none"]}
# the least that is published of an eye: everything is warned of
STRAND = {"opacity": ["strand"], "size_mm": [11.5], "zone": ["posterior"], "cornea": ["myopic_ablation"]}
CASES = {"ring": (RING, 0), "strand": (STRAND, 0), "nothing known": ({}, 0), "during": (STRAND, 2)}


@cache
def model() -> Model:
    return retreat.published(seed=1)


@pytest.fixture(params=CASES)
def sheet(request: pytest.FixtureRequest) -> Sheet:
    case, done = CASES[request.param]
    return build_sheet(model(), case, done=done, horizon=5, practice="x" * 50, date=DATE)


def test_the_basis_is_the_banner_and_comes_first(sheet: Sheet) -> None:
    assert sheet.banners == model().card.basis
    assert sheet.sentences[: len(sheet.banners)] == sheet.banners
    assert Page(render_sheet(sheet)).words("body")[0].startswith(sheet.banners[0])
    assert render_text(sheet).splitlines()[1].startswith("These numbers come from published averages")


def test_nothing_claims_cases_of_the_clinic(sheet: Sheet) -> None:
    told = " ".join((*sheet.sentences, *(text for _, text in sheet.about)))
    assert not re.search(r"learned from|were seen|eyes treated here,|clinic case table|no eye was seen", told)
    assert sheet.like == (words.NONE_SEEN,)
    assert dict(sheet.about)["Data"] == words.PUBLISHED_DATA
    assert words.NO_CASES_YET in sheet.for_clinic


def test_whom_the_hundred_stand_for() -> None:
    assert build_sheet(model(), RING, date=DATE).caption == "Of 100 eyes like this one"
    unknown = build_sheet(model(), {}, date=DATE)
    assert unknown.headline.startswith("Of 100 eyes as in published reports, ")


def test_the_likely_range_tells_that_clinics_differ_and_is_wide(sheet: Sheet) -> None:
    assert words.CLINICS_DIFFER in sheet.likely
    assert sheet.rows[0].high - sheet.rows[0].low > 40


def test_what_is_not_published_is_warned_of() -> None:
    sheet = build_sheet(model(), STRAND, date=DATE)
    assert sheet.warnings == (
        words.not_reported(["size_mm", "opacity", "corneal_surgery"]),
        words.past_the_reports(4),
    )
    assert "no published result used here is mainly of eyes with opacity strand" in sheet.for_clinic


def test_the_text_is_easy_and_short_and_fits_the_page(sheet: Sheet) -> None:
    assert grade(sheet.sentences) <= 8
    notices = {*sheet.banners, *sheet.warnings}
    assert n_words(text for text in sheet.sentences if text not in notices) <= 250
    # as the longest sheet that was seen to print on one page (test_sheet_html)
    assert len(" ".join((*sheet.sentences, *(f"{name}: {text}" for name, text in sheet.about)))) <= 2200


def test_a_course_longer_than_any_result_tells_of_is_refused() -> None:
    with pytest.raises(
        FitError, match="no published result used here tells of eyes that were still in treatment"
    ):
        build_sheet(model(), RING, done=4, horizon=6, date=DATE)
