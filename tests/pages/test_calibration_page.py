"""The calibration page from reports made by hand: verdict, during a course, beside others, clusters, instability."""

from __future__ import annotations

import base64
import re
from dataclasses import fields, replace
from math import nan
from typing import Any

import numpy as np
import pytest
from matplotlib.figure import Figure
from parsed import Page

from retreat.pages.calibration import beaten, measure_rows, render_calibration, summary_lines
from retreat.validation import calibration_at
from retreat.validation.clusters import ClusterSpread
from retreat.validation.comparison import Comparison
from retreat.validation.histogram import DCalibration, PitHistogram
from retreat.validation.instability import Instability
from retreat.validation.midcourse import MidCourse
from retreat.validation.report import MeasureRow, SessionIncidence, ValidationReport
from retreat.validation.verdict import FIT, NOT_FIT, WARNING, Verdict

NONE = (nan, nan)
EVEN = DCalibration(
    0.4, 1.0, 1.0, 0.53, PitHistogram(np.array([0, 0.5, 1]), np.full(2, 0.5), np.array([0.49, 0.51]))
)
# one calibration by session 1 of 40 cases, half relieved, each predicted 0.5
FLAT = calibration_at(np.full(40, 0.5), np.ones(40, int), np.arange(40) % 2, end=1, horizon=1)
LATER = MidCourse(1, 3, "relieved", 354, 0.596, 0.589, 1.012, (0.921, 1.104), 0.834, (0.541, 1.114), "")
OPERATORS = ClusterSpread(
    *("operator", "relieved", 1, 4, 2, 0.973, (0.721, 1.318), 0.168),
    *((0.423, 2.234), (0.781, 1.149)),
)
MOVES = Instability(
    end="relieved",
    horizon=3,
    n_resamples=40,
    predicted=np.array([0.2, 0.5, 0.8]),
    low=np.array([0.1, 0.45, 0.7]),
    high=np.array([0.3, 0.55, 0.9]),
    error=np.array([0.01, 0.03, 0.032]),
)


def comparison(other: str, low: float, high: float, measure: str = "log_score", end: str = "") -> Comparison:
    return Comparison(measure, 4, end, 1.439, 1.552, (low + high) / 2, low, high, other)


def report(**changes: Any) -> ValidationReport:
    found: dict[str, Any] = {
        "definition": "core",
        "method": "logistic",
        "scheme": "10-fold cross-validation by patient",
        "n_cases": 870,
        "n_patients": 715,
        "n_left_out": 30,
        "n_ended": {"relieved": 666, "stopped": 138},
        "level": 0.95,
        "rows": (MeasureRow("slope", 1, "relieved", 1.267, 1.204, 0.962, 1.448),),
        "calibrations": {("relieved", 1): FLAT},
        "predictions": {("relieved", 1): np.full(40, 0.5)},
        "incidence": (SessionIncidence("relieved", 1, 870, 419, 0.482, 0.448, 0.515, 0.48),),
        "no_comparison": "",
        "d_calibration": EVEN,
        "instability": None,
        "verdict": Verdict(FIT, (), "validate again later", 0),
        "definition_fingerprint": "f" * 64,
        "invented": False,
        "decisions": {},
    }
    # whatever else a report holds is empty
    nothing = {field.name: () for field in fields(ValidationReport)}
    return ValidationReport(**nothing | found | changes)


class Tabled(Page):
    """A page and its tables: rows of cells as shown, by caption."""

    def __init__(self, text: str) -> None:
        self.tables: dict[str, list[list[str]]] = {}
        super().__init__(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        super().handle_starttag(tag, attrs)
        if tag == "tr":
            self.tables.setdefault(self.words("caption")[-1], []).append([])

    def handle_endtag(self, tag: str) -> None:
        if tag in ("th", "td"):
            self.tables[self.words("caption")[-1]][-1].append(self.words(tag)[-1])
        super().handle_endtag(tag)


def page(**changes: Any) -> Tabled:
    return Tabled(render_calibration([report(**changes)]))


def text_of(found: Page) -> str:
    return found.words("main")[0]


def headings(found: Page) -> list[str]:
    return [heading.split(": ", 1)[1] for heading in found.words("h2")]


OPTIONAL = ("during a course", "beside others", "operators, sites, periods", "instability")


def test_what_was_not_looked_at_has_no_section() -> None:
    assert not set(OPTIONAL) & set(headings(page()))


def test_every_part_has_its_section_after_the_verdict_in_reading_order() -> None:
    found = page(
        mid_course=(LATER,),
        comparisons=(comparison("null", -0.2, -0.1),),
        clusters=(OPERATORS,),
        instability=MOVES,
    )

    told = headings(found)
    assert told[0] == "the verdict"
    assert tuple(heading for heading in told if heading in OPTIONAL) == OPTIONAL


@pytest.mark.parametrize("standing", [FIT, WARNING, NOT_FIT])
def test_the_verdict_is_the_first_thing_said_with_its_reasons_and_the_next_step(standing: str) -> None:
    reasons = () if standing == FIT else ("the slope is 0.40", "2% of the refits failed")

    found = page(verdict=Verdict(standing, reasons, "collect 40 more cases", 40))  # type: ignore[arg-type]

    after = found.words("section")[0].removeprefix("core, logistic: the verdict ")
    told = [standing.capitalize(), *(r[0].upper() + r[1:] for r in reasons), "Next: collect 40 more cases"]
    assert after == ". ".join(told) + "."


def test_invented_cases_are_named_before_all_else_and_real_ones_are_not_called_so() -> None:
    assert text_of(page(invented=True)).startswith("This model was made from invented demonstration data.")
    assert "invented" not in text_of(page())


def test_numbers_during_a_course_stand_with_their_intervals() -> None:
    heads, row = page(mid_course=(LATER,)).tables["Calibration during a course, on unseen patients"]

    assert heads == [
        "End",
        "Cases that went on",
        "Mean predicted",
        "Observed",
        "Observed / expected",
        "Slope",
    ]
    assert row[0].startswith("relieved by session 3")
    assert row[1:] == ["354", "0.589", "0.596", "1.01 (0.92 to 1.10)", "0.83 (0.54 to 1.11)"]


def test_a_number_during_a_course_that_cannot_be_told_gives_its_reason_in_its_place() -> None:
    why = "7 cases went on after session 1, at least 20 needed"
    none = replace(LATER, n=7, observed=nan, expected=nan, observed_expected=nan, slope=nan, reason=why)

    _, row = page(mid_course=(none,)).tables["Calibration during a course, on unseen patients"]

    assert row[1:] == ["7", "not available", "not available", why, why]


def test_a_value_without_an_interval_stands_alone() -> None:
    found = page(mid_course=(replace(LATER, slope_interval=NONE),))

    _, row = found.tables["Calibration during a course, on unseen patients"]

    assert row[-1] == "0.83"


def test_the_spread_between_operators_stands_with_the_interval_of_one_not_seen_yet() -> None:
    heads, row = page(clusters=(OPERATORS,)).tables["Observed over expected between clusters"]

    assert dict(zip(heads, row, strict=True)) == {
        "Left out in turn": "operator: relieved by session 1",
        "How many": "4, 2 left out",
        "Observed / expected, pooled": "0.97 (0.72 to 1.32)",
        "Spread (SD of log)": "0.17",
        "One not seen yet": "0.42 to 2.23",
        "Range after shrinkage": "0.78 to 1.15",
    }


def test_a_spread_that_cannot_be_told_gives_its_reason_and_no_number() -> None:
    none = ClusterSpread("site", "relieved", 1, 0, 0, reason="fewer than two of them")

    _, row = page(clusters=(none,)).tables["Observed over expected between clusters"]

    assert row[1:3] == ["0", "fewer than two of them"]
    assert not re.search(r"nan|\d", " ".join(row[3:]))


def test_who_does_better_over_the_whole_course_is_said_for_each_challenger() -> None:
    assert beaten(
        report(
            comparisons=(
                comparison("null", -0.2, -0.1),
                comparison("null", 0.1, 0.2, measure="rps"),
                comparison("lifetable", -0.1, 0.1),
                comparison("boosted", -0.1, 0.1),
            )
        )
    ) == [
        "Over the whole course the model tells more than everyone alike (interval below 0).",
        "Over the whole course these cases do not show that the model does better than the life table by kind.",
        "Over the whole course boosted trees are not shown to do better or worse: prefer the simple model.",
    ]


@pytest.mark.parametrize(
    ("low", "high", "told"),
    [(-0.2, -1e-9, "tells more"), (-0.2, 0.0, "do not show"), (0.0, 0.2, "do not show")],
)
def test_an_interval_that_touches_0_shows_nothing(low: float, high: float, told: str) -> None:
    (line,) = beaten(report(comparisons=(comparison("lifetable", low, high),)))

    assert told in line


def test_a_life_table_that_does_better_is_said_to() -> None:
    (line,) = beaten(report(comparisons=(comparison("lifetable", 1e-9, 0.2),)))

    assert line == "Over the whole course the life table by kind does better (interval above 0)."


def test_scores_beside_others_stand_in_a_table() -> None:
    scores = (
        comparison("lifetable", -0.08, -0.033),
        comparison("boosted", -0.007, 0.003, "brier_at", "relieved"),
    )

    heads, first, second = page(comparisons=scores).tables["Scores on the same folds, lower is better"]

    assert heads[1:] == ["Beside", "This model", "The other", "Difference", "Interval"]
    assert "log score" in first[0]
    assert first[1:] == ["the life table by kind", "1.439", "1.552", "-0.057", "-0.080 to -0.033"]
    assert "Brier" in second[0]
    assert "relieved" in second[0]
    assert second[1] == "boosted trees"


def test_a_comparison_that_failed_is_told_without_an_empty_table() -> None:
    found = page(no_comparison="Not compared with lifetable: it could not be fitted in fold 1 of 10: no fit")

    assert "Not compared with lifetable" in text_of(found)
    assert "Scores on the same folds, lower is better" not in text_of(found)


@pytest.fixture
def drawn(monkeypatch: pytest.MonkeyPatch) -> list[Figure]:
    kept: list[Figure] = []
    write = Figure.savefig

    def keep(self: Figure, *args: Any, **kwargs: Any) -> None:
        kept.append(self)
        write(self, *args, **kwargs)

    monkeypatch.setattr(Figure, "savefig", keep)
    return kept


def test_instability_is_told_in_words_and_drawn_case_by_case(drawn: list[Figure]) -> None:
    found = page(instability=MOVES)

    # mean of 1, 3 and 3.2 of 100; widths 20, 10 and 20 of 100
    assert "moves by 2.4 of 100 on average" in text_of(found)
    assert "lie within 20 of 100 of each other" in text_of(found)
    assert "40 models were fitted to resampled patients" in text_of(found)
    axes = drawn[-1].axes[0]
    (bars,) = axes.collections
    np.testing.assert_allclose(
        [segment.tolist() for segment in bars.get_segments()],
        [[[0.2, 0.1], [0.2, 0.3]], [[0.5, 0.45], [0.5, 0.55]], [[0.8, 0.7], [0.8, 0.9]]],
    )
    assert axes.get_title(loc="left").endswith("n = 3")
    assert (axes.get_xlim(), axes.get_ylim()) == ((0, 1), (0, 1))


def with_curves() -> ValidationReport:
    rng = np.random.default_rng(1)
    p = rng.uniform(0.05, 0.95, 300)
    ending = (rng.random(300) < p).astype(int)
    found = calibration_at(p, np.ones(300, int), ending, end=1, horizon=1)
    return report(calibrations={("relieved", 1): found}, predictions={("relieved", 1): np.sort(p)})


def test_every_picture_is_inside_the_page_and_says_what_it_shows() -> None:
    found = Page(render_calibration([replace(with_curves(), instability=MOVES)]))

    images = found.all("img")
    assert len(images) == 2
    for image in images:
        assert image["src"] is not None
        assert base64.b64decode(image["src"].partition(",")[2]).startswith(b"<?xml")
    curve, moves = (str(image["alt"]) for image in images)
    assert curve.startswith("Relieved by session 1 (core, logistic): observed share 0.")
    assert "calibration slope" in curve
    assert moves.startswith("Relieved by session 3: prediction instability (core, logistic)")


def test_a_calibration_without_a_slope_says_so_in_words() -> None:
    (image,) = page().all("img")

    assert "calibration slope not told" in str(image["alt"])
    # the terminal gives the reason instead
    assert measure_rows(report())[0][-1] == "all predictions are equal, so there is no slope"


def test_a_measure_without_a_value_or_an_interval_gives_its_reason() -> None:
    told = (
        MeasureRow("slope", 1, "relieved", 1.1, nan, nan, nan, "fewer than 10 of the rarer outcome"),
        MeasureRow("ici", 1, "relieved", 0.03, 0.05, nan, nan),
        MeasureRow("log_score", 4, "", 1.4, 1.45, 1.3, 1.6),
    )

    _, slope, ici, score = page(rows=told).tables["Measures"]

    assert slope[1:] == ["1.100", "not available", "not available", "fewer than 10 of the rarer outcome"]
    assert ici[1:] == ["0.030", "-0.020", "0.050", "none given"]
    assert score == [
        "log score: whole course to session 4",
        *("1.400", "-0.050", "1.450", "1.300 to 1.600"),
    ]


EVERYTHING: dict[str, Any] = {
    "mid_course": (replace(LATER, slope=nan, slope_interval=NONE, reason="too few"),),
    "comparisons": (comparison("boosted", -0.1, 0.1),),
    "clusters": (OPERATORS, ClusterSpread("site", "relieved", 1, 0, 0, reason="not recorded")),
    "instability": MOVES,
    "rows": (MeasureRow("slope", 1, "relieved", nan, nan, nan, nan, "too few"),),
    "failures": ("fold 2 of 10: no fit",),
    "verdict": Verdict(WARNING, ("too few",), "collect", 10),
}


def test_no_bare_nan_stands_anywhere_on_the_page() -> None:
    assert not re.search(r"\b(nan|None|inf)\b", text_of(page(**EVERYTHING)))


def test_fits_that_failed_are_listed() -> None:
    assert "Not fitted: fold 2 of 10: no fit" in text_of(page(**EVERYTHING))


def test_hostile_words_are_escaped_everywhere() -> None:
    hostile = "<script>alert(1)</script>"
    found = page(
        definition=hostile,
        scheme=hostile,
        n_ended={hostile: 1},
        rows=(MeasureRow(hostile, 1, hostile, nan, nan, nan, nan, hostile),),
        mid_course=(replace(LATER, end=hostile, slope=nan, reason=hostile),),
        comparisons=(comparison("null", -0.2, -0.1, "brier_at", hostile),),
        no_comparison=hostile,
        clusters=(replace(OPERATORS, by=hostile, end=hostile, pooled=nan, reason=hostile),),
        verdict=Verdict(NOT_FIT, (hostile,), hostile, 0),
        failures=(hostile,),
    )

    assert "script" not in {tag for tag, _ in found.tags}


def test_several_methods_stand_one_after_the_other() -> None:
    found = Page(render_calibration([report(), report(method="bayes", invented=True)]))

    names = [heading.partition(":")[0] for heading in found.words("h2")]
    half = len(names) // 2
    assert names == ["core, logistic"] * half + ["core, bayes"] * half
    assert text_of(found).startswith("This model was made from invented demonstration data.")


def test_the_terminal_says_the_verdict_last_with_reasons_and_next_step() -> None:
    lines = summary_lines(report(**EVERYTHING))

    assert lines == [
        "core, logistic: 10-fold cross-validation by patient, 870 cases of 715 patients",
        "not fitted: fold 2 of 10: no fit",
        "Over the whole course boosted trees are not shown to do better or worse: prefer the simple model.",
        "verdict: usable with a warning",
        "- too few",
        "next: collect",
    ]
