"""Published results in a definition: every fault with its place and what is allowed there, all at once."""

from __future__ import annotations

from pathlib import Path

import pytest

from retreat.definitions import read_definition
from retreat.errors import DefinitionError

TEXT = (Path(__file__).parent.parent / "models" / "published.toml").read_text(encoding="utf-8")
TRIAL = "count = 19\nn = 36\ncounts_as = 18.0"
COUNT = 'statistic = "share_with"\nsessions = [1, 1]\ncount = 31'
RING_MEAN = "eyes_per_patient = [1.0, 1.5]\ncounts_as = 10.0"


def told(folder: Path, *changes: tuple[str, str]) -> list[tuple[str, str, str]]:
    """Place in the file, what was found, what is allowed, after these changes to the shipped file."""
    text = TEXT
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    path = folder / "trial.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(DefinitionError) as caught:
        read_definition(path)
    return [(f.where.removeprefix(f"{path}: "), f.what, f.allowed) for f in caught.value.faults]


FAULTS = [
    (TRIAL, "n = 36", ("studies 6 (L30), count", "missing for share_relieved", "")),
    (TRIAL, "count = 40\nn = 36", ("studies 6 (L30), count", "40 of 36", "at most n")),
    (TRIAL, "count = 19\nn = 36\ncounts_as = 50.0", ("studies 6 (L30), counts_as", "50 of 36", "at most n")),
    (TRIAL, TRIAL + "\nmean = 2.0", ("studies 6 (L30), mean", "not a number of share_relieved", "count, n, counts_as")),
    (RING_MEAN, RING_MEAN.replace("[1.0, 1.5]", "[1.5, 1.0]"),
     ("studies 1 (L01), eyes_per_patient", "1.5 to 1", "the fewest, then the most")),
    (RING_MEAN, RING_MEAN.replace("1.5", "2.5"), ("studies 1, eyes_per_patient 2", "2.5", "2")),
    (TRIAL, TRIAL + "\neyes_per_patient = [1.0, 1.5]",
     ("studies 6 (L30), eyes_per_patient", "not a number of share_relieved", "count, n, counts_as")),
    ('reads = "at_least"', 'reads = "least"', ("studies 5, reads", "'least'", "'at_least'")),
    ("stopped = { sd = 1.0", "stopped = { sd = 9.0", ("between_studies, stopped, sd", "9", "5")),
    (RING_MEAN, "eyes_per_patient = [1.0, 1.5]", ("studies 1 (L01), counts_as", "missing where n is not known", "")),
    ("sessions = [1, 12]", "sessions = [2, 12]", ("studies 1 (L01), sessions", "a mean from session 2", "a mean")),
    (COUNT, COUNT.replace("[1, 1]", "[3, 2]"), ("studies 3 (L04), sessions", "3 to 2", "the first, then the last")),
    ("more_than = 1", "more_than = 2", ("studies 4 (L05, L06), more_than", "2, and the share begins at", "fewer")),
    ("kinds = { ring = 1.0 }", "kinds = { ring = 0.5 }", ("studies 1 (L01), kinds", "shares add to 0.5", "1")),
    ("kinds = { ring = 1.0 }", "kinds = { rings = 1.0 }",
     ("studies 1 (L01), kinds", "unknown level rings", "ring, strand")),
    ('ids = ["L02"]', 'ids = ["L01"]', ("studies", "L01 in two studies", "")),
    ('ids = ["L51"]', 'ids = ["L50"]', ("left_out", "L50 is used by a study", "")),
    ('statistic = "share_stopped"', 'statistic = "share"', ("studies 7, statistic", "'share'", "'share_with'")),
    ("count = 31", "count = 31.5", ("studies 3, count", "31.5", "integer")),
    ('kinds_from = "told: rings"\n', "", ("studies 1, kinds_from", "missing", "")),
    ("count = 31", "count = 31\npower = 2", ("studies 3, power", "unknown entry", "ids, practice, what")),
    ("lost = {", "gone = 1\nlost = {", ("between_studies, gone", "unknown entry", "relieved, stopped, lost")),
    ("share = 0.46", "share = 0.2", ("kinds", "shares add to 0.74", "1")),
    ("[1.4, 1.9, 2.4]", "[1.4, 1.3, 2.4]", ("kinds 1 (ring), size_mm", "[1.4, 1.3, 2.4]", "rising numbers")),
    ("[1.4, 1.9, 2.4]", "[1.4, 1.9, 24]", ("kinds 1 (ring), size_mm", "24 is out of range", "0.1 to 15.0")),
    ("size_mm = [1.4, 1.9, 2.4], ", "", ("kinds (ring)", "nothing of size_mm, which a term needs", "")),
    ("{ no = 0.93, yes = 0.07 }", "{ no = 0.93, maybe = 0.07 }",
     ("kinds 1 (ring), corneal_surgery", "unknown level maybe", "no, yes")),
    ("corneal_surgery = { no", "surgery = { no", ("kinds 1 (ring), levels", "surgery is no other category", "")),
    ('opacity = "cloud"\nshare', 'opacity = "strand"\nshare', ("kinds 3 (strand)", "a second entry of the kind", "")),
    ('effect = "smooth"', 'effect = "free"', ("sessions", "free beside studies", "smooth")),
    ('link = "logit"', 'link = "cloglog"', ("link", "cloglog beside studies", "logit")),
    ('form = "log"\ncentre = 2.0', 'form = "spline"\ncentre = 2.0',
     ("term 2 (size_mm)", "a spline beside studies: its knots need cases", "linear, log")),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "expected"), FAULTS)
def test_a_fault_of_a_published_result_is_told_with_its_place(
    tmp_path: Path, old: str, new: str, expected: tuple[str, str, str]
) -> None:
    faults = told(tmp_path, (old, new))
    assert [
        f for f in faults if f[:1] == expected[:1] and f[1].startswith(expected[1]) and expected[2] in f[2]
    ]


def test_a_kind_that_a_study_is_about_must_be_described(tmp_path: Path) -> None:
    faults = told(tmp_path, ('opacity = "cloud"\nshare = 0.26', 'opacity = "sheet"\nshare = 0.26'))
    assert ("kinds", "cloud is not described, and a study is about it", "") in faults


def test_studies_need_to_be_told_how_far_practices_differ(tmp_path: Path) -> None:
    start = TEXT.index("[between_studies]")
    section = TEXT[start : TEXT.index("[[studies]]", start)]
    assert told(tmp_path, (section, "")) == [("between_studies", "missing beside studies", "")]


def test_all_faults_of_a_file_with_studies_are_told_at_once(tmp_path: Path) -> None:
    faults = told(
        tmp_path,
        ('title = "Sessions to relief from published averages"', 'title = "x"'),
        ('form = "log"', 'form = "cubic"'),
        (TRIAL, "count = 40\nn = 36"),
        (COUNT, COUNT.replace("31", '"many"')),
        ("share = 0.46", "share = 0.2"),
        ('link = "logit"', 'link = "cloglog"'),
        ('ids = ["L51"]', 'ids = ["L50"]'),
    )
    assert [(where, what) for where, what, _ in faults] == [
        ("title", "'x'"),
        ("terms 2, form", "'cubic'"),
        ("studies 3, count", "'many'"),
        ("studies 6 (L30), count", "40 of 36"),
        ("left_out", "L50 is used by a study"),
        ("kinds", "shares add to 0.74"),
        ("link", "cloglog beside studies"),
    ]


def test_every_published_result_has_reasons_and_sources_in_words() -> None:
    definition = read_definition("published")
    assert definition.between_studies is not None
    reasons = [one.why for one in (*definition.studies, *definition.left_out, *definition.kinds)]
    between = definition.between_studies
    reasons += [between.relieved.why, between.stopped.why, between.lost.why]
    assert all(len(reason.split()) >= 3 for reason in reasons)
    for study in definition.studies:
        # the practice is author and year of its source
        author, year = study.practice.split()
        assert study.source.startswith(author)
        assert year in study.source
        if study.weight != study.n:  # a weight of our own is said to be
            assert "our judgement" in study.why


def test_the_typical_eye_has_the_middle_values_and_the_most_frequent_levels() -> None:
    ring = read_definition("published").kinds[0]
    assert ring.typical == {"opacity": "ring", "size_mm": 1.9, "depth": 0.55, "corneal_surgery": "no"}
