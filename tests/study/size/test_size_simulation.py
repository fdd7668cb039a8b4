"""Simulated studies: slopes, intervals and power are what theory says; sentences tell them."""

import json
from dataclasses import replace

import numpy as np
import pytest

from retreat.definitions import read_definition
from retreat.errors import DefinitionError, FitError
from retreat.study.size import (
    Effect,
    Targets,
    of_definition,
    protocol,
    simulate_size,
    size_by_end,
)
from retreat.study.size.courses import draw_study
from retreat.study.size.figure import size_figure
from retreat.study.size.fits import calibration_slope, interval_width, told_by
from retreat.study.size.record import Estimate
from retreat.study.size.wording import columns, eyes_for_all, rows, targets_told

# no eye hangs on another and every level is common, so that maximum likelihood exists in nearly every study
PLAIN = {
    "effects": "mean",
    "eyes_per_patient": 1.0,
    "mix": {
        "opacity": {"ring": 0.4, "strand": 0.2, "cloud": 0.2, "sheet": 0.2},
        "corneal_surgery": {"no": 0.6, "yes": 0.4},
        "size_mm": (1.0, 2.5, 8.0),
        "depth": (0.1, 0.5, 0.9),
    },
}


def test_as_many_eyes_as_the_closed_criterion_asks_for_give_the_shrinkage_it_promises():
    # one yes-or-no outcome, maximum likelihood: the setting of the criteria, a shrinkage of 0.9
    scenario = of_definition("second_session", **PLAIN)
    eyes = size_by_end(scenario, horizon=1)[0].shrinkage
    found = simulate_size(scenario, eyes=[eyes], studies=250, horizon=1, penalty=0.0, seed=4)
    slope = found.points[0].slope["one_session"]
    assert found.points[0].failures < 0.02
    assert slope.error < 0.02
    # the slope of a single study is skewed: its mean may lie a little above the criterion's
    assert slope.value == pytest.approx(0.9, abs=0.035)


def test_an_effect_of_none_is_found_in_five_of_a_hundred_studies():
    effect = Effect("corneal_surgery=yes", "one_session", 1.0)
    scenario = of_definition("second_session", **PLAIN, effect=effect)
    found = simulate_size(scenario, eyes=[300], studies=250, horizon=1, penalty=0.0, seed=2)
    power = found.points[0].power
    assert power.value == pytest.approx(0.05, abs=3 * (0.05 * 0.95 / 250) ** 0.5)


def test_power_is_that_of_the_normal_approximation():
    # a 2 by 2 table: odds ratio 3, even groups, nothing else matters much; Fleiss 1981 (from memory) by the log odds
    effect = Effect("corneal_surgery=yes", "one_session", 2.0)
    mix = {**PLAIN["mix"], "corneal_surgery": {"no": 0.5, "yes": 0.5}}
    scenario = of_definition("second_session", **(PLAIN | {"mix": mix}), effect=effect)
    found = simulate_size(scenario, eyes=[300], studies=200, horizon=1, penalty=0.0, seed=2)
    power = found.points[0].power
    # information of the effect, from the same design without outcomes
    rng = np.random.default_rng(9)
    X = scenario.columns(np.arange(20_000), rng)
    truth = scenario.truth_of(0)
    eta = X @ truth.coefficients[0, 0] + truth.session_effects[0, 0, 0, 0]
    h = 1 / (1 + np.exp(-eta))
    full = np.column_stack([X, np.ones(len(X))])
    information = 300 * (full.T @ (full * (h * (1 - h))[:, None])) / len(X)
    error = np.sqrt(np.linalg.inv(information)[scenario.place[1], scenario.place[1]])
    from scipy.stats import norm

    expected = norm.sf(1.96 - np.log(2.0) / error)
    assert power.value == pytest.approx(expected, abs=3 * power.error + 0.02)


def test_intervals_of_the_typical_eye_hold_the_truth_and_narrow_by_the_root_of_n():
    scenario = of_definition("core", **PLAIN)
    found = simulate_size(scenario, eyes=[150, 600], studies=80, penalty=0.0, seed=3)
    small, large = found.points
    for point in (small, large):
        assert point.coverage.value == pytest.approx(0.95, abs=0.07)
        assert point.width_80.value < point.width_95.value
    assert small.width_95.value / large.width_95.value == pytest.approx(2.0, abs=0.25)
    assert small.slope_width["relieved"].value > large.slope_width["relieved"].value


def test_the_error_told_of_the_typical_eye_is_the_spread_over_studies():
    scenario = of_definition("second_session", **PLAIN)
    rng = np.random.default_rng(8)
    X = scenario.columns(np.arange(50), rng)
    told = [
        told_by(
            scenario,
            draw_study(scenario, 300, scenario.truth_of(0), rng),
            penalty=0.0,
            horizon=1,
            population=X,
            true_incidence=np.full((50, 1), 0.5),
        )
        for _ in range(200)
    ]
    spread = np.nanstd([one.logit for one in told], ddof=1)
    # the spread of 200 is known to a twentieth
    assert np.nanmean([one.error for one in told]) == pytest.approx(spread, rel=0.15)


def test_more_eyes_a_patient_at_the_same_number_of_eyes_tell_less():
    narrow = simulate_size(
        of_definition("core", effects="mean", eyes_per_patient=1.0), eyes=[300], studies=40
    )
    scenario = of_definition("core", effects="mean", eyes_per_patient=2.0)
    scenario.truth.patient_loading[:, 0] = 2.0
    wide = simulate_size(scenario, eyes=[300], studies=40)
    assert wide.points[0].patients == 150
    assert wide.points[0].width_95.value > narrow.points[0].width_95.value


def test_studies_without_finite_estimates_are_counted_and_not_averaged():
    rare = {"mix": {"corneal_surgery": {"no": 0.98, "yes": 0.02}}, "effects": "mean"}
    effect = Effect("corneal_surgery=yes", "relieved", 0.5)
    found = simulate_size(of_definition("core", **rare, effect=effect), eyes=[60], studies=30, penalty=0.0)
    point = found.points[0]
    assert point.failures > 0.5
    assert not point.slope["relieved"].known
    assert point.power.value < 0.2
    assert "failures" in found.missed(point, "relieved")
    assert json.loads(json.dumps(found.to_json(), allow_nan=False))["points"][0]["width_95"]["value"] is None
    assert "not known" in " ".join(protocol(found))


def test_the_same_seed_gives_the_same_numbers_and_another_does_not():
    scenario = of_definition("core")
    first, again, other = (simulate_size(scenario, eyes=[100], studies=20, seed=s) for s in (1, 1, 2))
    assert first.to_json() == again.to_json()
    assert first.points[0].slope != other.points[0].slope


def test_sizes_do_not_hang_on_the_others_looked_at():
    scenario = of_definition("core")
    both = simulate_size(scenario, eyes=[120, 100], studies=20)
    alone = simulate_size(scenario, eyes=[100], studies=20)
    assert both.points[0].slope == alone.points[0].slope
    assert [one.eyes for one in both.points] == [100, 120]


@pytest.fixture(scope="module")
def found():
    return simulate_size(
        of_definition("core", effect=Effect("corneal_surgery=yes", "relieved", 0.3)),
        eyes=[100, 200],
        studies=20,
    )


def test_the_smallest_size_from_which_on_all_targets_are_reached_is_chosen(found):
    easy = Targets(shrinkage=0.01, slope_width=0.999, width=0.99, power=0.001, failures=0.99)
    scenario = found.scenario
    free = simulate_size(scenario, eyes=[200, 300], studies=20, targets=easy)
    assert free.chosen is free.points[0]
    hard = simulate_size(scenario, eyes=[200, 300], studies=20, targets=Targets(power=0.9999))
    assert hard.chosen is None
    assert protocol(hard)[0].startswith(
        "No size looked at reaches every target: with 300 eyes it still misses"
    )
    assert "the power" in protocol(hard)[0]


def test_each_end_has_its_own_size_and_the_last_sentence_the_largest(found):
    easy = Targets(shrinkage=0.01, slope_width=9.9, width=0.99, power=0.0, failures=0.99)
    free = replace(found, targets=easy)
    assert [free.chosen_for(end).eyes for end in ("relieved", "stopped")] == [100, 100]
    assert protocol(free)[-1] == (
        "For both ends, relieved and stopped: at least 100 eyes (relieved 100 by simulation; "
        "stopped 100 by simulation)."
    )
    closed = size_by_end(found.scenario)
    assert (
        f"at least {closed[1].eyes} eyes (relieved {closed[0].eyes} by closed" in protocol(free, closed)[-1]
    )
    assert eyes_for_all(free, closed) == closed[1].eyes
    # the slope for stopping is known less well: a spread between the two is reached by one end alone
    last = found.points[-1].slope_width
    assert last["relieved"].value < last["stopped"].value
    between = replace(easy, slope_width=(last["relieved"].value + last["stopped"].value) / 2)
    apart = replace(found, targets=between)
    assert apart.chosen_for("relieved") is not None
    assert apart.chosen_for("stopped") is None
    assert "more than 200 eyes" in protocol(apart)[-1]
    # what closed criteria ask for was not shown to be enough, however many that is
    assert closed[1].eyes > 200
    assert f"more than {closed[1].eyes} eyes" in protocol(apart, closed)[-1]
    assert eyes_for_all(apart, closed) is None
    # criteria that ask for no more than was simulated do not make it enough
    few = tuple(replace(one, shrinkage=150, optimism=1, overall=1) for one in closed)
    assert "more than 200 eyes" in protocol(apart, few)[-1]
    assert "too few for stopped (the spread of the slope)" in protocol(apart)[-1]
    # the typical eye's interval is asked for once, with the first end, and power with the end of the effect
    hard = replace(
        found, targets=Targets(shrinkage=0.01, slope_width=9.9, width=0.0, power=1.0, failures=0.99)
    )
    assert hard.missed(found.points[0], "stopped") == ()
    assert hard.missed(found.points[0], "relieved") == ("width", "power")


def test_the_power_of_an_effect_is_asked_for_and_told_with_its_end(found):
    targets = Targets(shrinkage=0.01, slope_width=9.9, width=0.99, power=1.0, failures=0.99)
    scenario = replace(found.scenario, effect=Effect("corneal_surgery=yes", "stopped", 0.9))
    points = tuple(replace(one, power=Estimate(0.123, 0.02)) for one in found.points)
    on_stopped = replace(found, scenario=scenario, points=points, targets=targets)
    assert on_stopped.missed(points[0], "relieved") == ()
    assert on_stopped.missed(points[0], "stopped") == ("power",)
    assert on_stopped.chosen_for("relieved") is points[0]
    assert on_stopped.chosen_for("stopped") is None
    place = columns(on_stopped).index("power")
    told = [(row[0], row[place], row[-1]) for row in rows(on_stopped)]
    assert told == [("relieved", "", "")] * 2 + [("stopped", "0.12 (0.020)", "power")] * 2
    assert on_stopped.to_json()["points"][0]["missed_by_end"] == {"relieved": [], "stopped": ["power"]}
    assert "more than 200 eyes" in protocol(on_stopped)[-1]
    assert "too few for stopped (the power)" in protocol(on_stopped)[-1]


def test_numbers_somebody_chose_are_not_told_as_published(found):
    assert "0.9 or more (Riley and others 2019)" in targets_told(found)
    assert "Riley" not in targets_told(replace(found, targets=Targets(shrinkage=0.8)))


@pytest.mark.parametrize("given", ["core", read_definition("core")])
def test_a_definition_or_its_name_stands_for_its_scenario(given):
    assert size_by_end(given) == size_by_end(of_definition("core"))
    told = simulate_size(given, eyes=[100], studies=20).to_json()
    assert told == simulate_size(of_definition("core"), eyes=[100], studies=20).to_json()


def test_what_is_no_scenario_is_refused_with_what_is():
    for call in (size_by_end, simulate_size):
        with pytest.raises(FitError, match=r"of_definition or of_model"):
            call(42)
        with pytest.raises(DefinitionError, match="did you mean core"):
            call("coer")


def test_the_sentence_tells_size_numbers_and_their_errors(found):
    told = " ".join(protocol(found))
    last = found.points[-1]
    assert f"With 200 eyes of {last.patients} patients" in told
    for value in (last.slope["relieved"], last.slope_width["relieved"], last.width_95, last.width_80):
        assert f"{value.value:.2f} (Monte-Carlo error {value.error:.3f})" in told
    assert f"{100 * last.power.value:.0f}% (Monte-Carlo error {100 * last.power.error:.1f})" in told
    assert "5% of eyes in treatment lost after each session" in told


def test_the_table_and_the_json_hold_the_same_numbers(found):
    frame = found.to_frame()
    told = found.to_json()["points"]
    row = frame[(frame.eyes == 100) & (frame.measure == "width_95")].iloc[0]
    assert row.value == told[0]["width_95"]["value"]
    assert row.monte_carlo_error == told[0]["width_95"]["error"]
    assert set(frame.measure) >= {"slope", "slope_width", "width_80", "coverage", "power", "failures"}


def test_the_figure_is_the_same_bytes_each_time(found):
    drawn = size_figure(found)
    assert drawn.startswith(b"<?xml")
    assert size_figure(found) == drawn
    assert size_figure(found, "png").startswith(b"\x89PNG")


@pytest.mark.parametrize("factor", [0.5, 0.8, 1.25])
def test_the_slope_undoes_what_predictions_exaggerate(factor):
    eta = np.linspace(-2, 3, 400)
    bold = 1 / (1 + np.exp(-eta / factor))
    assert calibration_slope(bold, 1 / (1 + np.exp(-eta))) == pytest.approx(factor, abs=1e-6)


def test_predictions_that_do_not_differ_have_no_slope():
    assert np.isnan(calibration_slope(np.full(5, 0.3), np.linspace(0.1, 0.5, 5)))


def test_an_interval_is_that_of_the_log_odds():
    wide = interval_width(np.array([0.0]), np.array([1.0]))[0]
    assert wide == pytest.approx(1 / (1 + np.exp(-1.96)) - 1 / (1 + np.exp(1.96)))


@pytest.mark.parametrize(
    ("told", "where"),
    [
        ({"eyes": []}, "eyes"),
        ({"eyes": [5]}, "eyes"),
        ({"eyes": [100.5]}, "eyes"),
        ({"eyes": [10**6]}, "eyes"),
        ({"studies": 5}, "studies"),
        ({"horizon": 0}, "horizon"),
        ({"horizon": 12}, "horizon"),
        ({"penalty": "lasso"}, "penalty"),
        ({"penalty": -1.0}, "penalty"),
        ({"targets": Targets(width=-0.1)}, "targets, width"),
        ({"seed": -1}, "seed"),
    ],
)
def test_arguments_out_of_range_are_named(told, where):
    with pytest.raises(FitError) as error:
        simulate_size(of_definition("core"), **told)
    assert any(fault.where == where for fault in error.value.faults)
