"""Pictures of a case series: titles inside their figure, what is hidden named, marks of a scale apart."""

from __future__ import annotations

import itertools
import re

import numpy as np
import pandas as pd
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from matplotlib.figure import Figure

from retreat.pages.paper import paper, titled
from retreat.pages.point_chart import _CLEAR, _GAP, _numbers
from retreat.pages.study_plots import incidence_figure

TITLE = "Invented cases. Share relieved, stopped and in treatment after each session. 95% intervals from 500 samples."


def incidence(told):
    """Three sessions of each kind; of these only so many told."""
    rows = [
        {"kind": kind, "state": state, "session": k, "incidence": 0.2 * k if k <= n else np.nan}
        for kind, n in told.items()
        for state in ("relieved", "stopped", "in_treatment")
        for k in (1, 2, 3)
    ]
    frame = pd.DataFrame(rows)
    return frame.assign(low=frame["incidence"] - 0.05, high=frame["incidence"] + 0.05)


@pytest.fixture
def drawn(monkeypatch):
    kept = []
    write = Figure.savefig

    def keep(self, *args, **kwargs):
        write(self, *args, **kwargs)
        kept.append(self)

    monkeypatch.setattr(Figure, "savefig", keep)
    return kept


@pytest.mark.parametrize("kinds", [1, 2, 3, 5])
def test_the_title_is_inside_the_figure_and_above_the_panels(drawn, kinds):
    with paper():
        incidence_figure(incidence({f"kind_{i}": 2 for i in range(kinds)}), title=TITLE, form="png")
        (figure,) = drawn
        figure.draw_without_rendering()
        title = figure._suptitle.get_window_extent()
    assert title.x1 <= figure.bbox.x1
    assert title.y1 <= figure.bbox.y1 + 1
    assert title.y0 >= max(axes.get_window_extent().y1 for axes in figure.axes)
    assert " ".join(figure._suptitle.get_text().split()) == TITLE


def test_a_title_of_wide_letters_keeps_inside_a_narrow_figure():
    with paper():
        figure = Figure(figsize=(4.6, 3.0), layout="constrained")
        titled(figure, "Numbers of common summers among women: mean 1000 and maximum 4000 mm " * 2)
        assert figure._suptitle.get_window_extent().x1 <= figure.bbox.x1


def test_a_kind_that_is_hidden_is_named_and_a_session_without_anything_has_no_place(drawn):
    incidence_figure(incidence({"all": 3, "ring": 1, "long_strand": 0, "cloud": 0}), title="Shares")
    (figure,) = drawn
    assert figure._suptitle.get_text() == "Shares\nNot shown, too few: long strand, cloud."
    whole, ring = (axes for axes in figure.axes if axes.get_visible())
    assert list(whole.get_xticks()) == [1, 2, 3]
    assert list(ring.get_xticks()) == [1]
    assert ring.get_xlim() == pytest.approx((0.6, 1.4))


def test_where_nothing_is_hidden_nothing_is_said():
    text = incidence_figure(incidence({"all": 3, "ring": 2}), title="Shares").decode()
    words = " ".join(re.findall(r"<!-- (.*?) -->", text, re.DOTALL))
    assert "Shares" in words
    assert "Not shown" not in words


@example([0.0, 1.0, 2.0], 3.999999999999999)
@given(st.lists(st.floats(0, 100), min_size=1, max_size=12, unique=True), st.floats(1, 5))
def test_numbers_of_a_scale_never_meet_and_both_ends_and_the_middle_have_theirs(marks, width):
    marks = sorted(marks)
    places = _numbers(marks, [width] * len(marks))
    for i in (0, (len(marks) - 1) // 2, len(marks) - 1):
        assert places[i] is not None
    for above in (True, False):
        row = [place[0] for place in places if place is not None and place[1] == above]
        for one, other in itertools.combinations(row, 2):
            assert abs(one - other) >= width + _GAP - 1e-8
        assert all(middle - width / 2 >= -_CLEAR - 1e-9 for middle in row)


def test_marks_that_have_room_in_turn_are_all_named():
    assert None not in _numbers([0.0, 2.2, 4.4, 6.6, 8.8], [3.2] * 5)
