"""A case series from one call: its page, tables and JSON agree, and no small count leaves."""

from __future__ import annotations

import io
import json
import re
import zipfile
from html.parser import HTMLParser

import pandas as pd
import pytest

import synthetic
from retreat.errors import FitError, TableError
from retreat.pages.study import study_content
from retreat.pages.study_folder import write_study
from retreat.pages.study_plots import incidence_figure
from retreat.study.reporting import reporting_form
from retreat.study.series import study_series
from retreat.study.withheld import form_without, without_counts


class _Tables(HTMLParser):
    """Tables of a page by caption, each a list of rows of cells."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.found: dict[str, list[list[str]]] = {}
        self._caption, self._text = "", ""
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        self._text = "" if tag in ("caption", "th", "td") else self._text
        if tag == "tr":
            self.found[self._caption].append([])

    def handle_data(self, data):
        self._text += data

    def handle_endtag(self, tag):
        if tag == "caption":
            self._caption = self._text
            self.found[self._caption] = []
        if tag in ("th", "td"):
            self.found[self._caption][-1].append(self._text)


@pytest.fixture(scope="module")
def cases():
    """Enough cases for incidence to be told, but few of them without a size, so that their number is hidden."""
    made = pd.DataFrame(synthetic.make("established", seed=11, cases=900, truth=False).cases)
    gone = made.index[made["size_mm"].astype(str) == "not_recorded"]
    return made.drop(gone[4:]).reset_index(drop=True)


@pytest.fixture(scope="module")
def series(cases):
    return study_series(cases, "core", by="eye", resamples=20, penalty="prior", imputations=2, seed=1)


@pytest.fixture(scope="module")
def folder(series, tmp_path_factory):
    home = tmp_path_factory.mktemp("study")
    write_study(series, home)
    return home


@pytest.fixture(scope="module")
def told(folder):
    return json.loads((folder / "study.json").read_text())


@pytest.fixture(scope="module")
def tables(folder):
    return _Tables((folder / "study.html").read_text()).found


def _numbers(text):
    return [float(x) for x in re.findall(r"-?\d+\.?\d*", text.replace("\N{MINUS SIGN}", "-"))]


def test_the_flow_on_the_page_is_that_of_the_json(tables, told):
    shown = [row[1:4] for row in tables["Records in, left out and why, analysed"][1:]]
    rows = told["cohort"]["tables"]["flow"]
    want = [["hidden" if r[u] is None else str(r[u]) for u in ("cases", "eyes", "patients")] for r in rows]
    assert shown == want


def test_the_first_table_on_the_page_is_that_of_the_json(tables, told):
    head, *rows = next(grid for caption, grid in tables.items() if caption.startswith("Cases at the start"))
    shown = {(row[0], group): cell for row in rows for group, cell in zip(head[2:], row[2:], strict=True)}
    checked = 0
    for row in told["cohort"]["tables"]["baseline"]:
        if row["feature"] != "opacity" or row["level"] == "missing":
            continue
        cell = shown[f"opacity, {row['level']}", row["group"]]
        if row["n"] is None:
            assert cell == "hidden"
        elif row["share"] is not None:
            assert _numbers(cell) == [row["n"], pytest.approx(100 * row["share"], abs=0.05001)]
            checked += 1
    assert checked > 4


def test_incidence_on_the_page_is_that_of_the_json(tables, told):
    shown = {(row[0], row[1]): row[2] for row in tables["Incidence by kind"][1:]}
    rows = [r for r in told["cohort"]["tables"]["incidence"] if r["state"] == "relieved" and r["incidence"]]
    assert rows
    for row in rows:
        want = [100 * row[name] for name in ("incidence", "low", "high")]
        assert _numbers(shown[row["kind"], str(row["session"])]) == pytest.approx(want, abs=0.05001)


def test_odds_ratios_and_average_effects_on_the_page_are_those_of_the_json(tables, told):
    ratios = told["effects"]["tables"]["ratios"]
    averages = told["effects"]["tables"]["averages"]
    caption = next(caption for caption in tables if caption.startswith("Average effects"))
    assert len(ratios) == len(tables["Odds ratios"]) - 1
    for row, line in zip(ratios, tables["Odds ratios"][1:], strict=True):
        assert _numbers(line[2]) == pytest.approx([row[n] for n in ("ratio", "low", "high")], abs=0.005001)
    for row, line in zip(averages, tables[caption][1:], strict=True):
        by, half = (1, 0.005001) if row["measure"] == "sessions" else (100, 0.05001)
        want = [by * row[n] for n in ("difference", "low", "high")]
        assert _numbers(line[2]) == pytest.approx(want, abs=half)


def test_coefficients_on_the_page_are_those_of_the_json(folder, told):
    page = (folder / "study.html").read_text()
    values = told["model_in_hand"]["coefficients"]["relieved"]
    assert len(values) > 3
    assert all(f"{abs(value):.4f}" in page for value in values)


def test_the_form_on_the_page_is_that_of_the_json(tables, told):
    counts = {row[0]: row[1:] for row in tables["How far it is filled"][1:]}
    for part in told["form"]["lists"]:
        assert counts[part["name"]][0] == str(len(part["entries"]))
        assert counts[part["name"]][1] == str(part["counts"].get("filled", 0))


def test_no_small_count_is_in_any_file(folder, told):
    names = ("n", "cases", "eyes", "patients", "at_risk", "relieved", "stopped", "censored")
    found = [
        row[name]
        for table in told["cohort"]["tables"].values()
        for row in table
        for name in names
        if row.get(name) is not None
    ]
    assert len(found) > 50
    assert not [n for n in found if 0 < n < 11]
    for table in ("flow", "baseline", "life_table"):
        frame = pd.read_csv(folder / "tables" / f"{table}.csv")
        counts = frame[[name for name in names if name in frame]].stack()
        assert not ((counts > 0) & (counts < 11)).any()


def test_counts_of_the_fitted_are_told_nowhere_when_a_hidden_count_follows_from_them(
    cases, series, folder, told
):
    begun = int((cases["sessions"].astype(int) >= 1).sum())
    fitted = series.model.card.n_cases
    assert begun - fitted == 4
    assert fitted in series.withheld
    assert told["effects"]["cases"] is None
    word = (
        zipfile.ZipFile(io.BytesIO((folder / "study.docx").read_bytes())).read("word/document.xml").decode()
    )
    cells = re.compile(rf"(?<![\w.]){fitted}(?![\w]|\.\d) cases")
    for text in ((folder / "study.html").read_text(), word, json.dumps(told)):
        assert not cells.search(text)


def test_what_a_model_says_in_a_form_loses_the_counts_to_be_hidden(series):
    def said(form):
        return " ".join(one.text for part in form.parts for line in part.lines for one in line.filled)

    alone = reporting_form(series.model)
    fitted = f"{series.model.card.n_cases} "
    assert fitted in said(alone)
    assert fitted not in said(form_without(alone, series.withheld))


def test_hiding_takes_whole_numbers_alone():
    text = "147 of 1470 cases, 147.5 mm, 2147 eyes and 147."
    assert (
        without_counts(text, frozenset({147}))
        == "(not shown) of 1470 cases, 147.5 mm, 2147 eyes and (not shown)."
    )
    assert without_counts(text, frozenset()) == text


def test_every_page_bears_cautions_and_the_invented_banner(folder):
    for name in ("study.html", "tables/studied_flow_of_records.html", "tables/cautions.txt"):
        text = (folder / name).read_text()
        assert "These cases were invented" in text
        assert "not a decision to treat" in text


def test_the_same_curves_give_the_same_bytes(series):
    frame = series.cohort.frames["incidence"]
    assert incidence_figure(frame, title="t") == incidence_figure(frame, title="t")


def test_effects_without_a_finite_estimate_are_not_told_and_the_page_says_why(cases):
    separated = cases[cases["sessions"].astype(int) >= 1].head(200).reset_index(drop=True)
    sheets = separated["opacity"] == "sheet"
    separated.loc[sheets, ["ending", "stop_reason"]] = ["stopped", "choice"]
    found = study_series(separated, "core", resamples=20, imputations=0, seed=1)
    about = " ".join(study_content(found, ()).passages[0].paragraphs)
    assert found.effects is None
    assert "Not on this page: effects" in about
    assert "no finite" in about
    assert found.to_json()["effects"] is None


@pytest.mark.parametrize(
    ("asked", "error"),
    [({"resamples": 5}, TableError), ({"folds": 1}, FitError), ({"by": "shoe"}, TableError)],
)
def test_arguments_out_of_range_are_refused(cases, asked, error):
    with pytest.raises(error):
        study_series(cases, "core", **{"resamples": 20, **asked})
