"""Published series of sessions: the shipped definition holds their numbers, and what they imply is what was read.

Shares, intervals and sources are in data/published_series.csv (values L04, L08, L30, L50); the intervals there are
exact binomial ones (Clopper and Pearson 1934) rounded to three digits, worked from the counts by another script.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from retreat.definitions import Study, read_definition
from retreat.fitting.published.likelihood import courses, log_likelihood_of, summary

with (Path(__file__).parent / "data" / "published_series.csv").open(encoding="utf-8") as stream:
    ROWS = list(csv.DictReader(stream))
STUDIES = {one: study for study in read_definition("published").studies for one in study.ids}


def logit(p: float) -> float:
    return float(np.log(p / (1 - p)))


def of_constant_hazard(study: Study, hazard: float) -> float:
    """The statistic of a study whose eyes all end with this chance at each session, none lost."""
    odds = np.full((40, 2, 1), hazard / (1 - hazard))
    odds[:, 1] = 0.0
    return float(summary(study, courses(odds, np.zeros(1)))[0])


def hazard_of(study: Study, value: float) -> float:
    """The constant hazard that gives a statistic this value."""
    from scipy.optimize import brentq

    return float(brentq(lambda h: of_constant_hazard(study, h) - value, 1e-6, 1 - 1e-6))


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["id"])
def test_counts_are_those_published_and_their_exact_intervals_agree(row: dict[str, str]) -> None:
    from scipy.stats import binomtest

    study = STUDIES[row["id"]]
    assert (study.practice, study.count, study.n) == (row["practice"], int(row["count"]), int(row["n"]))
    interval = binomtest(study.count, study.n).proportion_ci(method="exact")
    assert study.count / study.n == pytest.approx(float(row["share"]), abs=5e-4)
    assert interval.low == pytest.approx(float(row["low"]), abs=5e-4)
    assert interval.high == pytest.approx(float(row["high"]), abs=5e-4)


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["id"])
def test_the_likelihood_of_a_count_is_highest_at_the_published_share(row: dict[str, str]) -> None:
    study = STUDIES[row["id"]]
    grid = np.linspace(0.001, 0.999, 999)
    found = log_likelihood_of(study, grid)
    if study.reads == "at_most":  # a bound prefers no share among those well below it
        assert (np.diff(found) <= 1e-12).all()
        assert found[grid < 0.5 * float(row["low"])].min() > -0.01
        return
    if study.reads == "at_least":  # and no share among those well above it
        assert (np.diff(found) >= -1e-12).all()
        assert found[grid > 1.5 * float(row["high"])].min() > -0.01
        return
    assert grid[found.argmax()] == pytest.approx(float(row["share"]), abs=1e-3)


def test_means_of_rings_and_clouds_imply_the_published_gap() -> None:
    # values.md, point 1: geometric with means 1.14 and 3.2 finish with .88 and .31 a session, 2.75 logits apart
    ring, cloud = (hazard_of(STUDIES[one], STUDIES[one].mean) for one in ("L01", "L02"))
    assert ring == pytest.approx(1 / 1.14, abs=1e-6)
    # a mean of 3.2 counted to 12 sessions at most is of a slightly smaller chance than 1 / 3.2
    assert cloud == pytest.approx(1 / 3.2, abs=0.006)
    assert (round(ring, 2), round(1 / 3.2, 2)) == (0.88, 0.31)
    assert logit(1 / 1.14) - logit(1 / 3.2) == pytest.approx(2.75, abs=0.005)


def test_spreads_of_the_two_means_are_those_of_geometric_numbers() -> None:
    for one in ("L01", "L02"):
        mean = STUDIES[one].mean
        assert STUDIES[one].sd == pytest.approx(np.sqrt(mean * (mean - 1)), abs=0.005)


def test_two_series_without_kinds_lie_2_4_logits_apart_as_constant_hazards() -> None:
    # values.md, point 2: about .85 (3 or more: at most 1 of 42) and .33 (3 or more: 39 of 86) a session
    ernest = 1 - np.sqrt(1 / 42)
    bessa = hazard_of(STUDIES["L08"], 39 / 86)
    assert (round(ernest, 2), round(bessa, 2)) == (0.85, 0.33)
    assert logit(ernest) - logit(bessa) == pytest.approx(2.4, abs=0.05)


def test_every_row_of_the_series_is_used_or_left_out_with_a_reason() -> None:
    definition = read_definition("published")
    told = {one for entry in (*definition.studies, *definition.left_out) for one in entry.ids}
    # rows L01 to L56 of the collection; the numbers between are not given to any row
    numbers = (*range(1, 17), *range(20, 29), *range(30, 46), *range(50, 57))
    assert told == {f"L{n:02d}" for n in numbers}
