"""The sheet as HTML: structure, contrast, sizes, escaping, writing."""

from __future__ import annotations

import io
import itertools
import re
from pathlib import Path

import pytest
from parsed import Page
from toy import EVERYTHING, FULL, RING, toy_model, variant

from retreat.errors import RetreatError
from retreat.pages import figures, words
from retreat.pages.html import render_sheet, write_page
from retreat.pages.sheet import Sheet, build_sheet

DATE = "2026-11-25"
TEMPLATES = Path(figures.__file__).parent / "templates"
# characters of the longest sheet that, printed by a browser to A4 and to Letter, left a line free
SEEN_TO_FIT = 2200


def test_the_page_names_its_language_and_has_one_title(sheet: Sheet):
    page = Page(render_sheet(sheet))
    assert page.all("html") == [{"lang": "en-GB"}]
    assert page.words("h1") == [words.TITLE]
    assert page.words("title")[0] == words.TITLE


def test_headings_go_down_one_level_at_a_time(sheet: Sheet):
    levels = [int(tag[1]) for tag, _ in Page(render_sheet(sheet)).tags if re.fullmatch(r"h\d", tag)]
    assert levels[0] == 1
    assert all(after - before <= 1 for before, after in itertools.pairwise(levels))


def test_nothing_runs_and_nothing_is_fetched(sheet: Sheet):
    text = render_sheet(sheet)
    page = Page(text)
    assert not {"script", "link", "iframe", "img", "object"} & {tag for tag, _ in page.tags}
    assert not re.search(r"https?:|url\(|@import|javascript:", text)
    addresses = [a["href"] for _, a in page.tags if "href" in a]
    assert all(address is not None and address.startswith("#") for address in addresses)


def test_every_figure_has_a_text_alternative_or_is_hidden_beside_its_words(sheet: Sheet):
    page = Page(render_sheet(sheet))
    drawings = page.all("svg")
    assert [d.get("role") for d in drawings if d.get("aria-hidden") != "true"] == ["img"] * bool(sheet.rows)
    if sheet.rows:
        (label,) = [d["aria-labelledby"] for d in drawings if d.get("role") == "img"]
        assert label is not None
        assert set(label.split()) <= {a.get("id") for _, a in page.tags}
        counts = [int(n) for n in re.findall(r": (\d+)\.", page.words("desc")[0])]
        assert counts == [state.count for state in sheet.states]


def test_a_hundred_figures_stand_in_session_order():
    text = str(figures.array(variant("during").states))
    drawn = re.findall(r'<use href="#array-(\w+)" x="(\d+)" y="(\d+)"', text)
    assert len(drawn) == 100
    places = [(int(y), int(x)) for _, x, y in drawn]
    assert places == sorted(set(places))
    marks = [mark for mark, _, _ in drawn]
    assert list(dict.fromkeys(marks)) == ["3", "4", "5", "T", "S"]
    assert [marks.count(s.mark) for s in variant("during").states] == [
        s.count for s in variant("during").states
    ]


def test_states_differ_without_colour():
    shapes = re.findall(
        r'<g id="array-(\w+)"><path d="([^"]+)"', str(figures.array(variant("surgery apart").states))
    )
    outlines = dict(shapes)
    assert len({outlines[mark] for mark in ("1", "T", "S", "W")}) == 4
    assert len(outlines) == len(variant("surgery apart").states)


def test_the_table_has_a_caption_and_scoped_headers():
    page = Page(render_sheet(variant("before")))
    assert page.words("caption") == [words.whom(known=True)]
    assert {header.get("scope") for header in page.all("th")} == {"col", "row"}
    assert [t for t, a in zip(page.words("th"), page.all("th"), strict=True) if a["scope"] == "col"] == list(
        words.HEADINGS
    )


def test_the_table_holds_the_numbers_of_the_sheet():
    sheet = variant("before")
    cells = Page(render_sheet(sheet)).words("td")
    expected = [
        text
        for row, state in zip(sheet.rows, sheet.states, strict=False)
        for text in (
            *(str(row.finished), str(row.not_finished)),
            *(f"{row.low} to {row.high}", str(state.count)),
        )
    ]
    assert cells == [*expected, *(str(state.count) for state in sheet.states[5:])]


def test_every_sentence_is_on_the_page(sheet: Sheet):
    page = Page(render_sheet(sheet))
    shown = " ".join(page.words("body"))
    assert [sentence for sentence in sheet.sentences if sentence not in shown] == []
    assert [text for _, text in sheet.about if text not in shown] == []


def test_banners_come_first():
    shown = Page(render_sheet(variant("invented and warned"))).words("body")[0]
    assert shown.startswith(variant("invented and warned").banners[0])


def test_hostile_text_is_escaped():
    hostile = "<script>alert(1)</script>\"'&"
    text = render_sheet(build_sheet(toy_model(failures=(hostile,)), RING, practice=hostile, date=DATE))
    assert "script" not in {tag for tag, _ in Page(text).tags}
    assert text.count("&lt;script&gt;alert(1)&lt;/script&gt;") == 2


def _luminance(colour: str) -> float:
    """Relative luminance of sRGB (WCAG 2.2, definition of relative luminance)."""
    shares = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in shares]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def _contrast(one: str, other: str) -> float:
    bright, dark = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (bright + 0.05) / (dark + 0.05)


def test_the_contrast_formula_gives_the_known_extremes():
    assert _contrast("#000000", "#FFFFFF") == pytest.approx(21)
    # the smallest grey step that passes 4.5:1 on white is #767676 (WCAG 2.2 understanding 1.4.3, from memory)
    assert _contrast("#777777", "#FFFFFF") < 4.5 <= _contrast("#767676", "#FFFFFF")


@pytest.mark.parametrize("sheet_name", ["sheet.css", "report.css"])
def test_text_colours_pass_aa_on_the_background(sheet_name: str):
    style = (TEMPLATES / sheet_name).read_text()
    backgrounds = re.findall(r"background: (#\w{6})", style)
    colours = re.findall(r"(?<![-\w])color: (#\w{6})", style)
    borders = re.findall(r"solid (#\w{6})|double (#\w{6})|dashed (#\w{6})", style)
    assert backgrounds == ["#FFFFFF"]
    assert colours
    assert min(_contrast(colour, "#FFFFFF") for colour in colours) >= 4.5
    assert min(_contrast(next(filter(None, found)), "#FFFFFF") for found in borders) >= 3


def test_figures_and_their_marks_pass_aa():
    drawn = str(figures.array(variant("surgery apart").states))
    pairs = re.findall(
        r'<path d="[^"]+" fill="(#\w{6})" stroke="(#\w{6})"[^>]*/><text [^>]*fill="(#\w{6})">', drawn
    )
    assert len(pairs) == 8
    for fill, stroke, ink in pairs:
        assert _contrast(ink, fill) >= 4.5
        assert _contrast(stroke, "#FFFFFF") >= 3


@pytest.mark.parametrize("sheet_name", ["sheet.css", "report.css"])
def test_no_text_is_smaller_than_14_points(sheet_name: str):
    style = (TEMPLATES / sheet_name).read_text()
    sizes = re.findall(r"font(?:-size)?: ([\d.]+)(\w+)", style)
    assert {unit for _, unit in sizes} == {"pt"}
    assert min(float(size) for size, _ in sizes) >= 14


def test_marks_in_the_figures_print_at_14_points():
    style = (TEMPLATES / "sheet.css").read_text()
    width_mm = float(re.findall(r"flex: 0 0 ([\d.]+)mm", style)[0])
    points_a_unit = width_mm / 25.4 * 72 / (figures.PER_ROW * figures.CELL_WIDTH)
    sizes = [float(s) for s in re.findall(r'font-size="(\d+)"', str(figures.array(variant("before").states)))]
    assert min(sizes) * points_a_unit == pytest.approx(14, abs=0.05)


def test_the_longest_sheet_keeps_to_what_was_seen_to_fit_one_page():
    case = {name: EVERYTHING[name] for name in ("opacity", "cornea", "lens")}
    case |= {"size_mm": [9.5], "age": [95], "zone": ["posterior"]}
    model = toy_model(FULL, invented=True, supported_session=4)
    sheet = build_sheet(model, case, done=2, horizon=7, practice="x" * 50, date=DATE)
    assert (
        len(" ".join((*sheet.sentences, *(f"{name}: {text}" for name, text in sheet.about)))) <= SEEN_TO_FIT
    )


def test_writing_replaces_the_file_and_leaves_nothing_else(tmp_path: Path):
    target = tmp_path / "sheet.html"
    target.write_text("old")
    assert write_page("new é", target) == target
    assert target.read_text(encoding="utf-8") == "new é"
    assert [entry.name for entry in tmp_path.iterdir()] == ["sheet.html"]


def test_a_folder_that_cannot_be_written_is_named(tmp_path: Path):
    target = tmp_path / "absent" / "sheet.html"
    with pytest.raises(RetreatError) as refused:
        write_page("text", target)
    (fault,) = refused.value.faults
    assert fault.where == str(target)
    assert fault.what == "cannot be written (No such file or directory)"
    assert fault.fix


def test_a_full_disk_leaves_the_old_page_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    target = tmp_path / "sheet.html"
    target.write_text("old")

    class Full(io.BytesIO):
        def write(self, _: object) -> int:
            raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(Path, "open", lambda *_: Full())
        with pytest.raises(RetreatError, match="No space left on device"):
            write_page("new", target)
    assert target.read_text() == "old"
    assert [entry.name for entry in tmp_path.iterdir()] == ["sheet.html"]


def test_an_interrupted_write_leaves_no_part(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(Path, "replace", interrupted)
    with pytest.raises(KeyboardInterrupt):
        write_page("new", tmp_path / "sheet.html")
    assert list(tmp_path.iterdir()) == []
