"""Numbers that rest on hidden counts are hidden with them."""

from __future__ import annotations

import pandas as pd

from retreat.study.suppression import adds_up, protect
from retreat.study.suppression.sourced import Sourced, linked_tables

COUNTS = {"all": 40, "a": 28, "b": 12}


def table() -> Sourced:
    frame = pd.DataFrame({"part": ["a", "b"], "n": [28, 12], "share": [0.7, 0.3], "mean": [1.5, None]})
    sources = {"n": (("a",), ("b",)), "share": (("a", "all"), ("b", "all")), "mean": (("a",), ("b",))}
    return Sourced(frame, sources, COUNTS, (adds_up("all", ["a", "b"]),))


def test_a_share_goes_with_its_denominator_and_a_count_stays():
    shared = table().without({"all"})
    assert shared["n"].tolist() == [28, 12]
    assert shared["share"].isna().all()
    assert shared["hidden"].tolist() == ["share", "share"]


def test_what_was_missing_anyway_is_not_called_hidden():
    assert table().without({"b"})["hidden"].tolist() == ["", "n share"]


def test_the_table_itself_is_left_as_it_was():
    whole = table()
    whole.without({"a", "b", "all"})
    assert whole.frame["n"].tolist() == [28, 12]


def test_a_table_without_rows_stays_one():
    empty = Sourced(pd.DataFrame({"n": pd.Series(dtype=float)}), {"n": ()}, {})
    assert empty.without({"a"}).columns.tolist() == ["n", "hidden"]


def test_a_count_of_two_tables_is_hidden_in_both():
    other = Sourced(pd.DataFrame({"n": [12, 3, 9]}), {"n": (("b",), ("b1",), ("b2",))},
                    {"b": 12, "b1": 3, "b2": 9}, (adds_up("b", ["b1", "b2"]),))  # fmt: skip
    linked = linked_tables([table(), other])
    hidden = protect(linked).hidden
    assert {"b1", "b2"} <= hidden
    assert other.without(hidden)["n"].isna().tolist()[1:] == [True, True]
    assert not linked.shown[linked.keys.index("all")] or "share" in table().sources


def test_a_count_no_table_shows_is_unseen():
    alone = Sourced(pd.DataFrame({"n": [28]}), {"n": (("a",),)}, COUNTS, (adds_up("all", ["a", "b"]),))
    linked = linked_tables([alone])
    assert dict(zip(linked.keys, linked.shown.tolist(), strict=True)) == {"all": False, "a": True, "b": False}
