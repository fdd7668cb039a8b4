"""A case series from one call: its page, tables and JSON agree, and no small count leaves."""

from __future__ import annotations

import io
import json
import math
import re
import zipfile
from dataclasses import replace
from html.parser import HTMLParser

import pandas as pd
import pytest

import retreat
import synthetic
from retreat.errors import FitError, RetreatError, TableError
from retreat.pages.study import study_content
from retreat.pages.study_folder import study_files, write_study
from retreat.pages.study_plots import incidence_figure
from retreat.study.given_answers import answers_given, open_answers
from retreat.study.in_hand import coefficients_csv, equation, point_chart
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
def whole(cases):
    """The same with no count hidden."""
    return study_series(
        cases, "core", by="eye", resamples=20, penalty="prior", imputations=2, threshold=1, seed=1
    )


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


def test_the_tables_of_the_form_are_told_apart(tables):
    for name in ("TRIPOD+AI", "TRIPOD-Cluster notes", "PROBAST+AI self-check"):
        assert f"{name}: entries" in tables


def test_page_and_form_tell_both_analyses_apart(folder, tables):
    entries = {row[0]: row[3] for row in tables["TRIPOD+AI: entries"][1:]}
    risk = {row[0]: row[3] for row in tables["PROBAST+AI self-check: entries"][1:]}
    filled = "Odds ratios: all begun cases, gaps filled 2 times by chained equations"
    for text in (entries["11"], risk["D4.3"]):
        assert "equation and point chart are of complete cases" in text
        assert "(logistic hazard, penalised by the definition's priors)" in text
        assert filled in text
    assert "gaps filled 2 times" in (folder / "study.html").read_text().split("First table")[0]


def test_hidden_numbers_of_the_first_table_are_explained_below_it(folder, tables):
    first = next(rows for caption, rows in tables.items() if caption.startswith("Cases at the start"))
    assert any("hidden" in row for row in first)
    page = (folder / "study.html").read_text()
    told = page.index("A number can be hidden though its group is large")
    assert page.index("Cases at the start") < told < page.index("Standardised differences")
    assert "--by" in page
    assert "--threshold" in page


def test_the_table_of_chances_says_how_far_it_may_be_off(series, tables):
    (caption,) = (one for one in tables if one.startswith("Chance of relief by session"))
    assert caption.endswith(f"off by at most {100 * series.chart.errors.table:.1f} percentage points")


def test_the_example_of_the_point_chart_names_features_as_its_sheets_do(tables):
    read = [row[0] for row in tables["Points of the example"][1:]]
    assert any(cell.startswith("size ") for cell in read)
    assert not any("_" in cell for cell in read)


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


def test_no_word_of_any_file_tells_the_size_of_a_hidden_count(series, folder):
    assert series.cohort.frames["flow"].query("reason == 'size_mm missing'")["cases"].isna().all()
    word = zipfile.ZipFile(folder / "study.docx").read("word/document.xml").decode()
    texts = {
        path.name: path.read_text()
        for path in folder.rglob("*.*")
        if path.suffix in (".html", ".json", ".tex")
    }
    for name, text in {**texts, "study.docx": word}.items():
        assert "fewer than (not shown)" not in text, name
        assert not re.search(r"fewer than \d+ (cases|eyes|patients)", text), name
        assert "None site" not in text, name
    for name in ("study.html", "study.json", "form_tripod_ai.html"):
        assert "size_mm was missing in some cases, left out (how many is hidden)" in texts[name]
    assert "size_mm was missing in some cases, left out (how many is hidden)" in word
    filled = [note for note in series.words(series.effects.notes) if note.startswith("gaps filled")]
    assert filled[0].endswith("size_mm in some cases (how many is hidden)")


def test_a_count_that_a_table_shows_is_told_in_the_notes(whole):
    said = " ".join(one.text for part in whole.form.parts for line in part.lines for one in line.filled)
    assert whole.cohort.frames["flow"].query("reason == 'size_mm missing'")["cases"].tolist() == [4]
    assert "size_mm was missing in 4 cases, left out." in said
    assert any(note.endswith("size_mm in 4 cases") for note in whole.words(whole.effects.notes))


def test_sites_and_operators_are_those_of_a_row_that_tells_them(series, whole):
    def settings(found):
        lines = {line.entry.id: line for line in found.form.parts[0].lines}
        return [one.text for one in lines["6a"].filled]

    (clinic,), (shared,) = settings(whole), settings(series)
    row = whole.cohort.frames["flow"].set_index("step").loc["analysed"]
    assert f"{row['operators']} operators of the fitted cases" in clinic
    told = series.cohort.frames["flow"].set_index("step")["operators"]
    assert pd.isna(told["analysed"]) != ("fitted" in shared)
    assert "<NA>" not in shared


def test_what_a_model_says_in_a_form_loses_the_counts_to_be_hidden(series):
    def said(form):
        return " ".join(one.text for part in form.parts for line in part.lines for one in line.filled)

    alone = reporting_form(series.model)
    fitted = f"{series.model.card.n_cases} "
    assert fitted in said(alone)
    assert fitted not in said(form_without(alone, series.withheld))


def test_hiding_takes_whole_numbers_alone():
    text = "147 of 1470 cases, 147.5 mm, 147% of 2147 eyes and 147."
    assert (
        without_counts(text, frozenset({147}))
        == "(not shown) of 1470 cases, 147.5 mm, 147% of 2147 eyes and (not shown)."
    )
    assert without_counts(text, frozenset()) == text


def _columns(terms, case):
    """Columns of a case from the terms of the coefficient file alone."""
    blocks, columns = {}, []
    for term in terms:
        if term["form"] == "interaction":
            left, right = (blocks[name] for name in term["features"])
            found = [a * b for a in left for b in right]
        else:
            (name,) = term["features"]
            value = case[name]
            if term["form"] == "category":
                found = [float(value == level) for level in term["levels"] if level != term["reference"]]
            else:
                shift = math.log(value / term["centre"]) if term["form"] == "log" else value - term["centre"]
                found = [shift / term["scale"]]
            blocks[name] = found
        columns += found
    return columns


def test_a_chance_can_be_worked_out_from_the_coefficient_file_alone(folder):
    told = json.loads((folder / "model" / "coefficients.json").read_text())
    assert "hazard" in told["about"]
    assert told["by_hand"]
    assert any("never be used with a patient" in line for line in told["cautions"])
    assert told["rule"].startswith("h = exp(L) / (1 + sum of exp(L)")
    x = _columns(told["terms"], told["check"]["case"])
    (effects,) = told["session_effects"]
    staying, ended = 1.0, dict.fromkeys(told["ends"], 0.0)
    horizon = len(told["check"]["incidence"]["relieved"])
    assert horizon > 2
    for k in range(horizon):
        odds = {
            end: math.exp(
                sum(b * v for b, v in zip(told["coefficients"][end], x, strict=True))
                + effects[end][min(k, len(effects[end]) - 1)]
            )
            for end in told["ends"]
        }
        whole = 1.0 + sum(odds.values())
        for end in told["ends"]:
            ended[end] += staying * odds[end] / whole
            assert ended[end] == pytest.approx(told["check"]["incidence"][end][k], abs=1e-12)
        staying /= whole


def test_a_model_with_counts_that_the_tables_hide_is_left_out_and_that_is_said(
    series, folder, whole, told, tmp_path
):
    assert not (folder / "model" / "model.retreat").exists()
    assert "model file" in told["refused"]
    assert "model file: It holds counts" in (folder / "README.txt").read_text()
    assert "the model file itself stays in the clinic" in (folder / "study.html").read_text()
    write_study(whole, tmp_path)
    assert retreat.load(tmp_path / "model" / "model.retreat").model_id == whole.model.model_id
    assert "model file model/model.retreat" in (tmp_path / "study.html").read_text()
    assert "Not in this folder" not in (tmp_path / "README.txt").read_text()


def test_the_guide_has_cautions_first_and_a_line_for_every_file(folder, series):
    lines = (folder / "README.txt").read_text().splitlines()
    assert tuple(lines[: len(series.cautions)]) == series.cautions
    named = [line.split("  ")[0] for line in lines if "  " in line]
    held = {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}
    assert sorted(named) == sorted(held)
    assert all(len(line.split("  ", 1)[1].strip()) > 5 for line in lines if "  " in line)


def test_life_tables_are_named_by_their_kind(folder):
    names = {path.name for path in (folder / "tables").glob("*life_table*")}
    kinds = ("all", "ring", "strand", "cloud", "sheet")
    ends = {f"life_table_{kind}.{end}" for kind in kinds for end in ("html", "tex")}
    assert names == {"life_table.csv", *ends}
    assert "Life table, ring" in (folder / "tables" / "life_table_ring.html").read_text()


def test_open_questions_are_a_file_to_fill_and_give_back(cases, series, folder, tmp_path):
    text = (folder / "answers.toml").read_text()
    asked = [
        (part.checklist.key, line.entry) for part in series.form.parts for line in part.lines if line.question
    ]
    assert len(asked) > 20
    for _, entry in asked:
        assert f'# {entry.id}: {entry.ask}\n"{entry.id}" = ""' in text
    key, entry = asked[0]
    head, rest = text.split(f"[{key}]")
    filled = tmp_path / "answers.toml"
    filled.write_text(head + f"[{key}]" + rest.replace(f'"{entry.id}" = ""', f'"{entry.id}" = "Said."', 1))
    given = answers_given(filled)
    assert given[key][entry.id] == "Said."
    form = reporting_form(series.model, answers=given)
    assert any(line.answer == "Said." for part in form.parts for line in part.lines)
    assert f'"{entry.id}" = "Said."' in open_answers(form)


def test_a_form_without_an_open_question_has_no_file_to_fill(series):
    parts = tuple(
        replace(part, lines=tuple(replace(line, status="answered") for line in part.lines))
        for part in series.form.parts
    )
    done = replace(series, form=replace(series.form, parts=parts))
    assert open_answers(done.form) == ""
    assert "answers.toml" not in study_files(done)


def test_the_same_series_gives_the_same_bytes(series, folder, tmp_path):
    first = {path.relative_to(folder): path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    write_study(series, tmp_path)
    write_study(series, tmp_path)
    second = {p.relative_to(tmp_path): p.read_bytes() for p in tmp_path.rglob("*") if p.is_file()}
    assert first == second


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


def _entry(found, number):
    lines = {line.entry.id: line for line in found.form.parts[0].lines}
    return " ".join(one.text for one in lines[number].filled)


def test_no_number_of_patients_can_be_solved_from_the_effects(series, whole, folder, told):
    digits = re.compile(r"-?0*\.?0*([0-9.]*?)0*(?:e-?\d+)?")
    for name, rows in told["effects"]["tables"].items():
        assert not {"df_error", "missing"} & set(rows[0]), name
        assert name == "joint" or "df" not in rows[0], name
        frame = pd.read_csv(folder / "tables" / f"effects_{name}.csv", dtype=str)
        assert list(frame.columns) == list(rows[0])
        for column in {"standard_error", "low", "high", "ratio", "chi_square", "e_value"} & set(frame):
            for cell in frame[column].dropna():
                figures = digits.fullmatch(cell.removesuffix(".0"))[1].replace(".", "")
                assert len(figures) <= 3, (name, column, cell)
        for column in {"estimate", "difference", "average_value", "p"} & set(frame):
            assert all(len(cell.partition(".")[2]) <= 3 for cell in frame[column].dropna()), (name, column)
    row, exact = series.effects.ratios.iloc[0], whole.effects.ratios.iloc[0]
    assert row["standard_error"] == pytest.approx(exact["standard_error"], rel=0.005)
    assert {"df", "missing"} <= set(whole.effects.ratios)
    assert "df_error" in whole.effects.joint


def test_nothing_is_told_of_sessions_whose_number_at_risk_the_life_table_hides(
    series, whole, folder, tables, told
):
    life = pd.read_csv(folder / "tables" / "life_table.csv")
    shown = life[(life["kind"] == "all") & (life["at_risk"] > 0)]["session"].max()
    card = series.model.card
    assert 3 <= shown < card.supported_session < card.max_session
    hand = json.loads((folder / "model" / "coefficients.json").read_text())
    for given in (hand, told["model_in_hand"]):
        assert given["supported_session"] == shown
        assert given["after_the_last_session"] == "later sessions: not told (too few eyes)"
        (effects,) = given["session_effects"]
        assert {len(effects[end]) for end in given["ends"]} == {shown}
    (caption,) = (one for one in tables if one.startswith("Session effects"))
    assert [row[0] for row in tables[caption][1:]] == [*map(str, range(1, shown + 1)), "later sessions"]
    assert tables[caption][-1][1] == "not told (too few eyes)"
    assert rf"k = 1, \dots, {shown}" in (folder / "study.html").read_text()
    assert f"before session {shown}; later sessions: not told (too few eyes)." in _entry(series, "8a")
    assert f"session effects to session {shown}, later ones not told" in _entry(series, "12c")
    word = zipfile.ZipFile(folder / "study.docx").read("word/document.xml").decode()
    texts = [path.read_text() for path in folder.rglob("*.*") if path.suffix in (".html", ".json", ".tex")]
    late = [f"session {k}" for k in (card.supported_session, card.max_session)]
    for text in (*texts, word):
        assert "none before a session" not in text
        assert "few fitted cases reached" not in text
        for words in late:
            assert not re.search(rf"(?<!by )\b(before|after|to) (a )?{words}\b", text)
    assert "none before a session after" in _entry(whole, "8a")
    assert whole.equation.hand.session_effects.shape[-1] > shown


def test_chart_and_example_are_of_sessions_that_are_told(series):
    assert series.chart.hand.sessions_told == series.equation.hand.sessions_told > 0
    last = series.equation.hand.sessions_told
    assert series.equation.horizon <= last
    assert series.chart.horizons[-1] <= last


def test_without_any_session_to_tell_there_is_no_equation(series):
    with pytest.raises(FitError, match="too few eyes at every session"):
        equation(series.model, sessions=0)
    two = equation(series.model, sessions=2)
    assert two.horizon == 2
    assert point_chart(series.model, sessions=2).horizons == (1, 2)
    assert two.hand.incidence(two.totals[None], horizon=9).shape[-1] == 2
    assert "later sessions,not told (too few eyes)" in coefficients_csv(series.model, two)


def test_the_checksum_of_the_fitted_columns_is_told_only_where_nothing_is_hidden(series, whole, folder):
    digest = series.model.card.data_fingerprint
    for path in folder.rglob("*.*"):
        assert digest.encode() not in path.read_bytes(), path.name
    assert digest not in zipfile.ZipFile(folder / "study.docx").read("word/document.xml").decode()
    assert digest not in _entry(series, "18e")
    assert digest in _entry(whole, "18e")


@pytest.mark.parametrize(
    ("asked", "error"),
    [
        ({"resamples": 5}, TableError),
        ({"folds": 1}, FitError),
        ({"by": "shoe"}, TableError),
        ({"imputations": -1}, FitError),
        ({"imputations": 1}, FitError),
        ({"penalty": -1.0}, FitError),
        ({"penalty": "much"}, FitError),
        ({"answers": "nosuch.toml"}, RetreatError),
    ],
)
def test_arguments_out_of_range_are_refused(cases, asked, error):
    with pytest.raises(error):
        study_series(cases, "core", **{"resamples": 20, **asked})
