"""The page of priors: everything told, nothing fetched, hostile words escaped."""

from __future__ import annotations

import base64
import re
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from parsed import Page

from retreat.definitions import read_definition
from retreat.elicitation.eyes import SHOWN
from retreat.elicitation.implied import Implied
from retreat.elicitation.prior_lines import prior_lines
from retreat.elicitation.reporting import PriorReport
from retreat.elicitation.sensitivity import Sensitivity
from retreat.pages.priors import closing_lines, implied_rows, render_priors
from retreat.pages.range_plots import range_figure

QUANTITIES = ("relieved_1", "relieved_2", "relieved_3", "stopped_3", "sessions")
EYES = tuple(eye.name for eye in SHOWN)


def implied(first: float) -> Implied:
    """Two draws, 0.1 either side of the middle."""
    middle = np.array([first, first + 0.1, first + 0.2, 0.1, 2.0])
    values = middle + np.array([-0.1, 0.1])[:, None, None] * np.ones((1, len(EYES), 1))
    return Implied(EYES, QUANTITIES, values)


def report(**changes: Any) -> PriorReport:
    core = read_definition("core")
    found: dict[str, Any] = {
        "definition": core,
        "lines": prior_lines(core),
        "eyes": SHOWN,
        "prior": implied(0.3),
        "posterior": None,
        "learned_from": "",
        "effective": np.array([1.8, 0.9, 0.3, 12.2]),
        "sensitivities": (),
        "failures": (),
        "cautions": (),
        "notes": (),
    }
    return PriorReport(**found | changes)


def with_cases(**changes: Any) -> PriorReport:
    sensitivities = (
        Sensitivity(EYES[0], "relieved_1", 0.2, 0.3, 4.0),
        Sensitivity(EYES[1], "relieved_1", 0.2, 0.3, 1.0),
        Sensitivity(EYES[2], "relieved_1", 0.2, 0.01, 0.0),
        Sensitivity("opacity=cloud", "stopped", 0.2, 0.3, -5.0),
    )
    found = {
        "posterior": implied(0.6),
        "learned_from": "90 cases of 80 patients",
        "sensitivities": sensitivities,
    }
    return report(**found | changes)


def text(found: PriorReport) -> str:
    return Page(render_priors(found)).words("main")[0]


def test_every_prior_stands_with_its_number_and_its_reason() -> None:
    page = Page(render_priors(report()))

    assert len(page.words("dt")) == len(page.words("dd")) == len(prior_lines(read_definition("core")))
    place = page.words("dt").index("cloud against ring, relieved: odds times 0.37 (0.052 to 2.6)")
    assert page.words("dd")[place].startswith("Published means of 1.14 sessions for rings")


def test_every_eye_is_told_in_words_and_in_a_table() -> None:
    told = text(report())

    for eye in EYES:
        assert f"Of 100 eyes like {eye}: 30 relieved by session 1, 40 relieved by session 2" in told
    assert implied_rows(report())[0] == (EYES[0], "relieved by session 1", "30 (21 to 39)")
    assert "they are worth 2 eyes like it" in told
    assert "worth one eye like it" in told
    assert "worth less than one eye like it" in told
    assert "worth 12 eyes like it" in told


def test_without_cases_nothing_is_said_of_cases() -> None:
    told = text(report())

    assert "After the cases" not in told
    assert "pull apart" not in told


def test_a_conflict_names_the_eye_the_move_the_prior_and_what_to_do() -> None:
    told = text(with_cases())

    assert (
        f"prior and cases pull apart for {EYES[0]}: relieved by session 1 from 30 by the priors to 60 after the cases"
        in told
    )
    assert "Priors that the cases pull against: opacity=cloud (stopped)." in told
    assert "What to do:" in told
    assert f"pull apart for {EYES[1]}" not in told
    assert "learned from 90 cases of 80 patients" in told


def test_no_conflict_is_said_too() -> None:
    calm = with_cases(sensitivities=(Sensitivity(EYES[0], "relieved_1", 0.2, 0.3, 1.0),))

    assert "Prior and cases do not pull apart in anything shown" in text(calm)
    assert "What to do" not in text(calm)


def test_where_the_prior_alone_speaks_is_said() -> None:
    assert (
        "Where the prior speaks and the cases say little: a large deep cloud after corneal surgery "
        "(relieved by session 1)." in text(with_cases())
    )


def test_a_fit_that_failed_is_told_instead_of_numbers() -> None:
    found = report(failures=("R-hat 1.2",))

    assert "Not fitted: R-hat 1.2." in text(found)
    assert closing_lines(found)[0] == "Not fitted: R-hat 1.2."


def test_cautions_come_first() -> None:
    assert text(report(cautions=("Invented.",))).startswith("Invented.")
    assert "support counselling only" in text(report())


@pytest.mark.parametrize("found", [report(), with_cases()])
def test_pictures_are_inside_the_page_and_say_what_they_show(found: PriorReport) -> None:
    page = Page(render_priors(found))
    images = page.all("img")

    assert len(images) == 2
    for image, eyes in zip(images, (("ring", "strand"), ("cloud", "sheet")), strict=True):
        assert base64.b64decode(str(image["src"]).partition(",")[2]).startswith(b"<?xml")
        assert all(eye in str(image["alt"]) for eye in eyes)
        assert "by the priors" in str(image["alt"])
    assert not page.all("script")
    assert not [tag for tag, attributes in page.tags if "http" in str(attributes.get("src", ""))]


def test_no_bare_nan_stands_on_the_page() -> None:
    assert not re.search(r"\b(nan|None|inf)\b", text(with_cases()))


def test_hostile_words_are_escaped() -> None:
    hostile = "<script>alert(1)</script>"
    line = replace(prior_lines(read_definition("core"))[0], subject=hostile, comparison=hostile, why=hostile)
    page = Page(render_priors(report(lines=(line,), notes=(hostile,), failures=(hostile,))))

    assert "script" not in {tag for tag, _ in page.tags}


def test_ranges_are_drawn_where_they_lie_and_the_same_input_gives_the_same_bytes(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    from matplotlib.figure import Figure

    kept: list[Figure] = []
    write = Figure.savefig
    monkeypatch.setattr(Figure, "savefig", lambda self, *a, **k: (kept.append(self), write(self, *a, **k))[1])
    series = [("before", [[10.0]], [[5.0]], [[20.0]]), ("after", [[30.0]], [[25.0]], [[35.0]])]

    images = {range_figure(["an eye"], ["relieved"], series, axis="Of 100 eyes") for _ in range(2)}

    assert len(images) == 1
    drawn = [segment.tolist() for bar in kept[0].axes[0].collections for segment in bar.get_segments()]
    assert [(a[0], b[0]) for a, b in drawn] == [(5.0, 20.0), (25.0, 35.0)]
    assert kept[0].axes[0].get_xlim() == (0, 100)


def test_more_series_than_can_be_told_apart_are_refused() -> None:
    with pytest.raises(ValueError, match="at most 2"):
        range_figure(["a"], ["b"], [("x", [[1]], [[1]], [[1]])] * 3, axis="")


@pytest.mark.parametrize(
    ("name", "heading", "line"),
    [
        (
            "progress",
            "A course under way: numbers on the scales of the state of the eye",
            "clear eye: half-normal of",
        ),
        ("landmark", "A course under way: log odds of ending", "mean 0, standard deviation"),
    ],
)
def test_priors_of_a_course_are_listed_with_their_reasons(name: str, heading: str, line: str) -> None:
    definition = read_definition(name)
    assert definition.history is not None
    page = render_priors(report(definition=definition, lines=prior_lines(definition)))
    assert heading in page
    assert line in page
    assert page.count("<dd>") == len(prior_lines(definition)) + len(definition.history.priors)
    assert "A course under way" not in render_priors(report())
