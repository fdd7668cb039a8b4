"""Drawings of effects: all numbers on paper, told apart without colour, the same bytes each time."""

import re

import pytest
from clinics import clinic

from retreat.pages.effect_plots import average_figure, curve_figure, forest_figure
from retreat.pages.study_tables import average_grid
from retreat.study.effects import Comparison, estimate_effects


@pytest.fixture(scope="module")
def found():
    asked = [
        Comparison("size_mm", 4.0, 1.0, {"opacity": "sheet"}),
        Comparison("corneal_surgery", "yes", "no"),
    ]
    return estimate_effects(clinic(cases=300), "core", comparisons=asked)


def drawings(found, form):
    return [
        forest_figure(found.ratios, title="Ratios", region=0.18, cautions=found.cautions, form=form),
        average_figure(found.averages, title="Averages", form=form),
        curve_figure(found.curves, title="Curves", form=form),
    ]


def test_pictures_are_svg_or_png_and_the_same_twice(found):
    one = drawings(found, "svg")
    assert all(picture.startswith(b"<?xml") for picture in one)
    assert forest_figure(found.ratios, title="Ratios", form="png").startswith(b"\x89PNG")
    assert curve_figure(found.curves, title="Curves") == one[2]


def test_the_forest_holds_every_number_and_caution(found):
    text = forest_figure(found.ratios, title="Ratios", cautions=found.cautions).decode()

    # matplotlib leaves the text of each piece in a comment
    words = " ".join(re.findall(r"<!-- (.*?) -->", text, re.DOTALL))
    for row in found.ratios.itertuples():
        assert f"{row.ratio:.2f} ({row.low:.2f} to {row.high:.2f})" in words
    assert "size mm: 4 against 1" in words
    assert "opacity sheet" in words
    assert "invented demonstration data" in words


def test_average_effects_stand_in_percentage_points_as_in_the_table(found):
    words = " ".join(
        re.findall(r"<!-- (.*?) -->", average_figure(found.averages, title="").decode(), re.DOTALL)
    )
    grid = average_grid(found.averages)
    assert any("by session" in row[1] for row in grid.rows)
    for row in grid.rows:
        assert row[2] in words
    assert "Difference, percentage points" in words
    assert "Difference, sessions" in words


def test_features_of_a_curve_are_named_without_the_names_of_columns(found):
    words = " ".join(re.findall(r"<!-- (.*?) -->", curve_figure(found.curves, title="").decode(), re.DOTALL))
    assert "size (mm)" in words
    assert "_" not in words


def test_more_ends_than_styles_and_nothing_are_refused(found):
    import pandas as pd

    many = pd.concat([found.ratios.assign(end=f"end {i}") for i in range(4)])
    with pytest.raises(ValueError, match="at most 3"):
        forest_figure(many, title="")
    with pytest.raises(ValueError, match="no effects"):
        curve_figure(found.curves.iloc[:0], title="")
