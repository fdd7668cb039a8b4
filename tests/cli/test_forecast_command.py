"""``retreat forecast`` as its user calls it: the open cases in a file, as JSON, or shortly on the screen."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
from outcome import Run

import retreat
from retreat.model.card import INVENTED


def test_forecast_covers_the_open_cases_only(run: Run, clinic: Path, saved: Path, tmp_path: Path) -> None:
    answer = run(
        "forecast", saved, "--cases", clinic / "cases.csv", "--horizon", "4", "--out", tmp_path / "f.csv"
    )
    assert answer.code == 0
    with (tmp_path / "f.csv").open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    cases = retreat.read_cases(clinic / "cases.csv")
    assert {r["case"] for r in rows} <= set(cases.loc[cases["ending"] == "ongoing", "case"])
    total: dict[tuple[str, str], float] = {}
    for row in rows:
        key = (row["case"], row["session"])
        total[key] = total.get(key, 0.0) + float(row["estimate"])
    assert np.allclose(list(total.values()), 1.0, atol=3e-6)  # three states rounded to six places


def test_forecast_without_a_file_prints_one_row_a_case_and_each_caution_once(
    run: Run, clinic: Path, saved: Path, tmp_path: Path
) -> None:
    cases = tmp_path / "cases.csv"
    cases.write_text(
        (clinic / "cases.csv").read_text().replace(",relieved,not_applicable,", ",ongoing,not_applicable,")
    )
    answer = run("forecast", saved, "--cases", cases)
    n_open = len(json.loads(run("forecast", saved, "--cases", cases, "--json").out))
    lines = answer.out.splitlines()
    assert answer.code == 0
    assert n_open > 100
    assert len(lines) == 1 + 20 + 2
    assert lines[-2].startswith(f"and {n_open - 20} more; {n_open} open cases, ")
    assert "--out FILE" in lines[-1]
    assert (answer.out + answer.err).count(INVENTED) == 1


def test_a_course_that_may_pass_the_horizon_is_said_to(run: Run, clinic: Path, saved: Path) -> None:
    answer = run("forecast", saved, "--cases", clinic / "cases.csv", "--horizon", "2")
    assert "nan" not in answer.out
    assert "1 to over 2" in answer.out


def test_a_level_in_percent_is_refused_with_the_share(run: Run, clinic: Path, saved: Path) -> None:
    answer = run("forecast", saved, "--cases", clinic / "cases.csv", "--level", "80")
    assert answer.code == 1
    assert "80% is --level 0.8" in answer.err


def test_forecast_as_json_gives_each_case_its_sessions(run: Run, clinic: Path, saved: Path) -> None:
    answer = run("forecast", saved, "--cases", clinic / "cases.csv", "--horizon", "3", "--json")
    entries = json.loads(answer.out)
    assert all(entry["sessions"] == [1, 2, 3] for entry in entries)
    assert all(
        entry["estimate"]["in_treatment"][: entry["done"]] == [1.0] * min(entry["done"], 3)
        for entry in entries
    )


def test_a_case_outside_what_the_model_saw_is_set_aside_with_the_reason(
    run: Run, clinic: Path, saved: Path, tmp_path: Path
) -> None:
    import pandas as pd

    table = pd.read_csv(clinic / "cases.csv", dtype=str)
    first = table.index[table["ending"] == "ongoing"][0]
    table.loc[first, "size_mm"] = "15"
    table.to_csv(tmp_path / "cases.csv", index=False)
    answer = run("forecast", saved, "--cases", tmp_path / "cases.csv")
    assert answer.code == 0
    assert f"case {table.loc[first, 'case']} is not forecast: size_mm 15 is outside" in answer.err
    assert table.loc[first, "case"] not in answer.out
