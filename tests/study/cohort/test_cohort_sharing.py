"""What leaves the clinic: no small count, none that can be worked out, no code of a place."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import linprog

import retreat
import synthetic
from retreat.study.cohort import describe_cohort
from retreat.study.cohort.flow import missing_agrees
from retreat.study.cohort.keys import Key, units_agree
from retreat.study.suppression import at_least, ranges
from retreat.study.suppression.sourced import linked_tables

COUNTS = {
    "flow": ("cases", "eyes", "patients"),
    "baseline": ("n", "of"),
    "follow_up": ("n", "of"),
    "life_table": ("at_risk", "relieved", "stopped", "censored"),
}


@pytest.fixture(scope="module")
def cohort(tmp_path_factory):
    folder = tmp_path_factory.mktemp("registry")
    synthetic.make("registry", cases=900, truth=False).write(folder)
    features = ["age", "eye", "size_mm", "opacity", "cornea", "lens"]
    cases = retreat.read_cases(folder / "cases.csv")
    return describe_cohort(cases, "core", by="site", features=features, horizon=5, resamples=100)


@pytest.fixture(scope="module")
def few_again():
    """Invented: 100 patients, 3 of them with two eyes in two sites, 6 of the eyes treated again."""
    patient, eye = [*range(100), 0, 1, 2], ["right"] * 100 + ["left"] * 3
    site = [f"invented_{i % 2 + 1}" for i in range(100)] + ["invented_2", "invented_1", "invented_2"]
    patient, eye, site = patient + list(range(50, 56)), eye + ["right"] * 6, site + site[50:56]
    ending = np.resize(["relieved", "stopped", "ongoing"], len(patient))
    again = np.repeat([False, True], [103, 6])
    cases = pd.DataFrame(
        {
            "case": [f"k{i}f{i}q" for i in range(len(patient))],
            "patient": [f"p{i}z{i}w" for i in patient],
            "eye": eye,
            "started": np.where(again, "2021", "2020"),
            "sessions": 1,
            "ending": np.where(again, "relieved", ending),
            "opacity": "ring",
            "site": site,
        }
    )
    cases["stop_reason"] = np.where(cases["ending"] == "stopped", "choice", "not_applicable")
    return describe_cohort(cases, by="site", features=["opacity"], resamples=20)


@pytest.fixture(scope="module")
def shared(cohort):
    return cohort.shared()


def test_no_count_from_1_to_10_is_shown(cohort, shared):
    for name, columns in COUNTS.items():
        for column in columns:
            left = shared.frames[name][column].dropna()
            assert not ((left > 0) & (left < 11)).any()
            assert (cohort.to_frames()[name][column].dropna() > 0).any()


def attacked(cohort, shared):
    """Values, which counts a table shows and hides, and the lowest and highest that each could be."""
    tables = cohort.tables.values()
    keys = {key: n for table in tables for key, n in table.counts.items() if isinstance(key, Key)}
    told = units_agree(keys)
    relations = [*missing_agrees(cohort.flow, cohort.baseline), *told.relations]
    linked = linked_tables(tables, relations, unseen=told.counts)
    hidden = np.array([key in shared.protection.hidden for key in linked.keys]) | ~linked.shown
    return linked.values, hidden & linked.shown, *ranges(linked, hidden)


@pytest.mark.parametrize(("which", "n_small"), [("cohort", 20), ("few_again", 5)])
def test_no_small_count_can_be_worked_out_from_all_tables_together(request, which, n_small):
    cohort = request.getfixturevalue(which)
    shared = request.getfixturevalue("shared") if which == "cohort" else cohort.shared()
    values, hidden, low, high = attacked(cohort, shared)
    small = (values > 0) & (values < 11)
    assert small.sum() > n_small
    assert (low[small] <= 1).all()
    assert (high[small] >= 11).all()
    assert (low < high)[hidden].all()


@pytest.fixture(scope="module")
def few_left_out():
    """Invented: 4 cases without a size and 3 not begun, each by more than one operator."""
    made = pd.DataFrame(synthetic.make("established", seed=11, cases=900, truth=False).cases)
    lacking, begun = made["size_mm"].astype(str) == "not_recorded", made["sessions"].astype(int) >= 1
    gone = [*made.index[lacking][4:], *made.index[~begun & ~lacking][3:]]
    return describe_cohort(made.drop(gone).reset_index(drop=True), "core", resamples=20)


@pytest.mark.parametrize("which", ["few_left_out", "cohort"])
@pytest.mark.parametrize("who", ["operators", "sites"])
def test_operators_and_sites_shown_bound_no_small_count(request, which, who):
    """Whoever treated the cases of a row are no more than these, and those of a whole are those of its parts."""
    cohort = request.getfixturevalue(which)
    shared = cohort.shared()
    flow, told = cohort.flow.frame, shared.frames["flow"]
    keys = {key: n for table in cohort.tables.values() for key, n in table.counts.items()}
    known = units_agree({key: n for key, n in keys.items() if isinstance(key, Key)})
    of_cases = [keys_of[0] for keys_of in cohort.flow.sources["cases"]]
    places = [f"{who} {row}" for row in range(len(flow))]
    relations = [at_least([key], place) for key, place in zip(of_cases, places, strict=True)]
    begun = flow["step"].tolist().index("begun")
    for whole, parts in ((0, range(1, begun + 1)), (begun, range(begun + 1, len(flow)))):
        relations.append(at_least([places[part] for part in parts], places[whole]))
        relations += [at_least([places[whole]], places[part]) for part in parts]
    linked = linked_tables(
        cohort.tables.values(),
        [*missing_agrees(cohort.flow, cohort.baseline), *known.relations, *relations],
        unseen={**known.counts, **dict(zip(places, flow[who].tolist(), strict=True))},
    )
    free = dict(zip(places, told[who].isna(), strict=True))
    hidden = [
        free.get(key, key in shared.protection.hidden or not is_shown)
        for key, is_shown in zip(linked.keys, linked.shown, strict=True)
    ]

    low, high = ranges(linked, np.array(hidden))

    small = np.array(
        [key not in free and 0 < keys.get(key, known.counts.get(key, 0)) < 11 for key in linked.keys]
    )
    assert small.sum() > 2
    assert (low[small] <= 1).all()
    assert (high[small] >= 11).all()
    # and the rows whose cases stand are told in full
    assert (told[who].isna() == told["cases"].isna()).all()
    if which == "few_left_out" and who == "operators":
        assert (flow.loc[told["cases"].isna(), who] > 1).any()
        assert told[who].notna().any()


def test_few_second_eyes_are_not_told_by_eyes_and_patients(few_again):
    whole, told = few_again.to_frames(), few_again.shared().frames
    for name, row in (("flow", "in the table"), ("flow", "begun")):
        clinic, line = (frames[name].set_index("step").loc[row] for frames in (whole, told))
        assert (clinic["cases"], clinic["eyes"], clinic["patients"]) == (109, 103, 100)
        assert (
            line[["cases", "eyes", "patients"]].notna().sum() <= 1
        )  # of two the difference would be 3, 6 or 9
    every = whole["baseline"].query("feature == 'all' and group == 'all'").set_index("unit")["n"]
    left = told["baseline"].query("feature == 'all' and group == 'all'").set_index("unit")["n"]
    assert every[["eyes", "patients"]].tolist() == [103, 100]
    assert left.notna().sum() <= 1


def test_few_patients_in_several_groups_are_not_told_by_the_sum_of_the_groups(few_again):
    whole, told = few_again.to_frames(), few_again.shared().frames
    for frames, hidden in ((whole, False), (told, True)):
        patients = frames["baseline"].query("feature == 'all' and unit == 'patients'").set_index("group")["n"]
        assert patients.isna().any() == hidden
    patients = whole["baseline"].query("feature == 'all' and unit == 'patients'").set_index("group")["n"]
    assert 0 < patients.drop("all").sum() - patients["all"] < 11


def test_the_life_table_alone_gives_nothing_to_one_who_subtracts(cohort, shared):
    """An attacker of its own: everything shown of the life table and what any reader knows of one."""
    whole, shown = (
        frames["life_table"].set_index(["kind", "session"]) for frames in (cohort.to_frames(), shared.frames)
    )
    columns = ["at_risk", "relieved", "stopped", "censored", "left"]
    kinds, last = list(dict.fromkeys(whole.index.get_level_values("kind"))), int(whole.index[-1][1])
    places = {
        cell: i
        for i, cell in enumerate((kind, k, c) for kind in kinds for k in range(1, last + 2) for c in columns)
    }
    equations: list[dict[int, float]] = []
    for kind in kinds:
        for k in range(1, last + 1):
            at = {c: places[kind, k, c] for c in columns}
            equations.append({at["left"]: 1, at["relieved"]: -1, at["stopped"]: -1, at["censored"]: -1})
            equations.append({at["at_risk"]: 1, at["left"]: -1, places[kind, k + 1, "at_risk"]: -1})
    for k in range(1, last + 2):
        for c in columns:
            equations.append({places[kind, k, c]: -1.0 if kind == "all" else 1.0 for kind in kinds})
    known = {
        places[kind, k, c]: float(shown.loc[(kind, k), c])
        for kind, k in shown.index
        for c in columns[:-1]
        if pd.notna(shown.loc[(kind, k), c])
    }
    matrix = np.zeros((len(equations), len(places)))
    for row, equation in enumerate(equations):
        matrix[row, list(equation)] = list(equation.values())
    bounds = [(known.get(i, 0), known.get(i)) for i in range(len(places))]
    n_small = 0
    for kind, k in whole.index:
        truth = {c: int(whole.loc[(kind, k), c]) for c in columns[:-1]}
        truth["left"] = truth["relieved"] + truth["stopped"] + truth["censored"]
        for c, n in truth.items():
            if 0 < n < 11:
                aim = np.zeros(len(places))
                aim[places[kind, k, c]] = 1.0
                low = linprog(aim, A_eq=matrix, b_eq=np.zeros(len(matrix)), bounds=bounds)
                high = linprog(-aim, A_eq=matrix, b_eq=np.zeros(len(matrix)), bounds=bounds)
                assert low.fun <= 1 + 1e-6
                assert high.status == 3 or -high.fun >= 11 - 1e-6  # 3: nothing bounds it
                n_small += 1
    assert n_small > 20


def test_numbers_that_rest_on_hidden_counts_are_hidden(shared):
    baseline, life = shared.frames["baseline"], shared.frames["life_table"]
    gone = baseline["n"].isna()
    assert gone.any()
    assert baseline.loc[gone, ["share", "mean", "sd", "median"]].isna().all(axis=None)
    assert life.loc[life["stopped"].isna(), ["hazard_stopped", "hazard_stopped_low"]].isna().all(axis=None)
    first = life[life["stopped"].isna() | life["relieved"].isna()].groupby("kind")["session"].min()
    curves = shared.frames["incidence"]
    for kind, session in first.items():
        late = curves[(curves["kind"] == kind) & (curves["session"] >= session)]
        assert late[["incidence", "low", "high"]].isna().all(axis=None)
        assert late["hidden"].eq("incidence low high").all()


def test_codes_of_sites_are_replaced_everywhere(cohort, shared):
    text = json.dumps(shared.to_json(), allow_nan=False)
    assert "invented_1" not in text
    assert {"site 1", "site 2", "site 3"} <= set(shared.frames["baseline"]["group"])
    assert set(cohort.to_frames()["baseline"]["group"]) >= {"invented_1"}


def test_json_holds_every_table_the_rule_and_the_cautions(shared):
    told = json.loads(json.dumps(shared.to_json(), allow_nan=False))
    assert set(told["tables"]) == {"flow", "baseline", "differences", "follow_up", "life_table", "incidence"}
    assert "1 to 10 are hidden" in told["suppression"]["rule"]
    assert "invented" in told["cautions"][0]
    assert len(told["tables"]["life_table"]) == len(shared.frames["life_table"])


def test_a_threshold_of_1_shares_all_and_sharing_changes_nothing_at_home(cohort):
    before = {name: frame.copy() for name, frame in cohort.to_frames().items()}
    whole = cohort.shared(threshold=1)
    assert all(frame["hidden"].eq("").all() for frame in whole.frames.values())
    for name, frame in cohort.to_frames().items():
        assert frame.equals(before[name])
