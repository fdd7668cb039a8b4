"""The crosswalk: keys come from chance alone, and only its file gives them again."""

from __future__ import annotations

import random
from pathlib import Path

import numpy as np
import pytest

from retreat.errors import TableError
from retreat.study.sharing.crosswalk import Crosswalk, read_crosswalk
from retreat.tables.identifiers import value_suspect
from retreat.tables.random_keys import suspect_keys

ORIGINALS = [f"MRN{i:05d}" for i in range(400)]


def test_the_same_originals_under_the_same_seeds_get_other_keys():
    given = []
    for _ in range(2):
        random.seed(1)
        np.random.seed(1)  # noqa: NPY002 - whoever seeds everything there is must still learn nothing
        given.append(Crosswalk().keys("case", ORIGINALS))

    assert not set(given[0]) & set(given[1])


def test_a_key_is_given_once_and_kept():
    crosswalk = Crosswalk()
    first = crosswalk.keys("case", ORIGINALS)

    assert len(set(first)) == len(ORIGINALS)
    assert crosswalk.keys("case", ORIGINALS[::-1]) == first[::-1]
    assert crosswalk.key("patient", ORIGINALS[0]) not in first


def test_keys_follow_neither_the_order_nor_the_number_of_the_originals():
    ranks = np.argsort(np.argsort(Crosswalk().keys("case", ORIGINALS)))

    # of 400 random orders the correlation has a standard deviation of 1/20: six of them
    assert abs(np.corrcoef(ranks, np.arange(len(ranks)))[0, 1]) < 0.3


def test_no_key_looks_like_an_identifier():
    keys = Crosswalk().keys("patient", ORIGINALS)

    assert not suspect_keys(keys)
    assert not any(map(value_suspect, keys))


def test_a_file_gives_the_same_keys_again(tmp_path: Path):
    crosswalk = Crosswalk()
    keys = {what: crosswalk.key(what, 'a, "b"') for what in ("case", "patient", "operator", "site")}
    path = tmp_path / "crosswalk.csv"
    path.write_bytes(crosswalk.content())

    again = read_crosswalk(path)

    assert {what: again.key(what, 'a, "b"') for what in keys} == keys
    assert again.content() == crosswalk.content()


def test_a_code_of_the_clinic_is_never_given_to_another():
    # an operator must not go by what was the code of a colleague
    codes = [f"op_{i}" for i in range(50)]

    assert not set(Crosswalk().keys("operator", codes)) & set(codes)


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("case,patient\n", "other columns"),
        ("", "other columns"),
        ("what,original,shared\ncase,a,cbcdfghjkm\ncase,b,cbcdfghjkm\n", "a key stands twice"),
        ("what,original,shared\ncase,a,cbcdfghjkm\ncase,a,cbcdfghjkn\n", "an original stands twice"),
        ("what,original,shared\ncase,Jane Smith,Jane Smith\n", "not drawn here"),
        ("what,original,shared\nname,a,cbcdfghjkm\n", "not a row"),
    ],
)
def test_a_file_that_no_run_wrote_is_refused_without_repeating_it(tmp_path: Path, text: str, what: str):
    path = tmp_path / "crosswalk.csv"
    path.write_text(text, encoding="utf-8")

    with pytest.raises(TableError, match=what) as error:
        read_crosswalk(path)

    assert "Jane" not in str(error.value)
