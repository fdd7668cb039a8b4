"""A model's forecasts: by hand, given sessions done, averaged over missing features, with notes and refusals."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from made_models import card_of, fitted_model, invented_cases, made_model

from retreat.coding import Coding, Term, learn
from retreat.definitions import read_definition
from retreat.errors import FitError, TableError
from retreat.features import features
from retreat.features.columns import RANGES
from retreat.model import CaseMix, Model, Support
from retreat.model.completion import N_COMPLETIONS
from retreat.model.kernel import Parameters

RING = {"opacity": "ring", "size_mm": 2.0, "zone": "middle", "cornea": "none"}
CLOUD = {"opacity": "cloud", "size_mm": 4.0, "zone": "posterior", "cornea": "myopic_ablation"}


def hand_model(**changes: Any) -> Model:
    """One draw of `core` terms in which every number is easy: odds double with the size, 0.5 for a cloud."""
    definition = read_definition("core")
    coding = learn(definition.terms, {})
    coefficients = np.zeros((1, 2, len(coding.names)))
    coefficients[0, 0, coding.names.index("opacity=cloud")] = math.log(0.5)
    coefficients[0, 0, coding.names.index("log(size_mm/2)")] = 1.0
    parts: dict[str, Any] = {
        "card": card_of(definition, max_session=2, supported_session=2, invented=False),
        "coding": coding,
        "link": "logit",
        # odds against going on at sessions 1 and 2: relieved 2 and 1, stopped 1 and 1
        "parameters": Parameters(
            coefficients,
            np.log(np.array([[2.0, 1.0], [1.0, 1.0]]))[None, None],
            np.zeros((1, 2)),
            np.zeros((1, 2)),
        ),
        "strata": (),
        "stratum_feature": "",
        "case_mix": CaseMix({}, {}),
        "support": Support({}, (), {}, {}, {}),
    }
    return Model(**(parts | changes))


def table_of(*cases: dict[str, Any], **columns: Any) -> dict[str, Any]:
    return {name: [case[name] for case in cases] for name in cases[0]} | columns


# --- by hand


def test_a_forecast_by_hand() -> None:
    f = hand_model().forecast(RING, horizon=2)
    # session 1: relieved 2/4, stopped 1/4; session 2: relieved 1/3, stopped 1/3 of the quarter left
    assert f.pmf[0, 0] == pytest.approx(np.array([[1 / 2, 1 / 12], [1 / 4, 1 / 12]]), abs=1e-15)
    assert (f.ends, f.cases, f.done.tolist()) == (("relieved", "stopped"), ("1",), [0])


def test_features_move_the_forecast_as_their_coefficients_say() -> None:
    # a cloud of 8 mm: odds of relief at the first session 2 x 0.5 x 4 = 4, of stopping 1
    f = hand_model().forecast({**RING, "opacity": "cloud", "size_mm": 8.0}, horizon=1)
    assert f.pmf[0, 0, :, 0] == pytest.approx([4 / 6, 1 / 6], abs=1e-15)


def test_sessions_done_condition_by_bayes_rule() -> None:
    f = hand_model().forecast({**RING, "sessions": 1}, horizon=3)
    # past the first session: 1/3 and 1/3 at the second; the third carries it on, a third of a third each
    assert f.pmf[0, 0] == pytest.approx(np.array([[0, 1 / 3, 1 / 9], [0, 1 / 3, 1 / 9]]), abs=1e-15)


def test_sessions_done_condition_by_bayes_rule_where_features_are_missing() -> None:
    # half of the eyes have odds of relief 2 and 1, half 1 and 0.5 (clouds): those who stay are clouds more often
    mix = CaseMix({"opacity": {"cloud": 0.5, "ring": 0.5}}, {})
    f = hand_model(case_mix=mix).forecast({**RING, "opacity": None, "sessions": 1}, horizon=2)
    ring, cloud = 1 / 4, 1 / 3  # chance of getting past the first session
    expected = (ring * 1 / 3 + cloud * 0.5 / 2.5) / (ring + cloud)
    assert f.pmf[0, 0, 0, 1] == pytest.approx(expected, abs=1e-14)


def test_every_case_is_conditioned_on_its_own_sessions_and_keeps_its_label() -> None:
    model = fitted_model()
    cases = table_of(RING, CLOUD, RING, case=["x", "y", "z"], sessions=[0, 2, 1])
    f = model.forecast(cases, horizon=5)
    assert f.cases == ("x", "y", "z")
    for i, (case, done) in enumerate(((RING, 0), (CLOUD, 2), (RING, 1))):
        alone = model.forecast({**case, "sessions": done}, horizon=5).pmf[:, 0]
        # matrix products may sum in another order: the last bits
        assert f.pmf[:, i] == pytest.approx(alone, abs=1e-14)


def test_a_data_frame_gives_what_its_columns_give() -> None:
    cases = table_of(RING, CLOUD, sessions=[0, 1])
    from_frame = fitted_model().forecast(pd.DataFrame(cases))
    assert from_frame.pmf.tobytes() == fitted_model().forecast(cases).pmf.tobytes()


def test_the_order_of_cases_does_not_matter() -> None:
    cases = invented_cases(9)
    order = np.random.default_rng(1).permutation(9)
    f = fitted_model().forecast(cases)
    shuffled = fitted_model().forecast({name: values[order] for name, values in cases.items()})
    assert shuffled.pmf == pytest.approx(f.pmf[:, order], abs=1e-14)


def test_no_case_gives_an_empty_forecast() -> None:
    empty = {name: [] for name in RING}
    assert fitted_model().forecast(empty).pmf.shape == (200, 0, 2, 8)
    assert fitted_model().expected(empty).shape == (0, 2, 8)


def test_fewer_draws_are_taken_evenly() -> None:
    whole, thin = fitted_model().forecast(RING), fitted_model().forecast(RING, draws=3)
    assert thin.pmf.tolist() == whole.pmf[[0, 99, 199]].tolist()


@pytest.mark.parametrize("name", ["core", "full", "lifetable", "second_session"])
@pytest.mark.parametrize("link", ["logit", "cloglog"])
def test_what_is_expected_is_the_mean_of_the_forecast(name: str, link: Any) -> None:
    model = made_model(name, link=link, patient_loading=0.5)
    cases = invented_cases(6, seed=5)
    cases["cornea"][2] = cases["opacity"][4] = None
    forecast = model.forecast(cases, horizon=8)
    # the mean form works in single precision under the logit link
    expected = pytest.approx(forecast.incidence.mean(axis=0), abs=1e-6 if link == "logit" else 1e-14)
    assert model.expected(cases, horizon=8) == expected


def test_predictors_too_large_for_the_short_form_are_served_by_the_long_one() -> None:
    model = hand_model()
    far = replace(model.parameters, session_effects=model.parameters.session_effects + 800.0)
    found = replace(model, parameters=far).expected(RING, horizon=2)
    assert found[0] == pytest.approx(np.array([[2 / 3, 2 / 3], [1 / 3, 1 / 3]]), abs=1e-12)


def test_a_model_of_the_first_session_stops_there() -> None:
    f = made_model("second_session").forecast(RING, horizon=8)
    assert f.horizon == 1
    assert f.ends == ("one_session",)
    assert f.notes == ((),)


# --- missing features


def full_average(model: Model, case: dict[str, Any], missing: tuple[str, ...], points: int) -> np.ndarray:
    """Expected incidence of one case over every combination of the missing features, one by one.

    Features are independent within a kind; a missing kind is weighted by how well it agrees with what is known.
    """
    whole = model.case_mix
    if "opacity" not in missing:
        return average_within(model, whole.of_level(case["opacity"]), case, missing, points)
    needed = features({k: [v] for k, v in without(case, missing).items()}, model.coding.features)
    known = {name: v[0] for name, v in needed.items() if v[0] is not None and v[0] == v[0]}
    rest = tuple(name for name in missing if name != "opacity")
    total, weight = 0.0, 0.0
    for kind, share in whole.levels["opacity"].items():
        mix = whole.of_level(kind)
        chance = share * math.prod(mix.likelihood(name, value) for name, value in known.items())
        total += chance * average_within(model, mix, {**case, "opacity": kind}, rest, points)
        weight += chance
    return total / weight


def average_within(
    model: Model, mix: CaseMix, case: dict[str, Any], missing: tuple[str, ...], points: int
) -> np.ndarray:
    axes = []
    for name in missing:
        if name in mix.levels:
            axes.append(list(mix.levels[name].items()))
        else:
            middles = (np.arange(points) + 0.5) / points
            shares = (np.arange(20) + 0.5) / 20
            axes.append([(v, 1 / points) for v in np.interp(middles, shares, mix.quantiles[name])])
    combinations = list(itertools.product(*axes)) or [()]
    weights = np.array([math.prod(share for _, share in one) for one in combinations])
    columns = {name: np.full(len(combinations), value, dtype=object) for name, value in case.items()}
    for position, name in enumerate(missing):
        # depth and corneal_surgery are told by columns that give them exactly
        values = [one[position][0] for one in combinations]
        if name == "depth":
            columns.pop("zone")
            columns |= {"lens_gap_mm": np.array(values), "retina_gap_mm": 1 - np.array(values)}
        elif name == "corneal_surgery":
            columns["cornea"] = np.array(
                ["none" if v == "no" else "incisional" for v in values], dtype=object
            )
        else:
            columns[name] = np.array(values, dtype=object)
    found = model.expected(columns)
    return np.tensordot(weights / weights.sum(), found, axes=1)


def without(case: dict[str, Any], missing: tuple[str, ...]) -> dict[str, Any]:
    columns = {"depth": "zone", "corneal_surgery": "cornea"}
    return case | {columns.get(name, name): None for name in missing}


CORE_FEATURES = ("opacity", "size_mm", "depth", "corneal_surgery")


@pytest.mark.parametrize("case", [RING, CLOUD], ids=["ring", "cloud"])
@pytest.mark.parametrize(
    "missing", [m for r in range(1, 5) for m in itertools.combinations(CORE_FEATURES, r)], ids="-".join
)
def test_missing_features_are_averaged_over_the_case_mix(
    case: dict[str, Any], missing: tuple[str, ...]
) -> None:
    model = fitted_model()
    exact = full_average(model, case, missing, points={1: 200, 2: 60, 3: 24, 4: 24}[len(missing)])
    error = np.abs(model.expected(without(case, missing))[0] - exact)
    # 64 completions: stated root mean square error 0.003 in a probability, twice that for the largest.
    # One feature alone is averaged to the spacing of its quantiles
    assert math.sqrt(np.mean(error**2)) < (0.003 if len(missing) > 1 else 6e-4)
    assert error.max() < 0.006


def test_the_same_case_gives_the_same_bytes_alone_and_within_a_table() -> None:
    model = fitted_model()
    gap = without(CLOUD, ("size_mm", "depth"))
    alone = model.forecast(gap).pmf[:, 0]
    among = model.forecast(table_of(RING, gap, CLOUD, without(RING, ("opacity",)), gap)).pmf
    assert among[:, 1].tobytes() == among[:, 4].tobytes() == alone.tobytes()
    assert model.forecast(gap).pmf[:, 0].tobytes() == alone.tobytes()


def test_missing_features_are_named_in_the_notes_of_their_case_alone() -> None:
    f = fitted_model().forecast(table_of(RING, without(CLOUD, ("depth", "corneal_surgery"))), horizon=3)
    assert f.notes[0] == ()
    assert f.notes[1] == (
        "depth is not known; averaged over the fitted case mix",
        "corneal_surgery is not known; averaged over the fitted case mix",
    )


def test_a_column_that_the_table_lacks_is_missing_in_every_case() -> None:
    told = {name: value for name, value in RING.items() if name != "size_mm"}
    assert fitted_model().forecast(told).pmf.tobytes() == (
        fitted_model().forecast(RING | {"size_mm": None}).pmf.tobytes()
    )


def test_an_unknown_kind_is_averaged_over_the_tables_of_a_life_table() -> None:
    model = made_model("lifetable")
    shares = model.case_mix.levels["opacity"]
    exact = sum(share * model.expected({"opacity": kind})[0] for kind, share in shares.items())
    assert model.expected({"opacity": [None]})[0] == pytest.approx(exact, abs=1e-6)  # single precision


def test_a_feature_that_no_fitted_case_had_cannot_be_averaged_over() -> None:
    model = hand_model()  # an empty case mix
    with pytest.raises(FitError, match="size_mm: missing, and no fitted case had it; to mend: give a value"):
        model.forecast({**RING, "size_mm": None})


def test_levels_keep_their_exact_share_and_not_the_nearest_64th() -> None:
    shares = {"monofocal": 0.11, "multifocal": 0.005, "natural": 0.885}
    lens, weights = CaseMix({"lens": shares}, {}).completions("lens", 64, np.random.default_rng(0))
    found = {name: weights[lens == name].sum() for name in ("monofocal", "natural")}
    # 0.005 is below half a 64th and gets no value: the others share it out
    assert found == pytest.approx({"monofocal": 0.11 / 0.995, "natural": 0.885 / 0.995}, abs=1e-12)


def test_completions_spread_as_the_case_mix() -> None:
    mix = CaseMix({"lens": {"monofocal": 0.25, "natural": 0.75}}, {"age": tuple(np.linspace(41.0, 79.0, 20))})
    rng = np.random.default_rng(0)
    lens, shares = mix.completions("lens", N_COMPLETIONS, rng)
    assert (lens == "monofocal").sum() == 16
    assert (lens == "natural").sum() == 48
    assert shares.sum() == pytest.approx(1.0, abs=1e-15)
    age, _ = mix.completions("age", N_COMPLETIONS, rng)
    # symmetric about 60: the stratified values are, too
    assert age.mean() == pytest.approx(60.0, abs=1e-9)
    assert np.sort(age)[[0, -1]].tolist() == [41.0, 79.0]


# --- sessions


def test_sessions_beyond_the_fitted_ones_are_noted() -> None:
    model = hand_model()  # fitted to session 2
    assert model.forecast(RING, horizon=2).notes == ((),)
    (note,) = model.forecast(RING, horizon=3).notes[0]
    assert note == (
        "few or no fitted cases reached a session after 2: its effect is carried on, "
        "and the ranges do not show how unsure that is"
    )


def test_a_case_that_reached_the_horizon_is_noted_and_has_nothing_left() -> None:
    model = hand_model()
    model = replace(model, card=replace(model.card, supported_session=3))
    f = model.forecast({**RING, "sessions": 2}, horizon=2)
    assert not f.pmf.any()
    assert f.notes == (("2 sessions done reach the horizon 2: nothing left to forecast",),)


def test_a_single_label_names_a_single_case() -> None:
    assert hand_model().forecast({**RING, "case": "eye 7"}).cases == ("eye 7",)


@pytest.mark.parametrize(
    ("sessions", "faults"),
    [
        ([1, -1], [(3, "-1", "correct it")]),
        ([1.5, 41], [(2, "1.5", "correct it"), (3, "41", "correct it")]),
        ([1e300, 0], [(2, "1e+300", "correct it")]),
        ([None, 0], [(2, "missing", "write 0 for a case not yet begun")]),
        (["unknown", "2"], [(2, "missing", "write 0 for a case not yet begun")]),
    ],
)
def test_sessions_done_that_are_no_count_are_refused_by_row(sessions: list[Any], faults: list[Any]) -> None:
    with pytest.raises(TableError) as caught:
        hand_model().forecast(table_of(RING, RING, sessions=sessions))
    assert [(f.row, f.value, f.fix) for f in caught.value.faults] == faults
    assert {f.allowed for f in caught.value.faults} == {"a whole number from 0 to 40"}
    assert {f.column for f in caught.value.faults} == {"sessions"}


def test_a_case_with_more_sessions_than_the_model_gives_a_chance_of_is_refused_by_number() -> None:
    # every case ends at session 2 for sure
    model = hand_model()
    certain = model.parameters.session_effects.copy()
    certain[..., 1] = 1000.0
    model = replace(
        model,
        parameters=replace(model.parameters, session_effects=certain),
        card=replace(model.card, supported_session=4),
    )
    with pytest.raises(FitError) as caught:
        model.forecast(table_of(RING, RING, RING, sessions=[1, 2, 3]))
    assert [str(f) for f in caught.value.faults] == [
        "sessions: case 2: the model gives no chance of still being in treatment after 2",
        "sessions: case 3: the model gives no chance of still being in treatment after 3",
    ]


def test_a_very_long_course_is_forecast_all_the_same() -> None:
    # 0.25 x (1/3)^38 of the courses get past 39 sessions, 2e-19: still a third each at the fortieth
    model = hand_model()
    model = replace(model, card=replace(model.card, supported_session=40))
    f = model.forecast({**RING, "sessions": 39}, horizon=40)
    assert f.pmf[0, 0, :, 39] == pytest.approx([1 / 3, 1 / 3], abs=1e-12)


# --- requests out of range


@pytest.mark.parametrize("horizon", [0, -1, 41, 2.0, "3", True, None, math.nan])
@pytest.mark.parametrize("method", ["forecast", "expected"])
def test_a_horizon_out_of_range_is_refused(method: str, horizon: Any) -> None:
    with pytest.raises(FitError, match=r"horizon: .*allowed: a whole number of sessions from 1 to 40"):
        getattr(hand_model(), method)(RING, horizon=horizon)


def test_a_horizon_of_numpys_integers_is_taken() -> None:
    assert hand_model().forecast(RING, horizon=np.int64(3)).horizon == 3


@pytest.mark.parametrize("draws", [0, -1, 2, 1.0, True, "1"])
def test_draws_that_the_model_does_not_hold_are_refused(draws: Any) -> None:
    with pytest.raises(FitError, match=r"draws: .*allowed: a whole number from 1 to 1"):
        hand_model().forecast(RING, draws=draws)


def test_a_forecast_too_large_for_memory_is_refused_with_a_way_out() -> None:
    many = {name: [value] * 30_000 for name, value in RING.items()}
    with pytest.raises(FitError, match=r"30000 cases x 200 draws x 40 sessions do not fit.*model\.expected"):
        fitted_model().forecast(many, horizon=40)


def test_faults_of_several_features_come_together_by_row() -> None:
    cases = table_of(RING, RING, opacity=["ring", "rig"], size_mm=[99.0, 2.0], cornea=["lasik", "none"])
    with pytest.raises(TableError) as caught:
        fitted_model().forecast(cases)
    assert [(f.row, f.column) for f in caught.value.faults] == [(3, "opacity"), (2, "size_mm"), (2, "cornea")]


def test_a_kind_without_a_table_is_refused() -> None:
    model = made_model("lifetable")
    some = replace(
        model,
        strata=("ring", "strand"),
        parameters=replace(model.parameters, session_effects=model.parameters.session_effects[:, :2]),
    )
    with pytest.raises(
        FitError, match="opacity: no fitted case has level cloud, sheet; allowed: ring, strand"
    ):
        some.forecast({"opacity": ["ring", "sheet", "cloud"]})


# --- associations


def test_associations_are_the_difference_from_the_averaged_feature() -> None:
    model = fitted_model()
    found = model.associations(CLOUD, session=2)
    here = model.expected(CLOUD)[0, 0, 1]
    assert list(found) == ["opacity", "size_mm", "depth", "corneal_surgery"]
    for name, difference in found.items():
        average = model.expected(without(CLOUD, (name,)))[0, 0, 1]
        # single precision on both sides
        assert difference == pytest.approx(here - average, abs=2e-6)


def test_associations_during_a_course_are_given_the_sessions_done() -> None:
    model = fitted_model()
    begun = {**CLOUD, "sessions": 2}
    found = model.associations(begun, session=4)
    here = model.forecast(begun, horizon=4).mean()[0, 0, 3]
    for name, difference in found.items():
        average = model.forecast(without(begun, (name,)), horizon=4).mean()[0, 0, 3]
        assert difference == pytest.approx(here - average, abs=1e-12)
    before = model.associations(CLOUD, session=4)
    assert max(abs(before[name] - found[name]) for name in found) > 0.01


def test_associations_leave_out_what_the_case_does_not_tell() -> None:
    found = fitted_model().associations(without(RING, ("size_mm", "depth")), session=1)
    assert list(found) == ["opacity", "corneal_surgery"]


def test_associations_are_of_one_case() -> None:
    with pytest.raises(FitError, match="new_case: 2 cases; allowed: one case"):
        fitted_model().associations(table_of(RING, CLOUD), session=1)


# --- effects and support


def test_effects_by_hand() -> None:
    model = hand_model()
    draws = np.array([0.0, math.log(2), math.log(4)])
    two = Parameters(
        np.stack([np.stack([draws, -draws])], axis=0).transpose(2, 1, 0),
        np.zeros((3, 1, 2, 1)),
        np.zeros((3, 2)),
        np.zeros((3, 2)),
    )
    coding = Coding((Term(("size_mm",), "log", centre=2.0),), ((),))
    table = replace(model, parameters=two, coding=coding).effects(level=0.5)
    assert list(table.columns) == ["end", "column", "estimate", "standard_error", "ratio", "low", "high"]
    first, second = table.to_dict("records")
    assert (first["end"], first["column"]) == ("relieved", "log(size_mm/2)")
    assert second["end"] == "stopped"
    # draws of ratio 1, 2, 4: mean on the log scale log 2, quartiles sqrt 2 and 2 sqrt 2
    assert first["estimate"] == pytest.approx(math.log(2), abs=1e-12)
    assert first["standard_error"] == pytest.approx(math.log(2), abs=1e-12)
    assert [first["ratio"], first["low"], first["high"]] == pytest.approx([2, 2**0.5, 2**1.5], abs=1e-12)
    assert [second["ratio"], second["low"], second["high"]] == pytest.approx(
        [0.5, 2**-1.5, 2**-0.5], abs=1e-12
    )


@pytest.mark.parametrize("level", [0.0, 1.0, 90])
def test_effects_refuse_a_level_that_is_no_share(level: float) -> None:
    with pytest.raises(ValueError, match="must lie between 0 and 1"):
        fitted_model().effects(level)


def test_effects_follow_the_columns_of_the_fit() -> None:
    model = fitted_model()
    table = model.effects().set_index(["end", "column"])
    assert len(table) == 2 * len(model.coding.names)
    column = model.coding.names.index("opacity=cloud")
    values = model.parameters.coefficients[:, 1, column]
    assert table.loc[("stopped", "opacity=cloud"), "estimate"] == pytest.approx(values.mean(), abs=1e-12)


def test_support_of_a_table_is_that_of_its_cases_one_by_one() -> None:
    model = fitted_model()
    both = model.support_of(table_of(RING, CLOUD))
    assert both == (*model.support_of(RING), *model.support_of(CLOUD))
    assert both[0].alike_in == ("opacity ring", "corneal_surgery no", "size_mm 1.5 to under 3")


def test_cautions_of_the_card_stand_in_every_forecast() -> None:
    model = fitted_model()
    forecast = model.forecast(RING)
    assert forecast.cautions == model.card.cautions
    assert len(model.card.cautions) == 1  # invented data
    for table in (forecast.table(), forecast.sessions(), model.effects()):
        assert set(table["caution"]) == {model.card.cautions[0]}
    real = replace(model, card=replace(model.card, invented=False))
    for table in (real.forecast(RING).table(), real.forecast(RING).sessions(), real.effects()):
        assert "caution" not in table


def test_a_model_that_failed_its_gates_gives_no_forecast() -> None:
    model = fitted_model()
    failed = replace(model, card=replace(model.card, failures=("R-hat 1.2", "5 divergences")))
    for ask in (lambda: failed.forecast(RING), lambda: failed.associations(RING, session=2)):
        with pytest.raises(FitError) as caught:
            ask()
        assert [(f.where, f.what) for f in caught.value.faults] == [
            ("model", "R-hat 1.2"),
            ("model", "5 divergences"),
        ]
    assert "R-hat 1.2" in failed.effects()["caution"][0]


def test_cases_outside_what_the_model_saw_are_refused_by_row_all_at_once() -> None:
    far = table_of(RING, {**RING, "size_mm": 0.1}, {**RING, "size_mm": 0.2}, sessions=[0, 0, 1])
    with pytest.raises(FitError) as caught:
        fitted_model().forecast(far)
    assert [(f.row, f.what.split()[1]) for f in caught.value.faults] == [(3, "0.1"), (4, "0.2")]


def test_a_case_that_has_ended_is_told_as_if_it_went_on() -> None:
    table = table_of(RING, RING, sessions=[1, 1], ending=["relieved", "ongoing"])
    first, second = fitted_model().forecast(table, horizon=3).notes
    assert first == ("the case has ended (relieved); told as if it went on",)
    assert second == ()


def test_a_model_and_a_forecast_show_themselves_in_one_line() -> None:
    model = fitted_model()
    assert repr(model) == f"<Model core {model.model_id}: {model.card.method}, 337 cases>"
    assert repr(model.forecast(RING, horizon=3)) == "<Forecast of 1 case to session 3, 200 draws>"


def test_what_the_support_warns_of_stands_in_the_notes_of_the_forecast() -> None:
    model = fitted_model()
    warned = {**RING, "size_mm": model.support.ranges["size_mm"].highest * 1.01}
    (support,) = model.support_of(warned)
    (notes,) = model.forecast(warned, horizon=2).notes
    assert support.warnings == notes[:1]
    assert "size_mm" in notes[0]
    assert model.forecast(warned, horizon=2).sessions()["note"].tolist() == ["; ".join(notes)]


@pytest.mark.parametrize(
    ("wrong", "right"), [("size", "size_mm"), ("corneas", "cornea"), ("lens_gap", "lens_gap_mm")]
)
def test_a_misspelled_feature_is_not_averaged_over_in_silence(wrong: str, right: str) -> None:
    case = {"opacity": ["ring"], "zone": ["middle"], wrong: [2.0 if right in RANGES else "none"]}
    with pytest.raises(
        TableError, match=f"{wrong}: no column of a case; allowed: {right}; to mend: rename it to {right}"
    ):
        made_model().forecast(case)


def test_columns_of_ones_own_are_left_alone() -> None:
    case = {"opacity": ["ring"], "zone": ["middle"], "size_mm": [2.0], "my_remark": ["x"], "sessions": [0]}
    assert len(made_model().forecast(case).cases) == 1
