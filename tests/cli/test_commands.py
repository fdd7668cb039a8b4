"""Each command as its user calls it: what it prints, what it writes, how it ends."""

from __future__ import annotations

import csv
import json
import subprocess
import sys
from pathlib import Path

import pytest
from outcome import Run

import retreat
from retreat.cli.app import COMMANDS
from retreat.cli.options import CASE_OPTIONS
from retreat.features import FEATURES
from retreat.model.card import INVENTED

RING = ("--opacity", "ring", "--size-mm", "2", "--zone", "middle", "--cornea", "none", "--lens", "natural")


def corrupt(source: Path, target: Path, column: str, value: str, row: int = 1) -> Path:
    with source.open(newline="", encoding="utf-8") as stream:
        rows = list(csv.reader(stream))
    rows[row][rows[0].index(column)] = value
    with target.open("w", newline="", encoding="utf-8") as stream:
        csv.writer(stream, lineterminator="\n").writerows(rows)
    return target


def test_every_command_has_help_with_an_example(run: Run) -> None:
    for command in COMMANDS:
        answer = run(command, "--help")
        assert answer.code == 0
        assert f"retreat {command}" in answer.out.split("Example:")[1]


def test_a_feature_of_a_shipped_model_can_be_given_as_an_option() -> None:
    from retreat.definitions import read_definition, shipped

    used = {
        column for name in shipped() for f in read_definition(name).features for column in FEATURES[f].needs
    }
    assert used <= set(CASE_OPTIONS)


def test_check_passes_a_sound_table(run: Run, clinic: Path) -> None:
    answer = run("check", clinic / "cases.csv", "--visits", clinic / "visits.csv")
    assert answer.code == 0
    assert answer.out.splitlines()[-1].startswith("Sound: 300 cases")


def test_check_names_row_column_value_and_remedy(run: Run, clinic: Path, tmp_path: Path) -> None:
    bad = corrupt(clinic / "cases.csv", tmp_path / "bad.csv", "opacity", "Ring", row=4)
    answer = run("check", bad, "--json")
    found = json.loads(answer.out)
    assert answer.code == 1
    assert [(f["row"], f["column"], f["value"]) for f in found["faults"]] == [(5, "opacity", "Ring")]
    assert "ring" in found["faults"][0]["fix"]


def test_check_shows_faults_as_a_table(run: Run, clinic: Path, tmp_path: Path) -> None:
    bad = corrupt(clinic / "cases.csv", tmp_path / "bad.csv", "size_mm", "99", row=2)
    answer = run("check", bad)
    assert answer.code == 1
    assert "what to do" in answer.err
    assert "size_mm" in answer.err


def test_fit_writes_a_model_and_its_effects(run: Run, clinic: Path, tmp_path: Path) -> None:
    answer = run(
        "fit",
        clinic / "cases.csv",
        "--out",
        tmp_path / "m.retreat",
        "--effects",
        tmp_path / "e.csv",
        "--json",
    )
    card = json.loads(answer.out)
    assert answer.code == 0
    assert card["model_id"] == retreat.load(tmp_path / "m.retreat").model_id
    assert card["invented"] is True
    header = (tmp_path / "e.csv").read_text().splitlines()[0]
    assert header == "end,column,estimate,standard_error,ratio,low,high,caution"


def test_fit_takes_a_ridge_strength_as_a_number(run: Run, clinic: Path, tmp_path: Path) -> None:
    answer = run("fit", clinic / "cases.csv", "--out", tmp_path / "m.retreat", "--penalty", "2.5")
    assert answer.code == 0
    assert "ridge 2.5" in answer.out


def test_the_same_seed_writes_the_same_bytes(run: Run, clinic: Path, tmp_path: Path) -> None:
    for name in ("a.retreat", "b.retreat"):
        run("fit", clinic / "cases.csv", "--out", tmp_path / name, "--seed", "7")
    assert (tmp_path / "a.retreat").read_bytes() == (tmp_path / "b.retreat").read_bytes()


def test_sheet_is_written_as_one_file(run: Run, saved: Path, tmp_path: Path) -> None:
    answer = run("sheet", saved, *RING, "--out", tmp_path / "sheet.html", "--date", "2026-01-31")
    page = (tmp_path / "sheet.html").read_text(encoding="utf-8")
    assert answer.code == 0
    assert "Of 100 eyes like this one" in page
    assert "invented" in page
    assert "31 January 2026" in page


def test_sheet_from_a_table_conditions_on_the_sessions_done(run: Run, clinic: Path, saved: Path) -> None:
    cases = retreat.read_cases(clinic / "cases.csv")
    row = cases[(cases["ending"] == "ongoing") & (cases["sessions"] == 1)].iloc[0]
    answer = run("sheet", saved, "--cases", clinic / "cases.csv", "--case", row["case"])
    assert answer.code == 0
    assert "1 session" in answer.out


def test_sheet_of_an_ended_case_is_refused(run: Run, clinic: Path, saved: Path) -> None:
    cases = retreat.read_cases(clinic / "cases.csv")
    key = cases.loc[cases["ending"] == "relieved", "case"].iloc[0]
    answer = run("sheet", saved, "--cases", clinic / "cases.csv", "--case", key)
    assert answer.code == 1
    assert "has ended" in answer.err


def test_template_writes_tables_a_clinic_can_fill(run: Run, tmp_path: Path) -> None:
    answer = run("template", "--out", tmp_path / "tables")
    written = [Path(line) for line in answer.out.splitlines()]
    assert answer.code == 0
    assert all(path.is_file() for path in written)
    header = (tmp_path / "tables" / "cases_template.csv").read_text().strip().split(",")
    assert header[:3] == ["case", "patient", "eye"]


def test_validate_writes_page_numbers_and_measures(run: Run, clinic: Path, tmp_path: Path) -> None:
    answer = run("validate", clinic / "cases.csv", "--folds", "3", "--out", tmp_path / "v")
    assert answer.code == 0
    numbers = json.loads((tmp_path / "v" / "calibration.json").read_text())
    measures = {row["measure"] for row in numbers[0]["measures"]}
    assert measures == {
        *("observed_expected", "in_the_large", "slope", "ici", "brier_at", "scaled_brier_at"),
        *("concordance_at", "integrated_brier", "log_score", "rps"),
    }
    assert "Can these numbers be trusted?" in (tmp_path / "v" / "calibration.html").read_text()


@pytest.mark.slow
def test_demo_makes_the_whole_job_from_nothing(run: Run, tmp_path: Path) -> None:
    answer = run("demo", "--out", tmp_path / "demo", "--scenario", "small")
    assert answer.code == 0
    assert answer.out.splitlines()[-1] == f"open {tmp_path / 'demo' / 'index.html'}"
    index = (tmp_path / "demo" / "index.html").read_text()
    for path in (tmp_path / "demo").iterdir():
        assert path.name == "index.html" or path.name in index
    manager = index[index.index("For the practice manager") : index.index("For the researcher")]
    for name in ("plan.html", "plan.csv", "plan.xlsx", "plan.ics", "plans.jsonl", "prices.toml"):
        assert name in manager
    page = (tmp_path / "demo" / "plan.html").read_text()
    for told in (INVENTED, "invented timetable", "in invented money", "80% band", "Four weeks from"):
        assert told in page


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (("sheet",), 2, "Missing argument"),
        (("fit", "nowhere.csv", "--out", "x.retreat"), 1, "nowhere.csv"),
        (("sheet", "nowhere.retreat", *RING), 1, "no such file"),
        (("nonsense",), 2, "No such command"),
    ],
)
def test_wrong_calls_end_with_a_clear_line(
    run: Run, arguments: tuple[str, ...], code: int, words: str
) -> None:
    answer = run(*arguments)
    assert answer.code == code
    assert words in answer.err
    assert "Traceback" not in answer.err


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--opacity", "rng"), "write ring"),
        (("--size-mm", "nan"), "0.1 to 15 mm"),
        (("--size-mm", "-3"), "0.1 to 15 mm"),
        (("--opacity", "ring", "--horizon", "0"), "--horizon 0 "),
        (("--opacity", "ring", "--sessions", "3", "--horizon", "9"), "--horizon 9 "),
        (("--opacity", "ring", "--size-mm", "14.9"), "size_mm"),
        (("--opacity", "ring", "--date", "soon"), "date"),
    ],
)
def test_sheet_refuses_impossible_cases(
    run: Run, saved: Path, arguments: tuple[str, ...], words: str
) -> None:
    answer = run("sheet", saved, *arguments)
    assert answer.code == 1
    assert words in " ".join(answer.err.split())


def test_an_unwritable_place_leaves_nothing(run: Run, saved: Path, tmp_path: Path) -> None:
    answer = run("sheet", saved, *RING, "--out", tmp_path / "missing" / "sheet.html")
    assert answer.code == 1
    assert "missing" in answer.err
    assert list(tmp_path.iterdir()) == []


def test_a_foreign_model_file_is_refused(run: Run, tmp_path: Path) -> None:
    foreign = tmp_path / "clinic.retreat"
    foreign.write_text("no model\n")
    answer = run("sheet", foreign, *RING)
    assert answer.code == 1
    assert "not a readable model file" in " ".join(answer.err.split())


def test_five_cases_are_refused_with_the_number_needed(run: Run, clinic: Path, tmp_path: Path) -> None:
    lines = (clinic / "cases.csv").read_text().splitlines(keepends=True)
    (tmp_path / "five.csv").write_text("".join(lines[:6]))
    answer = run("fit", tmp_path / "five.csv", "--out", tmp_path / "m.retreat")
    assert answer.code == 1
    assert "at least 20" in " ".join(answer.err.split())
    assert not (tmp_path / "m.retreat").exists()


def test_an_interrupted_run_says_so_and_leaves_no_file(
    run: Run, clinic: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupt(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("retreat.fitting.logistic_model.fit_hazard", interrupt)
    answer = run("fit", clinic / "cases.csv", "--out", tmp_path / "m.retreat")
    assert answer.code == 130
    assert list(tmp_path.iterdir()) == []


def test_an_output_never_overwrites_an_input(run: Run, clinic: Path, saved: Path) -> None:
    before = saved.read_bytes()
    for arguments in (
        ("fit", clinic / "cases.csv", "--out", clinic / "cases.csv"),
        ("forecast", saved, "--cases", clinic / "cases.csv", "--out", saved),
        ("sheet", saved, *RING, "--out", saved),
    ):
        answer = run(*arguments)
        assert answer.code == 1
        assert "is also read by this command" in answer.err
    assert saved.read_bytes() == before


def test_an_option_that_contradicts_the_table_is_refused(run: Run, clinic: Path, saved: Path) -> None:
    cases = retreat.read_cases(clinic / "cases.csv")
    row = cases[(cases["ending"] == "ongoing") & (cases["opacity"] == "ring")].iloc[0]
    answer = run("sheet", saved, "--cases", clinic / "cases.csv", "--case", row["case"], "--opacity", "cloud")
    assert answer.code == 1
    assert "cloud, but the table says ring" in " ".join(answer.err.split())


def test_an_interrupted_demo_leaves_nothing(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupt(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("retreat.validate", interrupt)
    answer = run("demo", "--out", tmp_path / "demo", "--scenario", "small")
    assert answer.code == 130
    assert list((tmp_path / "demo").iterdir()) == []


@pytest.mark.slow
def test_the_verdict_goes_into_the_model_and_onto_every_output(
    run: Run, clinic: Path, saved: Path, tmp_path: Path
) -> None:
    model = tmp_path / "clinic.retreat"
    model.write_bytes(saved.read_bytes())
    assert "validated: not yet" in run("forecast", model, "--cases", clinic / "cases.csv").err
    answer = run("validate", clinic / "cases.csv", "--folds", "3", "--into", model)
    assert answer.code == 0
    assert f"verdict written into {model}" in answer.out
    found = retreat.load(model).card.validated
    assert found is not None
    assert f"verdict: {found.standing}" in answer.out
    if found.standing != "not fit":
        assert f"validated: {found.standing}" in run("forecast", model, "--cases", clinic / "cases.csv").err
        assert f"Checked: {found.standing}" in run("sheet", model, *RING).out
    else:
        assert run("sheet", model, *RING).out.count("Not for counselling")


def test_validation_of_too_few_cases_names_the_cases_needed(run: Run, clinic: Path, tmp_path: Path) -> None:
    lines = (clinic / "cases.csv").read_text().splitlines(keepends=True)
    (tmp_path / "five.csv").write_text("".join(lines[:6]))
    answer = run("validate", tmp_path / "five.csv")
    assert answer.code == 1
    assert "at least 20" in " ".join(answer.err.split())


def test_a_sheet_from_a_fresh_process_loads_nothing_heavy(saved: Path, tmp_path: Path) -> None:
    code = (
        "import sys; from retreat.cli import main\n"
        f"sys.argv = ['retreat', 'sheet', {str(saved)!r}, *{RING!r}, '--out', {str(tmp_path / 's.html')!r}]\n"
        "main_error = None\n"
        "try:\n    main()\nexcept SystemExit as stop:\n    assert not stop.code, stop.code\n"
        "heavy = {'pandas', 'scipy', 'matplotlib', 'pymc', 'sklearn', 'statsmodels', 'arviz', 'pydantic', 'rich'}\n"
        "print(sorted(heavy & set(sys.modules)))\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[]"
