"""Tables of the Word file and of LaTeX: what a printer or a compiler would stumble over."""

import pytest
from docx import Document as WordFile
from docx.oxml.ns import qn
from hypothesis import given
from hypothesis import strategies as st

from retreat.pages.column_widths import shares
from retreat.pages.document import Document
from retreat.pages.study_folder import table_latex
from retreat.study.in_hand.content import Content, Grid, Passage

LONG = Grid(
    "Entries",
    ("entry", "what is wanted"),
    (("3a", "What is the health context, for whom is the model, and why is it needed?"),),
)


def test_plain_latex_finds_no_sign_that_it_lacks():
    text = table_latex(Grid("Sphere", ("sphere", "share"), (("\N{MINUS SIGN}2.5", "5%"),)), "Invented.")
    assert text.isascii()
    assert "$-$2.5 & 5\\%" in text


def test_long_cells_are_broken_over_lines_and_short_tables_keep_their_widths():
    assert "{ll}" in table_latex(Grid("Sphere", ("sphere", "share"), (("1", "2"),)), "Invented.")
    assert "\\linewidth}p{" in table_latex(LONG, "Invented.")


def test_a_word_table_repeats_its_head_and_holds_its_words(tmp_path):
    content = Content("Form", (), (Passage("Form", grids=(LONG,)),))
    table = WordFile(str(Document(content).write_docx(tmp_path / "form.docx"))).tables[0]
    assert table.rows[0]._tr.trPr.find(qn("w:tblHeader")) is not None
    narrow, wide = (cell.width.cm for cell in table.rows[1].cells)
    assert narrow + wide == pytest.approx(17.4, abs=0.1)
    assert 1.2 < narrow < 3.0


@given(st.lists(st.lists(st.text("ab ", max_size=80), min_size=3, max_size=3), min_size=1, max_size=5))
def test_shares_are_positive_and_add_to_1(rows):
    found = shares(("one", "two", "three"), rows)
    assert sum(found) == pytest.approx(1.0)
    assert min(found) > 0.03
