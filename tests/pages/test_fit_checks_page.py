"""The page of the checks of a fit: what is said of a good fit and a bad one, nothing fetched, hostile words escaped."""

from __future__ import annotations

import base64
import re
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from parsed import Page

from retreat.checks.curves import Curves, ForeseenIncidence
from retreat.checks.discrepancies import Discrepancies, Discrepancy
from retreat.checks.held_out import CrossValidation
from retreat.checks.record import FitChecks
from retreat.checks.stacking import Beside
from retreat.pages.check_plots import replicated_figure, transform_figure
from retreat.pages.fit_checks import comparison_rows, number_rows, render_fit_checks, summary_lines
from retreat.validation.histogram import DCalibration, PitHistogram

KHAT = np.array([0.1, 0.2, 0.3])


def held_out(**changes: Any) -> CrossValidation:
    found: dict[str, Any] = {
        "scheme": "case",
        "elpd": np.array([-1.0, -2.0, -3.0]),
        "in_sample": np.array([-0.9, -1.9, -2.9]),
        "over_before": np.zeros(3),
        "over_by": np.ones(3),
        "khat": KHAT,
        "refitted": np.zeros(3, dtype=bool),
        "patient": np.arange(3),
        "n_folds": 0,
        "failures": (),
    }
    return CrossValidation(**found | changes)


def numbers(*p: float) -> Discrepancies:
    rows = [
        Discrepancy(
            "session by session", f"relieved at session {k}, of those who had it", 50, 0.9, 0.3, 0.5, one
        )
        for k, one in enumerate(p, start=1)
    ]
    return Discrepancies(tuple(rows), 1000, 0.9)


def checks(**changes: Any) -> FitChecks:
    incidence = np.array([[0.4, 0.6], [0.1, 0.2]])
    histogram = PitHistogram(np.linspace(0, 1, 11), np.full(10, 0.1), np.full(10, 0.1))
    found: dict[str, Any] = {
        "definition": "core",
        "title": "Sessions to relief",
        "method": "NUTS",
        "n_cases": 300,
        "n_patients": 280,
        "n_left_out": 12,
        "ended": {"relieved": 200, "stopped": 50},
        "curves": Curves(
            ("relieved", "stopped"),
            incidence,
            np.stack([incidence - 0.05, incidence + 0.05]),
            (ForeseenIncidence("relieved", 1, 300, 0.4, 0.35, 0.45, 0.9),),
        ),
        "discrepancies": numbers(0.5, 0.9),
        "leave_one_out": held_out(),
        "folds": None,
        "told_by": "case",
        "pit": DCalibration(3.0, 1.0, 9.0, 0.4, histogram),
        "beside": (Beside("core", 30, -6.0, 1.0, 0.3, 0.0, 0.0, 1.0, "the definition checked"),),
        "failures": (),
        "notes": (),
        "cautions": (),
    }
    return FitChecks(**found | changes)


def compared() -> FitChecks:
    frailty = Beside(
        "frailty", 32, -3.0, 1.0, 0.4, 3.0, 2.0, 0.7, "not told apart by these cases: keep the simpler, core"
    )
    return checks(beside=(*checks().beside, frailty))


def text(found: FitChecks) -> str:
    return Page(render_fit_checks(found)).words("main")[0]


def test_a_fit_like_its_clinic_is_said_to_be() -> None:
    told = text(checks())

    assert "This clinic is like those that the model foresees, in each of 2 numbers looked at." in told
    assert "Courses are as long, and as unequal, as the other cases foresee (p = 0.40" in told
    assert "no single case rules the fit" in told
    assert (
        "Bayesian fit (NUTS) to 300 cases of 280 patients (200 relieved, 50 stopped); 12 cases left out."
        in told
    )
    assert "support, not a decision to treat" in told


def test_a_fit_unlike_its_clinic_is_told_with_the_number() -> None:
    told = summary_lines(checks(discrepancies=numbers(0.5, 0.001)))[0]

    assert told == (
        "This clinic is not what the model foresees: relieved at session 2, of those who had it "
        "(more than the model says)."
    )


def test_a_number_worth_a_look_is_named() -> None:
    told = summary_lines(checks(discrepancies=numbers(0.5, 0.03)))[0]

    assert "nearly like" in told
    assert "relieved at session 2, of those who had it (more: worth a look)" in told


@pytest.mark.parametrize(
    ("khat", "words"),
    [
        ([0.1, 0.9, 0.2], "1 case rules the fit (k-hat over 0.7): it was foreseen by a fit without it"),
        ([0.8, 0.9, 0.2], "2 cases rule the fit (k-hat over 0.7): they were foreseen by a fit without it"),
    ],
)
def test_cases_that_rule_the_fit_are_counted(khat: list[float], words: str) -> None:
    assert words in text(checks(leave_one_out=held_out(khat=np.array(khat))))


def test_too_many_cases_that_rule_the_fit_are_a_warning() -> None:
    many = held_out(
        **{
            name: np.repeat(getattr(held_out(), name), 10)
            for name in ("elpd", "in_sample", "over_before", "over_by", "refitted", "patient")
        },
        khat=np.full(30, 0.9),
    )
    folds = held_out(scheme="patients", n_folds=10, khat=np.full(3, np.nan))

    told = text(checks(leave_one_out=many, folds=folds, told_by="patients"))

    assert "Take care: 30 cases rule the fit" in told
    assert "10 folds by patient" in told


def test_definitions_stand_beside_each_other_in_words_and_numbers() -> None:
    told = text(compared())

    assert (
        "frailty beside core: not told apart by these cases: keep the simpler, core (difference +3.0" in told
    )
    assert comparison_rows(compared())[1] == ("frailty", "-3.0", "0.4", "+3.0", "2.0", "0.70")
    assert "Beside other definitions" not in text(checks())


def test_a_p_that_no_clinic_reaches_is_not_told_as_0() -> None:
    rows = number_rows(checks(discrepancies=numbers(0.001)))

    assert rows[0][4] == "below 0.002"


def test_what_failed_and_what_must_be_read_first_is_there() -> None:
    told = text(checks(failures=("frailty: R-hat 1.2",), cautions=("Invented.",), notes=("one operator",)))

    assert told.startswith("Invented.")
    assert "Not fitted: frailty: R-hat 1.2." in told
    assert "One operator." in told


def test_a_transform_that_cannot_be_told_gives_its_reason() -> None:
    pit = replace(checks().pit, p=float("nan"), reason="all cases are spread alike")

    assert "not told: all cases are spread alike" in text(checks(pit=pit))


def test_pictures_are_inside_the_page_and_say_what_they_show() -> None:
    page = Page(render_fit_checks(compared()))
    images = page.all("img")

    assert len(images) == 2
    for image in images:
        assert base64.b64decode(str(image["src"]).partition(",")[2]).startswith(b"<?xml")
    assert "over 2 replicated clinics" in str(images[0]["alt"])
    assert "0.10 each if even" in str(images[1]["alt"])
    assert not page.all("script")
    assert not [tag for tag, attributes in page.tags if "http" in str(attributes.get("src", ""))]


def test_no_bare_nan_stands_on_the_page() -> None:
    nothing = held_out(elpd=np.array([np.nan, -1.0, -1.0]))
    blank = numbers(float("nan"))

    assert not re.search(r"\b(nan|None|inf)\b", text(checks(leave_one_out=nothing, discrepancies=blank)))


def test_hostile_words_are_escaped() -> None:
    hostile = "<script>alert(1)</script>"
    page = Page(render_fit_checks(checks(title=hostile, notes=(hostile,), failures=(hostile,))))

    assert "script" not in {tag for tag, _ in page.tags}


def test_curves_are_drawn_where_they_lie_and_the_same_input_gives_the_same_bytes(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    from matplotlib.figure import Figure

    kept: list[Figure] = []
    write = Figure.savefig
    monkeypatch.setattr(Figure, "savefig", lambda self, *a, **k: (kept.append(self), write(self, *a, **k))[1])
    found = checks().curves

    images = {replicated_figure(found.ends, found.observed, found.replicated) for _ in range(2)}
    transforms = {transform_figure([0, 0.5, 1], [0.4, 0.6]) for _ in range(2)}

    assert len(images) == len(transforms) == 1
    lines = [line.get_ydata().tolist() for line in kept[0].axes[1].lines]
    for line, expected in zip(
        lines, ([0, 0.05, 0.15], [0, 0.15, 0.25], [0, 0.1, 0.2], [0.1, 0.2]), strict=True
    ):
        np.testing.assert_allclose(line, expected)
