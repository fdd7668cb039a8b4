"""The forecast log and the watch on it."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from retreat.errors import FitError, TableError
from retreat.forecast import Forecast
from retreat.updating import append_forecast, read_log, watch
from retreat.updating.chart import ODDS, cusum, find_threshold
from retreat.updating.log import Logged

ENDS = ("relieved", "stopped")


def forecast_of(cases, done, chance=0.5, horizon=4):
    """A forecast with the same chance of relief at each session to come, and a tenth of it of stopping."""
    pmf = np.zeros((2, len(cases), 2, horizon))
    for i, k in enumerate(done):
        left = (1 - 1.1 * chance) ** np.arange(horizon - k)
        pmf[:, i, 0, k:] = chance * left
        pmf[:, i, 1, k:] = 0.1 * chance * left
    return Forecast(pmf, np.asarray(done), tuple(cases), ENDS)


def keys(n, seed=0):
    rng = np.random.default_rng(seed)
    letters = list("bcdfghjkmnpqrstvwxz23456789")
    return ["k" + "".join(rng.choice(letters, 7)) for _ in range(n)]


def logged(case, chance, made="2025Q1", done=0, model="m1"):
    return Logged(made, model, case, done, ENDS, (chance, 0.1 * chance))


def cases_of(case, sessions, ending):
    n = len(case)
    return pd.DataFrame(
        {
            "case": case,
            "patient": [f"p{c}" for c in case],
            "eye": ["right"] * n,
            "started": ["2025"] * n,
            "sessions": sessions,
            "ending": ending,
            "stop_reason": ["choice" if e == "stopped" else "not_applicable" for e in ending],
            "opacity": ["ring"] * n,
            "size_mm": [2.0] * n,
        }
    )


def test_the_log_holds_key_quarter_and_chances_and_nothing_of_the_eye(tmp_path):
    path = tmp_path / "log.jsonl"
    assert append_forecast(path, forecast_of(["k7f3q9zt"], [1]), "m1", made="2026Q1") == 1
    line = json.loads(path.read_text())
    assert set(line) == {"format", "version", "made", "model", "case", "done", "ends", "next"}
    assert line["case"] == "k7f3q9zt"
    assert line["next"] == [0.5, 0.05]  # session 2 and no later one
    assert read_log(path)[0].next_session == (0.5, 0.05)


def test_a_logged_chance_leaves_several_eyes_to_choose_from(tmp_path):
    # all kinds, sizes to the tenth of a millimetre and zones: with the model's file six digits give each away
    from practices import saved

    sizes = np.round(np.arange(0.5, 6.0, 0.1), 1)
    kinds, zones = ("ring", "strand", "cloud"), ("anterior", "middle", "posterior")
    grid = [(kind, size, zone) for kind in kinds for size in sizes for zone in zones]
    eyes = pd.DataFrame(grid, columns=["opacity", "size_mm", "zone"]).assign(
        cornea="none", started="2025", sessions=0, ending="ongoing"
    )
    told = saved().expected(eyes, horizon=1)[:, :, 0]
    assert len(np.unique(np.round(told, 6), axis=0)) == len(grid)
    forecast = Forecast(
        np.repeat(told[None, :, :, None], 2, axis=0), np.zeros(len(grid), int), tuple(keys(len(grid))), ENDS
    )
    append_forecast(tmp_path / "l.jsonl", forecast, "m")
    logs = np.array([one.next_session for one in read_log(tmp_path / "l.jsonl")])
    assert np.allclose(logs, np.round(logs, 2), atol=1e-12)
    left = (np.abs(logs[:, None] - told[None]) < 0.01).all(axis=2).sum(axis=1)
    assert np.median(left) >= 5  # measured: 7


def test_rounding_is_right_in_the_mean(tmp_path):
    case = keys(2000, 8)
    append_forecast(tmp_path / "l.jsonl", forecast_of(case, [0] * 2000, chance=0.034, horizon=1), "m")
    mean = np.mean([one.next_session for one in read_log(tmp_path / "l.jsonl")], axis=0)
    # standard errors of .0001
    assert mean == pytest.approx([0.034, 0.0034], abs=0.0005)


def test_a_log_of_the_first_version_is_read_and_loses_its_digits(tmp_path):
    path = tmp_path / "log.jsonl"
    old = {
        "format": "retreat-forecast", "version": 1, "made": "2026Q1", "model": "m1", "case": "k7f3q9zt",
        "done": 0, "ends": list(ENDS), "pmf": [[0.512345, 0.2], [0.034567, 0.01]],
    }  # fmt: skip
    path.write_text(json.dumps(old) + "\n")
    (one,) = read_log(path)
    assert one.next_session[0] in (0.51, 0.52)
    append_forecast(path, forecast_of(["p2xx81ma"], [0]), "m1")
    assert "512345" not in path.read_text()
    assert len(read_log(path)) == 2


def test_keys_that_look_like_identifiers_are_refused_on_reading(tmp_path):
    path = tmp_path / "log.jsonl"
    append_forecast(path, forecast_of(["k7f3q9zt"], [0]), "m1")
    path.write_text(path.read_text().replace("k7f3q9zt", "Smith, Jane"))
    with pytest.raises(TableError, match="random keys") as refused:
        read_log(path)
    assert "Smith, Jane" not in str(refused.value)


def test_the_first_forecast_counts_and_a_second_run_adds_nothing(tmp_path):
    path = tmp_path / "log.jsonl"
    append_forecast(path, forecast_of(["k7f3q9zt"], [0]), "m1", made="2026Q1")
    before = path.read_bytes()
    assert append_forecast(path, forecast_of(["k7f3q9zt"], [0], chance=0.9), "m1", made="2026Q2") == 0
    assert path.read_bytes() == before
    assert append_forecast(path, forecast_of(["k7f3q9zt"], [1]), "m1", made="2026Q2") == 1
    assert append_forecast(path, forecast_of(["k7f3q9zt"], [0]), "m2", made="2026Q2") == 1


def test_a_case_past_the_horizon_is_not_logged(tmp_path):
    assert append_forecast(tmp_path / "l.jsonl", forecast_of(["k7f3q9zt"], [4]), "m1") == 0
    assert not (tmp_path / "l.jsonl").exists()


@pytest.mark.parametrize("key", ["Smith, Jane", "1954-03-12", "MRN-00412"])
def test_keys_that_look_like_identifiers_are_refused_and_not_repeated(key, tmp_path):
    with pytest.raises(TableError) as refused:
        append_forecast(tmp_path / "l.jsonl", forecast_of([key], [0]), "m1")
    assert key not in str(refused.value)
    assert not (tmp_path / "l.jsonl").exists()


def test_a_damaged_line_is_named_and_the_log_is_left_alone(tmp_path):
    path = tmp_path / "log.jsonl"
    append_forecast(path, forecast_of(["k7f3q9zt"], [0]), "m1")
    path.write_text(path.read_text() + '{"case": "half\n')
    before = path.read_bytes()
    with pytest.raises(TableError) as refused:
        append_forecast(path, forecast_of(["p2xx81ma"], [0]), "m1")
    assert refused.value.faults[0].row == 2
    assert path.read_bytes() == before


@pytest.mark.parametrize(
    "change",
    [
        {"version": 3},
        {"done": -1},
        {"done": True},
        {"next": [0.9, 0.9]},
        {"next": [0.5]},
        {"next": [1.5, 0.0]},
        {"made": "2026-01-31"},
    ],
)
def test_lines_of_another_form_are_refused(change, tmp_path):
    path = tmp_path / "log.jsonl"
    append_forecast(path, forecast_of(["k7f3q9zt"], [0]), "m1")
    path.write_text(json.dumps(json.loads(path.read_text()) | change))
    with pytest.raises(TableError, match="not a logged forecast"):
        read_log(path)


def test_a_missing_log_is_refused_in_words(tmp_path):
    with pytest.raises(TableError, match="no such log"):
        read_log(tmp_path / "none.jsonl")


def test_a_failed_write_leaves_the_old_log(tmp_path, monkeypatch):
    path = tmp_path / "log.jsonl"
    append_forecast(path, forecast_of(["k7f3q9zt"], [0]), "m1")
    before = path.read_bytes()

    def full(target, payload):
        raise OSError(28, "no space left")

    monkeypatch.setattr("retreat.tables.line_log.write_whole", full)
    with pytest.raises(TableError, match="no space left"):
        append_forecast(path, forecast_of(["p2xx81ma"], [0]), "m1")
    assert path.read_bytes() == before


def test_each_forecast_meets_what_happened_at_the_next_session():
    case = keys(7)
    log = [logged(c, 0.4, done=d) for c, d in zip(case, [0, 0, 0, 0, 1, 2, 0], strict=True)]
    now = cases_of(
        case[:6], [1, 1, 3, 0, 1, 1], ["relieved", "stopped", "relieved", "ongoing", "stopped", "ongoing"]
    )
    found = watch(log, now, model_id="m1")
    whole = found.by_quarter.set_index(["quarter", "end"])
    assert found.n_resolved == 3
    assert whole.loc[("all", "relieved"), "observed"] == 1  # the third went on to its second session
    assert whole.loc[("all", "stopped"), "observed"] == 1
    assert whole.loc[("all", "relieved"), "expected"] == pytest.approx(1.2)
    assert set(found.left_out) == {
        "1 whose next session has not happened yet",
        "1 of cases that ended without another session",
        "1 of cases that have fewer sessions now than when they were forecast",
        "1 of cases that are not in the table",
    }
    assert found.action == "collect"
    assert "Too few to tell" in " ".join(found.words)


def test_intervals_of_a_ratio_are_garwoods():
    case = keys(30)
    log = [logged(c, 0.4) for c in case]
    now = cases_of(case, [1] * 30, ["relieved"] * 9 + ["stopped"] * 21)
    row = watch(log, now, model_id="m1").by_quarter.iloc[0]
    # 9 observed: 4.115 to 17.085 (Garwood's table, by chi-squared quantiles)
    assert row["low"] * 12 == pytest.approx(stats.gamma.ppf(0.025, 9), rel=1e-9)
    assert row["high"] * 12 == pytest.approx(stats.gamma.ppf(0.975, 10), rel=1e-9)
    assert row["low"] * 12 == pytest.approx(4.115, abs=1e-3)


def test_the_cusum_by_hand():
    better, worse = cusum(np.array([0.5, 0.2, 0.5]), np.array([1.0, 1.0, 0.0]))
    first = np.log(2 / 1.5)
    second = first + np.log(2 / 1.2)
    assert better == pytest.approx([first, second, second - np.log(1.5)])
    assert worse == pytest.approx([0.0, 0.0, -np.log(0.75)])


@given(st.lists(st.tuples(st.floats(0.01, 0.99), st.booleans()), min_size=1, max_size=40))
def test_the_chart_of_what_did_not_happen_is_the_other_side(pairs):
    chance, seen = (np.array([pair[i] for pair in pairs], dtype=float) for i in range(2))
    assert np.allclose(cusum(chance, seen), cusum(1 - chance, 1 - seen)[::-1], atol=1e-9)


@pytest.mark.slow
def test_a_right_model_signals_as_seldom_as_stated_and_a_change_is_found():
    rng = np.random.default_rng(3)
    chance = rng.beta(2, 2, 120)
    found = find_threshold(chance, planned=160, false_alarm=0.05, seed=11)
    told = rng.choice(chance, (4000, 160))

    def signals(odds):
        true = odds * told / (1 - told + odds * told)
        return (
            cusum(told, (rng.random(told.shape) < true).astype(float)).max(axis=(0, 2)) > found.height
        ).mean()

    # standard errors of .0034 each for the height and for the check: three of both together
    assert signals(1.0) == pytest.approx(0.05, abs=0.015)
    for odds, power in zip(ODDS, found.power, strict=True):
        assert power > 0.8
        assert signals(odds) == pytest.approx(power, abs=0.04)


def year(seed, odds, n=160):
    rng = np.random.default_rng(seed)
    case, chance = keys(n, seed), rng.uniform(0.3, 0.7, n)
    log = [
        logged(c, p, made=f"2025Q{1 + 4 * i // n}") for i, (c, p) in enumerate(zip(case, chance, strict=True))
    ]
    true = odds * chance / (1 - chance + odds * chance)
    relieved = rng.random(n) < true
    return log, cases_of(
        case, [1 if r else 2 for r in relieved], ["relieved" if r else "ongoing" for r in relieved]
    )


def test_a_watch_finds_a_shift_and_says_what_to_do():
    found = watch(*year(1, 3.0), model_id="m1")
    assert found.action == "recalibrate"
    assert "more were relieved than forecast" in " ".join(found.words)
    assert "retreat update" in " ".join(found.words)
    assert found.chart["signal"].any()
    assert found.by_quarter["quarter"].unique().tolist() == ["2025Q1", "2025Q2", "2025Q3", "2025Q4", "all"]
    assert json.loads(json.dumps(found.to_json(), allow_nan=False))["action"] == "recalibrate"


def test_a_watch_of_a_right_model_says_nothing_is_to_be_done():
    found = watch(*year(6, 1.0), model_id="m1")
    assert found.action == "nothing"
    assert "nothing to do" in " ".join(found.words)
    assert found.threshold.planned == 160


def over_two_years(log):
    return [
        *log[:80],
        *(replace(one, made=f"2026{one.made[4:]}") for one in log[80:]),
    ]


def written(path, log):
    path.write_text("".join(one.to_line() + "\n" for one in log))
    return path


def test_a_year_is_planned_of_two_and_later_outcomes_do_not_move_the_threshold(tmp_path):
    log, now = year(2, 1.0)
    path = written(tmp_path / "log.jsonl", [one for one in log if one.made <= "2025Q2"])
    first = watch(path, now, model_id="m1")
    assert (first.threshold.planned, first.threshold.false_alarm) == (160, 0.05)
    written(path, over_two_years(log))
    later = watch(path, now, model_id="m1", seed=9)
    assert later.n_resolved == 160
    assert later.threshold == first.threshold
    assert watch(over_two_years(log), now, model_id="m1").threshold.planned == 80  # found anew, in memory
    assert (
        watch(over_two_years(log), now, model_id="m1", threshold=first.threshold).threshold == first.threshold
    )


def test_each_model_and_each_false_alarm_has_its_threshold_and_too_few_fix_none(tmp_path):
    log, now = year(2, 1.0)
    path = written(tmp_path / "log.jsonl", log[:15])
    watch(path, now, model_id="m1")
    beside = tmp_path / "log.jsonl.watch.json"
    assert not beside.exists()
    written(path, [*log, *(replace(one, model="m2") for one in log)])
    heights = [
        watch(path, now, model_id=m, false_alarm=a).threshold.height
        for m, a in (("m1", 0.05), ("m2", 0.05), ("m1", 0.2))
    ]
    kept = json.loads(beside.read_text())["thresholds"]
    assert [one["height"] for one in kept] == heights
    assert heights[2] < heights[0]
    assert not any(one.case in beside.read_text() for one in log)


def test_a_damaged_threshold_is_refused_and_left(tmp_path):
    log, now = year(2, 1.0, n=40)
    path = written(tmp_path / "log.jsonl", log)
    beside = tmp_path / "log.jsonl.watch.json"
    for text in ("{", "[]", '{"format": "retreat-watch", "version": 1, "thresholds": [{"model": "m1"}]}'):
        beside.write_text(text)
        with pytest.raises(TableError, match="no file of thresholds"):
            watch(path, now, model_id="m1")
        assert beside.read_text() == text


def test_outcomes_not_yet_known_count_among_those_planned():
    log, now = year(2, 1.0)
    known = now.assign(
        sessions=np.where(np.arange(160) % 4, now["sessions"], 0),
        ending=np.where(np.arange(160) % 4, now["ending"], "ongoing"),
        started=np.where(np.arange(160) % 4, now["started"], "not_applicable"),
    )
    found = watch(log, known, model_id="m1")
    assert (found.n_resolved, found.threshold.planned) == (120, 160)


@pytest.mark.slow
def test_looking_every_quarter_finds_no_more_false_alarms():
    # 80 right models, 160 outcomes a year, a third of them known a quarter late; the height is fixed at the first
    # look. Standard error .025
    rng = np.random.default_rng(5)
    n, hits = 160, 0
    for one in range(80):
        quarter = np.arange(n) // 40
        chance = rng.uniform(0.3, 0.7, n)
        seen = (rng.random(n) < chance).astype(float)
        known = quarter + (rng.random(n) < 1 / 3)
        height = find_threshold(chance[known == 0], planned=n, false_alarm=0.05, seed=one).height
        looks = [cusum(chance[known <= q], seen[known <= q]).max() > height for q in range(4)]
        hits += any(looks)
    assert 0.0 < hits / 80 <= 0.125


def test_no_key_of_a_case_is_in_the_result():
    log, now = year(4, 1.0, n=40)
    text = json.dumps(watch(log, now, model_id="m1").to_json())
    assert not any(one.case in text for one in log)


def test_forecasts_of_other_models_are_left_aside_and_none_at_all_is_refused():
    log, now = year(5, 1.0, n=40)
    found = watch([*log, logged(log[0].case, 0.5, model="m2")], now, model_id="m1")
    assert "1 forecasts of other models" in found.left_out
    with pytest.raises(FitError, match="no forecast of model m9"):
        watch(log, now, model_id="m9")


def test_wrong_arguments_are_named_at_once():
    with pytest.raises(FitError) as refused:
        watch([], cases_of(keys(1), [1], ["relieved"]), model_id="m", false_alarm=0, level=1, seed=-1)
    assert {f.where for f in refused.value.faults} == {"false_alarm", "level", "seed"}


def test_the_chart_runs_in_the_order_of_the_quarters():
    log, now = year(7, 1.0, n=40)
    late = [
        Logged("2024Q4", *[getattr(one, f) for f in ("model", "case", "done", "ends", "next_session")])
        for one in log[-5:]
    ]
    chart = watch([*log[:-5], *late], now, model_id="m1").chart
    assert chart["quarter"].is_monotonic_increasing
    assert chart["chance"].iloc[:5].tolist() == [one.next_session[0] for one in late]
    assert chart["chance"].iloc[5:].tolist() == [one.next_session[0] for one in log[:-5]]
