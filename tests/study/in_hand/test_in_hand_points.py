"""Point chart: a reader with whole points is never further off than the chart says."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from toy import CORE, FULL, RING, known_model, toy_model

import retreat
from retreat.coding import Term
from retreat.errors import FitError
from retreat.pages.facts import point_chart_page
from retreat.pages.point_chart import chance_sheet, in_words, scale_sheet
from retreat.study.in_hand import point_chart, points_content
from retreat.study.in_hand.cases import usual_cases
from retreat.study.in_hand.points import COLUMN_STEP, READ_TO, ROW_STEP, table_axes

CURVED = (
    Term(("opacity",), "category", reference="ring", levels=("ring", "strand", "cloud", "sheet")),
    Term(("age",), "spline", centre=60.0, scale=10.0, n_knots=4),
)


def turning():
    """A model whose curve of age rises and falls again."""
    model = toy_model(CURVED)
    coefficients = model.parameters.coefficients.copy()
    coefficients[:, 0, 3:] += (1.5, -4.0, 6.0)
    return replace(model, parameters=replace(model.parameters, coefficients=coefficients))


@cache
def chart(name):
    models = {
        "saved": lambda: retreat.load("tests/saved/core-0.1.0.retreat"),
        "full": lambda: toy_model(FULL),
        "curved": turning,
        "one end": lambda: toy_model(CORE, ends=("one_session",), last_session=1),
        "cloglog": lambda: replace(toy_model(CORE), link="cloglog"),
    }
    return models[name](), point_chart(models[name]())


NAMES = ("saved", "full", "curved", "one end", "cloglog")


def read_off(found, features, n):
    """Whole points read off the drawn scales, each with its nearest position; shape (cases, components, ends)."""
    points = np.empty((n, len(found.components), len(found.longest)), dtype=int)
    for i in range(n):
        for place, one in enumerate(found.components):
            setting = [features[name][i] for name in one.categories]
            scales = [s for s in found.scales if s.component == place]
            if one.number:
                where = "".join(f", {c} {v}" for c, v in zip(one.categories, setting, strict=True))
                (scale,) = [s for s in scales if s.label.endswith(where) and (where or len(scales) == 1)]
                read = [np.interp(features[one.number][i], scale.positions, v) for v in scale.values]
            else:
                (scale,) = scales
                mark = scale.marks.index(", ".join(setting))
                read = scale.values[:, scale.at[mark]]
            points[i, place] = np.rint(read)
    return points


@pytest.mark.parametrize("name", NAMES)
def test_chances_read_off_the_chart_are_within_the_stated_errors(name):
    model, found = chart(name)
    features, weights = usual_cases(model)
    ranges = {n: r for n, r in model.support.ranges.items() if n in features}
    features = {
        n: np.clip(v, ranges[n].low, ranges[n].high) if n in ranges else v for n, v in features.items()
    }
    n = len(weights)
    totals = read_off(found, features, n).sum(axis=1)
    chosen = [k - 1 for k in found.horizons]
    exact = found.hand.incidence(found.hand.totals(features, n), horizon=max(found.horizons))[:, 0, chosen]
    off = np.abs(found.chance(totals) - exact)
    assert off.max() <= found.errors.rounding
    contour = np.round(found.chance(totals) / READ_TO) * READ_TO
    assert np.abs(contour - exact).max() <= found.errors.contours
    steps = (ROW_STEP, COLUMN_STEP)[: totals.shape[1]]
    cells = np.round(found.chance(np.round(totals / steps) * steps), 2)
    assert np.abs(cells - exact).max() <= found.errors.table
    assert off.max() > 0


@pytest.mark.parametrize("name", NAMES)
def test_any_rounding_anywhere_on_the_chart_stays_within_the_stated_error(name):
    _, found = chart(name)
    rng = np.random.default_rng(1)
    totals = rng.uniform(0, found.longest, (4000, len(found.longest)))
    half = 0.5 * len(found.components)
    off = np.abs(found.chance(totals + rng.choice([-half, half], totals.shape)) - found.chance(totals))
    assert off.max() <= found.errors.rounding
    assert off.max() > 0.8 * found.errors.rounding - 0.002


@pytest.mark.parametrize("name", NAMES)
def test_the_worked_example_agrees_with_the_equation_to_rounding(name):
    model, found = chart(name)
    one = found.example
    assert np.abs(one.chances - one.in_hand).max() <= found.errors.rounding
    # a percentage point at most in these charts, by half a point on each of a few scales
    assert np.abs(one.chances - one.in_hand).max() < 0.01
    by_hand = found.chance(one.points.sum(axis=0).astype(float))
    assert by_hand == pytest.approx(one.chances)
    forecast = model.expected_of(one.case, horizon=max(found.horizons), n=1)[0, 0]
    assert one.averaged == pytest.approx(forecast[[k - 1 for k in found.horizons]])


def test_the_example_may_be_ones_own_and_its_table_entry_is_the_nearest():
    model, _ = chart("saved")
    found = point_chart(model, case=RING)
    assert found.example.case["size_mm"].tolist() == [2.0]
    grid = points_content(found).passages[-1].grids[0]
    rows, columns = table_axes(found)
    row, column = (
        np.abs(axis - total).argmin()
        for axis, total in zip((rows, columns), found.example.totals, strict=True)
    )
    shown = [int(part) / 100 for part in grid.rows[row][1 + column].split(" / ")]
    assert np.abs(np.array(shown) - found.example.in_hand).max() <= found.errors.table


def test_a_scale_that_turns_back_is_cut_where_it_turns():
    _, found = chart("curved")
    (scale,) = [one for one in found.scales if one.continuous]
    for end in range(2):
        for first, last in scale.runs(end):
            steps = np.diff(scale.values[end, first : last + 1])
            assert (steps >= -1e-9).all() or (steps <= 1e-9).all()
    assert len(scale.runs(0)) + len(scale.runs(1)) > 2


def test_a_short_scale_in_words_gives_the_points_of_every_value():
    _, found = chart("full")
    scale = next(one for one in found.scales if one.label.startswith("pvd"))
    text = in_words(scale, 1)
    for mark, i in zip(scale.marks, scale.at, strict=True):
        part = next(part for part in text.split("; ") if mark in part.split(" (")[0].split(", "))
        assert part.endswith(f"({np.rint(scale.values[1, i]):.0f})")


@pytest.mark.parametrize("name", NAMES)
def test_sheets_name_no_column_and_tell_no_error_of_the_table(name):
    found = chart(name)[1]
    for draw in (scale_sheet, chance_sheet):
        words = re.findall(r"<!-- (.*?) -->", draw(found, "svg").decode(), re.DOTALL)
        assert len(words) > 5
        assert not [one for one in words if "_" in one]
        assert not [one for one in words if "with the table" in one]


def test_the_page_shows_both_sheets_states_the_largest_errors_and_is_the_same_bytes_each_time():
    model, found = chart("saved")
    page = point_chart_page(model)
    pictures = page.content.passages[0].pictures
    for picture, draw in zip(pictures, (scale_sheet, chance_sheet), strict=True):
        assert picture.svg == draw(found, "svg")
        assert b"<svg" in picture.svg
        assert picture.png.startswith(b"\x89PNG")
    text = page.to_markdown()
    for error in (found.errors.rounding, found.errors.contours, found.errors.table):
        assert f"{100 * error:.1f} percentage points" in text
    assert "](points.svg)" in text
    assert "](chances.svg)" in text
    assert found.distance.words in text


def test_a_model_of_one_end_is_drawn_too():
    _, found = chart("one end")
    assert found.longest.shape == (1,)
    assert b"<svg" in chance_sheet(found, "svg")


@pytest.mark.parametrize(
    ("model", "what"),
    [
        (lambda: known_model(np.array([0.3, 0.4])), "no feature"),
        (lambda: toy_model(CORE, ends=("relieved", "stopped", "surgery")), "3 ends"),
        (lambda: toy_model(failures=("R-hat above 1",)), "R-hat"),
        (
            lambda: toy_model(
                (
                    Term(("size_mm",), "linear"),
                    Term(("depth",), "linear"),
                    Term(("size_mm", "depth"), "interaction"),
                )
            ),
            "size_mm and depth interact",
        ),
    ],
)
def test_what_cannot_be_drawn_on_paper_is_refused(model, what):
    with pytest.raises(FitError, match=what):
        point_chart(model())


def test_a_case_off_the_chart_is_refused():
    with pytest.raises(FitError, match="off the chart"):
        point_chart(chart("saved")[0], case={**RING, "size_mm": [15.0]})
