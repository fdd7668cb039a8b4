"""Files and the command line of the invented clinic."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

import synthetic
from synthetic.__main__ import main
from synthetic.scenario import FOLDER
from synthetic.settings import INVENTED, SETTINGS

NAMES = ["cases.csv", "visits.csv", "truth.csv", "ABOUT.txt"]


def _bytes(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


@pytest.mark.parametrize("scenario", ["small", "known_clustered"])
def test_the_same_seed_writes_the_same_bytes(tmp_path, scenario):
    for folder in ("a", "b"):
        assert main([scenario, "--out", str(tmp_path / folder), "--seed", "5", "--cases", "60"]) == 0
    assert sorted(_bytes(tmp_path / "a")) == sorted(NAMES)
    assert _bytes(tmp_path / "a") == _bytes(tmp_path / "b")


def test_another_process_writes_the_same_bytes(tmp_path):
    call = [sys.executable, "-m", "synthetic", "known", "--out", str(tmp_path / "a"), "--cases", "40"]
    subprocess.run(call, check=True, cwd=FOLDER.parents[1], capture_output=True)
    synthetic.make("known", cases=40).write(tmp_path / "b")
    assert _bytes(tmp_path / "a") == _bytes(tmp_path / "b")


@pytest.mark.parametrize("scenario", ["small", "known", "pathological"])
def test_another_seed_writes_another_clinic(scenario):
    first, second = (synthetic.make(scenario, seed=seed, truth=False) for seed in (1, 2))
    assert first.cases["case"] != second.cases["case"]
    assert first.cases["lens_gap_mm"] != second.cases["lens_gap_mm"]
    assert first.visits["session"] != second.visits["session"]


@pytest.mark.parametrize("scenario", ["small", "known_clustered"])
def test_leaving_the_truth_out_changes_no_table(scenario):
    whole, bare = (synthetic.make(scenario, seed=4, cases=50, truth=truth) for truth in (True, False))
    assert (whole.cases, whole.visits) == (bare.cases, bare.visits)
    assert bare.truth == {}


def test_tables_end_lines_with_a_newline_alone_and_are_utf8(tmp_path):
    synthetic.make("pathological").write(tmp_path)
    for content in _bytes(tmp_path).values():
        assert content.endswith(b"\n")
        assert b"\r" not in content
        content.decode("utf-8")


@pytest.mark.parametrize("scenario", ["small", "known", "pathological"])
def test_no_cell_is_blank(tmp_path, scenario):
    synthetic.make(scenario, cases=100).write(tmp_path)
    for name in NAMES[:3]:
        lines = (tmp_path / name).read_bytes().split(b"\n")[:-1]
        assert len({line.count(b",") for line in lines}) == 1
        assert not any(cell.strip() == b"" for line in lines for cell in line.split(b","))


def test_what_is_written_is_what_the_clinic_holds(tmp_path):
    clinic = synthetic.make("small", cases=30)
    clinic.write(tmp_path)
    header, *rows = (tmp_path / "cases.csv").read_text(encoding="utf-8").splitlines()
    assert header.split(",") == list(clinic.cases)
    assert [row.split(",") for row in rows] == [
        list(cells) for cells in zip(*clinic.cases.values(), strict=True)
    ]


def test_written_truth_is_cut_so_that_no_sum_exceeds_one(tmp_path):
    clinic = synthetic.make("known", cases=300)
    clinic.write(tmp_path)
    header, *rows = (tmp_path / "truth.csv").read_text(encoding="utf-8").splitlines()
    table = np.array([row.split(",")[1:] for row in rows], dtype=float)
    names = header.split(",")[1:]
    exact = np.column_stack([clinic.truth[name] for name in names])
    assert np.all((exact - table >= 0) & (exact - table < 1e-6 + 1e-12))
    ends = table[:, names.index("relieved_8")] + table[:, names.index("stopped_8")]
    assert ends.max() <= 1


def test_about_says_loudly_that_the_data_are_invented(tmp_path):
    synthetic.make("small", seed=11, cases=40).write(tmp_path)
    text = " ".join((tmp_path / "ABOUT.txt").read_text(encoding="utf-8").split())
    assert text.startswith("THESE DATA ARE INVENTED.")
    assert text.count("They must NEVER be used with a patient") == 2
    for words in (
        "Scenario small",
        "Law burden",
        "Seed 11",
        "Cases 40",
        "Monte-Carlo standard error on average 0.",
    ):
        assert words in text


def test_about_lists_what_is_anchored_and_what_is_invented():
    from synthetic.about import as_text

    text = " ".join(as_text(synthetic.make("small", cases=5, truth=False).about).split())
    anchored, invented = text.split(" Invented - ")
    for setting in SETTINGS:
        own = setting.section == "truth"  # the scenario sets its repeats itself
        named_in = invented if setting.anchor == INVENTED or own else anchored
        assert f"{setting.section}.{setting.name} = " in named_in
        assert setting.anchor == INVENTED or re.search(r"\b[LOEP]\d\d\b", setting.anchor)


def test_a_published_value_that_a_scenario_moves_is_told_as_invented():
    from synthetic.about import as_text

    text = as_text(synthetic.make("known", cases=5, truth=False).about)
    anchored, invented = text.split("\nInvented\n")
    assert "mix.ring" not in anchored
    assert "mix.ring = 0.4:" in invented


def test_the_shipped_scenarios_have_their_sizes_and_sites():
    sizes = {"small": 120, "established": 900, "registry": 6000}
    assert {"small", "established", "registry", "pathological", "known"} <= set(synthetic.names())
    for name, size in sizes.items():
        assert synthetic.make(name, truth=False).about["cases"] == size
    assert synthetic.make("registry", truth=False).about["sites"] == [f"invented_{k}" for k in (1, 2, 3)]


def test_an_established_clinic_is_made_in_well_under_half_a_second():
    synthetic.make("established", truth=False)
    start = time.process_time()
    synthetic.make("established", truth=False)
    assert time.process_time() - start < 0.5  # about 0.03 s measured on one core


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["nowhere"], "'nowhere' is not known; choose established, known"),
        (["missing.toml"], "cannot be read (No such file"),
        (["small", "--cases", "0"], "cases = 0; allowed: a whole number from 1"),
        (["small", "--seed", "-1"], "seed = -1; allowed"),
        (["pathological", "--cases", "4"], "fewer than the exact counts"),
    ],
)
def test_a_wrong_request_is_one_clear_line_and_exit_1(tmp_path, capsys, arguments, words):
    assert main([*arguments, "--out", str(tmp_path / "clinic")]) == 1
    told = capsys.readouterr()
    assert told.out == ""
    assert words in told.err
    assert told.err.startswith("error: ")
    assert told.err.count("\n") == 1
    assert not (tmp_path / "clinic").exists()


@pytest.mark.parametrize(
    ("scenario", "old", "new", "words"),
    [
        ("small", "cases = 120", "cases = 12.5", "cases = 12.5; allowed: a whole number"),
        ("small", "cases = 120", "cases = ", "not valid TOML"),
        ("small", 'law = "burden"', 'law = "magic"', "law = 'magic'; allowed: burden or known"),
        ("small", "seed = 120", "sed = 120", "sed is not a setting"),
        ("small", "2022-01-03", "2025-01-03", "dates must follow one another"),
        ("small", "2022-01-03", '"soon"', "first_start = 'soon'; allowed: a date"),
        ("small", '"invented_1"', '"clinic_1"', "must begin with invented_"),
        ("small", '"op_b"', '"op_a"', "may each be used once"),
        ("small", "repeats = 2000", "repeats = nan", "truth.repeats = nan; allowed: 20 to 100000"),
        ("known", "ring = 0.40", "ring = 0.50", "must add to 1"),
        ("known", "ring = 0.40", "ring = 1.40", "mix.ring = 1.4; allowed: 0 to 1"),
        ("known", "gaps = 0.0", "gap = 0.0", "missing.gap is not a setting"),
        ("known", '"surgery" = -0.40', "", "'surgery' is missing"),
        ("known", "sessions = [-1.80", 'sessions = ["-1.80"', "known.stopped.sessions = '-1.80'"),
        ("pathological", "strand = 3", "stripe = 3", "exactly.stripe"),
        ("pathological", '"op_a", "op_b", "op_z"', '"op_z"', "needs two operators or more"),
    ],
)
def test_a_bad_value_in_a_scenario_is_named_in_one_line(scenario_file, scenario, old, new, words):
    path = scenario_file(scenario, (old, new))
    with pytest.raises(synthetic.ScenarioError) as caught:
        synthetic.make(path)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def test_wrong_usage_exits_with_2(capsys):
    with pytest.raises(SystemExit) as caught:
        main(["small"])
    assert caught.value.code == 2
    assert "--out" in capsys.readouterr().err


def test_a_folder_that_is_a_file_is_refused_in_one_line(tmp_path, capsys):
    (tmp_path / "taken").write_text("mine")
    assert main(["small", "--cases", "5", "--out", str(tmp_path / "taken" / "clinic")]) == 1
    assert re.fullmatch(r"error: folder .*: cannot be written to \(.+\)\n", capsys.readouterr().err)
    assert (tmp_path / "taken").read_text() == "mine"


def test_a_failure_half_way_leaves_nothing_half_written(tmp_path, monkeypatch):
    synthetic.make("small", seed=1, cases=10).write(tmp_path / "old")
    before = _bytes(tmp_path / "old")
    write_bytes, calls = Path.write_bytes, []

    def full_disk(path: Path, content: bytes) -> int:
        calls.append(path)
        if len(calls) % 3 == 0:
            write_bytes(path, content[:10])
            raise OSError(28, "No space left on device")
        return write_bytes(path, content)

    monkeypatch.setattr(Path, "write_bytes", full_disk)
    for folder in ("old", "new/deep"):
        with pytest.raises(synthetic.ScenarioError, match="No space left"):
            synthetic.make("small", seed=2, cases=10).write(tmp_path / folder)
    assert _bytes(tmp_path / "old") == before
    assert not (tmp_path / "new").exists()


def test_a_clinic_without_truth_takes_an_older_truth_away(tmp_path):
    synthetic.make("small", seed=1, cases=10).write(tmp_path)
    files = synthetic.make("small", seed=2, cases=10, truth=False).write(tmp_path)
    assert [path.name for path in files] == ["cases.csv", "visits.csv", "ABOUT.txt"]
    assert not (tmp_path / "truth.csv").exists()


def test_the_package_loads_numpy_and_nothing_heavier():
    code = (
        "import sys, synthetic; synthetic.make('small', cases=5, truth=False); "
        "print(sorted({'retreat', 'pandas', 'scipy', 'sklearn', 'pymc', 'matplotlib'} & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], check=True, cwd=FOLDER.parents[1], capture_output=True, text=True
    )
    assert done.stdout.strip() == "[]"


def test_no_module_imports_anything_but_numpy_the_standard_library_and_itself():
    allowed = set(sys.stdlib_module_names) | {"numpy", "synthetic"}
    for path in FOLDER.parent.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            assert {name.split(".")[0] for name in names} <= allowed, path.name
