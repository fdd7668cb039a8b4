"""Report pages and the index: structure, escaping, what is shown for a missing number."""

from __future__ import annotations

import base64

import pytest
from parsed import Page

from retreat.pages.index import render_groups
from retreat.pages.report import Figure, Link, Section, Table, render_report

DRAWING = '<svg xmlns="http://www.w3.org/2000/svg"><circle r="1"/></svg>'
TABLE = Table("Measures", ("Measure", "core", "n"), (("Brier", 0.12345, 812), ("Slope", float("nan"), None)))
SECTION = Section(
    "After session 2", ("A paragraph.",), (Figure(DRAWING, "A curve near the line", "Below."),), (TABLE,)
)


def test_a_report_holds_its_sections_in_order():
    page = Page(
        render_report("Calibration", ("Why.",), (SECTION, Section("Limits", ("Few cases.",))), banners=("B",))
    )
    assert page.all("html") == [{"lang": "en-GB"}]
    assert page.words("h1") == ["Calibration"]
    assert page.words("h2") == ["After session 2", "Limits"]
    assert page.words("p") == ["B", "Why.", "A paragraph.", "Few cases."]


def test_a_figure_is_inside_the_page_with_its_alternative():
    (image,) = Page(render_report("Calibration", (), (SECTION,))).all("img")
    assert image["alt"] == "A curve near the line"
    assert image["src"] is not None
    kind, _, data = image["src"].partition(",")
    assert kind == "data:image/svg+xml;base64"
    assert base64.b64decode(data).decode() == DRAWING


def test_a_data_uri_is_kept_as_it_is():
    assert Figure("data:image/png;base64,AAAA", "Nothing").source == "data:image/png;base64,AAAA"


@pytest.mark.parametrize("image", ["http://example.org/a.png", "javascript:alert(1)", ""])
def test_a_picture_from_elsewhere_is_refused(image: str):
    with pytest.raises(ValueError, match="an SVG document or a data URI"):
        render_report("Calibration", (), (Section("A", figures=(Figure(image, "x"),)),))


def test_a_table_names_its_rows_and_columns_and_says_what_is_missing():
    page = Page(render_report("Calibration", (), (SECTION,)))
    assert page.words("caption") == ["Measures"]
    assert [(t, a["scope"]) for t, a in zip(page.words("th"), page.all("th"), strict=True)] == [
        *((name, "col") for name in ("Measure", "core", "n")),
        *(("Brier", "row"), ("Slope", "row")),
    ]
    assert page.words("td") == ["0.123", "812", "not available", ""]


def test_a_row_of_another_length_is_refused():
    with pytest.raises(ValueError, match="Odd: 1 cells in a row of 2 columns"):
        render_report("Calibration", (), (Section("A", tables=(Table("Odd", ("a", "b"), (("x",),)),)),))


def test_hostile_text_in_a_report_is_escaped():
    hostile = "<script>alert(1)</script>"
    section = Section(
        hostile,
        (hostile,),
        (Figure(DRAWING, hostile, hostile),),
        (Table(hostile, (hostile,), ((hostile,),)),),
    )
    page = Page(render_report(hostile, (hostile,), (section,), banners=(hostile,)))
    assert "script" not in {tag for tag, _ in page.tags}


def test_a_cell_bears_the_name_of_its_column_for_a_narrow_screen():
    section = Section("A", tables=(Table("One", ("end", "share"), (("relieved", 0.5), ("stopped", None))),))
    page = Page(render_report("Calibration", (), (section,)))
    assert page.all("td") == [{"data-name": "share"}, {"data-name": "share"}]


def test_an_index_by_reader_has_a_heading_for_each():
    links = {"For one": (Link("a.html", "A", "First."),), "For two": (Link("b.csv", "B", "Second."),)}
    page = Page(render_groups("Demonstration", ("All invented.",), links, banners=("Take care.",)))
    assert page.words("h2") == ["For one", "For two"]
    assert page.all("a") == [{"href": "a.html"}, {"href": "b.csv"}]
    assert page.words("li") == ["A: First.", "B: Second."]


def test_the_index_links_to_its_pages_with_a_sentence_each():
    page = Page(
        render_groups(
            "Demonstration", ("All invented.",), {"For one": [Link("sheet.html", "Sheet", "One eye.")]}
        )
    )
    assert page.all("a") == [{"href": "sheet.html"}]
    assert page.words("li") == ["Sheet: One eye."]
