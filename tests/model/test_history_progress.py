"""The state of an eye under treatment: filtered by what was noted, run forward to the ends."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from made_models import invented_cases
from made_progress import made_progress
from made_states import logit, made_part, made_told, rating, simulated
from scipy.stats import multivariate_normal, norm

from retreat.errors import FitError, ModelFileError, TableError
from retreat.model import load
from retreat.model.history.noise import noise_of
from retreat.model.history.progress import Progress
from retreat.model.history.proposal import proposed
from retreat.model.history.records import Records, read_records

few = settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
EFFECTS = ("clear_case", "bother_case", "bother_slope", "bother_pieces", "end_case")
SMOOTH = {"end_patient": 0.0, "end_case": 0.0, "clear_case": 0.0, "bother_case": 0.0}


def one_eye(**noted: list[float]) -> Records:
    """Records of one eye after as many sessions as values are given."""
    done = max((len(v) for v in noted.values()), default=0)
    columns = {
        name: np.array([noted.get(name, [np.nan] * max(done, 1))], dtype=float)
        for name in ("cleared", "fragments", "bother", "energy_mj", "pulses")
    }
    return Records(done=np.array([done]), before=np.array([7.0]), **columns)


def by_quadrature(part: Progress, cleared: float | None, bother: float | None) -> tuple[np.ndarray, float]:
    """Chances of each end at session 2 of an eye that went on after session 1, and the density of what was noted.

    Written out for one draw without patient factor and without features, by sums over grids of log r at both
    sessions, bother at both, and the counts of fragments; it shares no line with the filter.
    """
    p = {name: np.asarray(values[0]) for name, values in part.parameters.items()}
    before = logit(7.0)

    def mood(removed: Any, k: int, pieces: int, gone: Any = 0.0) -> Any:
        share, counts = 1 - np.exp(-removed), 4 * (1 - np.exp(-removed / 4))
        steps = np.concatenate([[0.0], np.cumsum(p["bother_session"])])[k]
        fragments = (0.0, p["bother_few"], p["bother_many"])[pieces]
        left = np.exp(
            p["bother_removed"] * (counts - 0.7) + p["bother_share"] * (share - 0.5 - 0.6 * (counts - 0.7))
        )
        shadow = left + fragments + p["bother_back"] * gone
        return p["bother_level"] + p["bother_before"] * before + steps + np.log(shadow)

    def fallen(before: float, after: Any) -> Any:
        """Variance of what a session that removes more adds to the level."""
        removed = 4 * (math.exp(-before / 4) - np.exp(-after / 4))
        return (p["bother_fall_sd"] * p["bother_removed"] * removed) ** 2

    def rated(at: Any, doubt: Any) -> tuple[Any, Any, Any]:
        """Expected rating, its slope in the level and its variance."""
        points = 11 / (1 + np.exp(-at)) - 0.5
        slope = (points + 0.5) * (10.5 - points) / 11
        return points, slope, slope**2 * doubt + p["bother_noise_sd"] ** 2

    def ends(removed: Any, k: int, pieces: int, felt: Any, log_r: Any) -> tuple[Any, Any]:
        eta = []
        for j in range(2):
            steps = np.concatenate([[0.0], np.cumsum(p["end_session"][j])])[k]
            fragments = (0.0, p["end_few"][j], p["end_many"][j])[pieces]
            eta.append(
                p["end_level"][j]
                + p["end_operator"][j]
                + steps
                + fragments
                + p["end_removed"][j] * (4 * (1 - np.exp(-removed / 4)) - 0.7)
                + p["end_share"][j] * (1 - np.exp(-removed) - 0.5)
                + p["end_bother"][j] * (rating(felt) - 4)
                + p["end_before"][j] * (7.0 - 6)
                + p["end_worth"][j] * (1 - np.exp(-np.exp(log_r)) - 0.4)
            )
        odds = [np.exp(e) for e in eta]
        total = 1 + odds[0] + odds[1]
        return odds[0] / total, odds[1] / total

    z, w = np.polynomial.hermite_e.hermegauss(20)
    w = w / w.sum()
    level = p["clear_level"] + p["clear_operator"]
    eye, luck = p["clear_eye_sd"], p["clear_luck_sd"]
    noise = p["bother_noise_sd"] ** 2
    steps = np.concatenate([[0.0], np.cumsum(p["clear_session"])])
    density, chances = 0.0, np.zeros(2)
    grid = np.linspace(level - 5 * np.hypot(eye, luck), level + 5 * np.hypot(eye, luck), 160)
    prior = norm.pdf(grid, level, np.hypot(eye, luck)) * (grid[1] - grid[0])
    for i in range(3):
        share = p["fragments"][0][i]
        for log_r, weight in zip(grid, prior, strict=True):
            weight = weight * share
            removed = math.exp(log_r)
            if cleared is not None:
                true, even = 1 - math.exp(-removed), p["grade_even"]
                off = p["grade_sd"] * math.sqrt(even + (1 - even) * 4 * true * (1 - true))
                weight *= norm.pdf(cleared, true, off)
            if weight < 1e-12:
                continue
            middle, doubt = (
                mood(removed, 0, i),
                p["bother_eye_sd"] ** 2 + fallen(0.0, removed),
            )
            points, slope, wide = rated(middle, doubt)
            first = np.array([bother]) if bother is not None else points + np.sqrt(wide) * z
            heavy = np.array([norm.pdf(first[0], points, np.sqrt(wide))]) if bother is not None else w
            lasting = doubt * slope / wide * (first - points)
            a, b = ends(removed, 0, i, middle + lasting, log_r)
            going = heavy * (1 - a - b) * weight
            density += going.sum()
            # the eye's own parts, given the first session
            m2 = level + steps[1] + eye**2 / (eye**2 + luck**2) * (log_r - level)
            s2 = math.sqrt(luck**2 + eye**2 * luck**2 / (eye**2 + luck**2))
            log_r2 = m2 + s2 * z[:, None, None]
            removed2 = removed + np.exp(log_r2)
            doubt2 = doubt * noise / wide + p["bother_drift_sd"] ** 2 + fallen(removed, removed2)
            for j in range(3):
                move = p["fragments"][i + 1][j]
                before2 = mood(removed2, 1, j, 1 - math.exp(-removed)) + lasting[None, :, None]
                _, slope2, wide2 = rated(before2, doubt2)
                felt = before2 + doubt2 * slope2 / np.sqrt(wide2) * z[None, None, :]
                for end, chance in enumerate(ends(removed2, 1, j, felt, log_r2)):
                    chances[end] += move * np.einsum("abc,a,b,c->", chance, w, going, w)
    return chances / density, density


def test_ratings_have_the_density_of_a_level_that_drifts() -> None:
    """Ratings of an eye that never ends, nothing removed, where the scale is near straight: a multivariate normal of
    random walk plus noise."""
    eye, drift, noise = 0.05, 0.04, 0.1
    level = -logit(7.0) * 0.6 - math.log(shadow_of_nothing())
    part = made_progress(
        0, 1, off=0.0, clear_level=-20.0, end_level=[-30.0, -30.0], bother_few=0.0, bother_many=0.0,
        bother_back=0.0, bother_later=0.0,
        bother_eye_sd=eye, bother_drift_sd=drift, bother_noise_sd=noise, bother_level=level,
    )  # fmt: skip
    ratings = [5.2, 4.9, 5.3, 5.1]
    found = part.courses(np.zeros((1, 0)), one_eye(bother=ratings), horizon=5, paths=2)
    walked = np.minimum.outer(np.arange(4), np.arange(4))
    # in the middle of the scale a step of the logit is 11/4 points
    covariance = (11 / 4) ** 2 * (eye**2 + drift**2 * walked) + noise**2 * np.eye(4)
    expected = multivariate_normal(np.full(4, 5.0), covariance).logpdf(ratings)
    assert found.log_left[0, 0] == pytest.approx(expected, abs=0.02)


def shadow_of_nothing() -> float:
    """Shadow of an eye of which nothing is removed, by the parameters made up."""
    return math.exp(-1.0 * -0.7 - 0.8 * (-0.5 + 0.6 * 0.7))


@pytest.mark.parametrize(("cleared", "bother"), [(0.35, 5.0), (0.8, None), (None, 3.0), (None, None)])
def test_the_filter_agrees_with_quadrature(cleared: float | None, bother: float | None) -> None:
    part = made_part(0, 1, seed=4, **SMOOTH)
    noted = {"cleared": [np.nan if cleared is None else cleared]}
    noted["bother"] = [np.nan if bother is None else bother]
    expected, density = by_quadrature(part, cleared, bother)
    found = part.courses(np.zeros((1, 0)), one_eye(**noted), horizon=2, paths=20_000)
    # 20,000 simulated courses, stratified one dimension at a time
    assert found.pmf[0, 0, :, 1] == pytest.approx(expected, abs=0.004)
    assert np.exp(found.log_left[0, 0]) == pytest.approx(density, rel=0.02)


def test_a_forecast_is_an_average_over_what_the_session_might_show() -> None:
    """Total probability: forecasts after a session, over eyes made by the parameters, have the mean of the forecast
    before it, and are right among those that look alike: slope 1. The eyes decide by what they feel, of which the
    model has what ratings tell."""
    part = made_part(0, 400, seed=2)
    rng = np.random.default_rng(1)
    n = 4000
    eyes = simulated(part, np.zeros((n, 0)), 2, rng)
    went_on = eyes.ending[:, 0] == 0
    seen = eyes.records(np.ones(n, dtype=np.int64), 1)
    few_draws = part.thinned(np.arange(0, 400, 8))
    found = few_draws.courses(np.zeros((int(went_on.sum()), 0)), seen.rows(went_on), horizon=2, paths=16)
    weight = np.exp(found.log_left - found.log_left.max(axis=0))
    weight /= weight.sum(axis=0)
    chance = np.einsum("dn,dn->n", weight, found.pmf[:, :, 0, 1])
    relieved = eyes.ending[went_on, 1] == 1
    error = math.sqrt(float((chance * (1 - chance)).mean()) / len(chance))
    assert chance.mean() == pytest.approx(relieved.mean(), abs=3 * error)
    centred = chance - chance.mean()
    slope = float((centred * relieved).sum() / (centred**2).sum())
    spread = math.sqrt(float((centred**2 * chance * (1 - chance)).sum())) / float((centred**2).sum())
    assert slope == pytest.approx(1.0, abs=3 * spread)
    # what was seen tells eyes apart
    assert chance.std() > 0.1


def visits_of(cases: dict[str, Any], seed: int) -> dict[str, Any]:
    """Visits of cases that have begun, some cells not recorded."""
    rng = np.random.default_rng(seed)
    keys = [
        (key, k + 1) for key, done in zip(cases["case"], cases["sessions"], strict=True) for k in range(done)
    ]
    n = len(keys)
    gap = rng.random((3, n)) < 0.2
    cleared = np.sort(rng.random(n)).astype(object)
    cleared[gap[0]] = "not_recorded"
    bother = rng.integers(0, 11, n).astype(object)
    bother[gap[1]] = "unknown"
    fragments = rng.choice(["none", "few", "many"], n).astype(object)
    fragments[gap[2]] = "not_recorded"
    return {
        "case": [key for key, _ in keys],
        "session": [k for _, k in keys],
        "cleared": cleared,
        "bother": bother,
        "fragments": fragments,
        "energy_mj": rng.uniform(2, 6, n),
        "pulses": rng.integers(100, 500, n),
        "missed": ["no"] * n,
    }


def begun(seed: int = 3, **done: Any) -> dict[str, Any]:
    cases = {name: np.asarray(values) for name, values in invented_cases(6, seed).items()}
    cases["case"] = np.array([f"key{i}" for i in range(6)], dtype=object)
    cases["sessions"] = np.array(done.get("sessions", [0, 1, 2, 3, 1, 5]))
    return cases


@few
@given(seed=st.integers(0, 10_000))
def test_forecasts_with_visits_keep_the_laws(seed: int) -> None:
    model = made_told(draws=4, seed=seed)
    cases = begun(seed)
    f = model.forecast(cases, visits=visits_of(cases, seed))
    assert np.isfinite(f.pmf).all()
    assert f.pmf.min() >= 0
    assert np.diff(f.incidence, axis=-1, prepend=0.0).min() >= 0
    together = f.incidence.sum(axis=2) + f.in_treatment
    assert together == pytest.approx(np.ones_like(together), abs=1e-11)
    for case, done in enumerate(f.done):
        assert not f.pmf[:, case, :, :done].any()


def test_without_visits_the_forecast_is_that_of_features_and_sessions_alone() -> None:
    model = made_told()
    cases = begun()
    blind = replace(model, history=None).forecast(cases)
    nothing = {**visits_of(cases, 1)}
    for name in ("cleared", "bother", "fragments"):
        nothing[name] = ["not_recorded"] * len(nothing["case"])
    for visits in (None, nothing, {"case": [], "session": []}):
        assert model.forecast(cases, visits=visits).pmf == pytest.approx(blind.pmf, abs=1e-9)
    noted = model.forecast(cases, visits=visits_of(cases, 1))
    assert abs(noted.pmf - blind.pmf)[:, 1:].max() > 0.05
    assert noted.pmf[:, 0] == pytest.approx(blind.pmf[:, 0], abs=1e-12)  # not yet begun


def test_one_case_has_the_forecast_it_has_in_a_table() -> None:
    model = made_told(draws=8)
    cases = begun()
    visits = visits_of(cases, 2)
    whole = model.forecast(cases, visits=visits)
    for i in range(6):
        alone = model.forecast({name: values[[i]] for name, values in cases.items()}, visits=visits)
        assert alone.pmf[:, 0] == pytest.approx(whole.pmf[:, i], abs=1e-12)
        assert alone.notes[0] == whole.notes[i]


def test_more_cleared_and_less_bother_raise_the_chance_of_relief() -> None:
    part = made_part(0, 50, seed=1, **SMOOTH)

    def next_relief(cleared: float, bother: float) -> float:
        f = part.courses(np.zeros((1, 0)), one_eye(cleared=[cleared], bother=[bother]), horizon=2)
        weight = np.exp(f.log_left[:, 0] - f.log_left.max())
        return float((weight / weight.sum() * f.pmf[:, 0, 0, 1]).sum())

    assert next_relief(0.2, 8) < next_relief(0.2, 5) < next_relief(0.6, 5) < next_relief(0.9, 2)


def test_a_saved_model_keeps_its_history(tmp_path: Path) -> None:
    model = made_told(draws=3)
    again = load(model.save(tmp_path / "m.retreat"))
    cases = begun()
    visits = visits_of(cases, 3)
    assert (
        again.forecast(cases, visits=visits).pmf.tobytes()
        == model.forecast(cases, visits=visits).pmf.tobytes()
    )
    assert again.model_id == model.model_id != replace(model, history=None).model_id


def test_a_history_of_other_draws_is_refused(tmp_path: Path) -> None:
    model = made_told(draws=3)
    odd = replace(model, history=made_part(len(model.coding.names), 4))
    with pytest.raises(ModelFileError, match="4 draws of the history"):
        load(odd.save(tmp_path / "m.retreat"))


def test_an_eye_with_an_unknown_size_is_averaged_over_the_case_mix() -> None:
    model = made_told(draws=4)
    cases = begun()
    cases["size_mm"] = np.full(6, np.nan)
    f = model.forecast(cases, visits=visits_of(cases, 4))
    assert np.isfinite(f.pmf).all()
    assert any("size_mm is not known" in note for note in f.notes[1])


def test_fewer_draws_are_those_of_the_base_model() -> None:
    model = made_told(draws=9)
    cases = begun()
    assert model.forecast(cases, visits=visits_of(cases, 5), draws=3).pmf.shape[0] == 3


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"cleared": [1.4]}, r"cleared.*1\.4.*0 to 1"),
        ({"fragments": ["lots"]}, "fragments.*lots.*none, few, many"),
        ({"bother": [11]}, "bother.*11"),
        ({"session": [2]}, "has had 1 sessions"),
        ({"session": [0]}, "a whole number from 1 to 40"),
    ],
)
def test_impossible_visits_are_refused(change: dict[str, Any], message: str) -> None:
    visits = {"case": ["key1"], "session": [1], "cleared": [0.5], "bother": [5], **change}
    with pytest.raises(TableError, match=message):
        made_told().forecast(begun(), visits=visits)


def test_a_session_told_twice_is_refused() -> None:
    with pytest.raises(TableError, match="twice"):
        read_records(begun(), {"case": ["key2", "key2"], "session": [1, 1], "cleared": [0.5, 0.6]})


def test_visits_of_a_table_without_keys_are_refused() -> None:
    with pytest.raises(TableError, match="no keys"):
        read_records({"opacity": ["ring"]}, {"case": ["a"], "session": [1]})


def test_what_came_later_is_forgotten_at_a_landmark() -> None:
    cases = begun()
    records = read_records(cases, visits_of(cases, 1), np.asarray(cases["sessions"]))
    early = records.until(1)
    assert early.cleared.shape[1] == 1
    assert early.done.tolist() == [0, 1, 1, 1, 1, 1]
    assert not records.until(0).told.any()


def test_the_proposal_is_weighted_to_the_posterior() -> None:
    """Weights times proposal integrate the grade's likelihood over the prior, by direct quadrature."""
    mean, spread, removed = np.array([[[-0.5]]]), np.array([[[0.6]]]), np.array([[[0.4]]])
    error = (np.array([[[0.09]]]), np.array([[[0.4]]]))
    x = np.linspace(-4, 3, 4001)
    true = 1 - np.exp(-0.4 - np.exp(x))
    off = 0.09 * np.sqrt(0.4 + 0.6 * 4 * true * (1 - true))
    for grade in (0.0, 0.3, 0.7, 0.99, 1.0):
        if grade <= 0.005:
            likelihood = norm.cdf((0.005 - true) / off)
        elif grade >= 0.995:
            likelihood = norm.cdf((true - 0.995) / off)
        else:
            likelihood = norm.pdf(grade, true, off)
        expected = np.trapezoid(likelihood * norm.pdf(x, -0.5, 0.6), x)
        standard = norm.ppf((np.arange(4000) + 0.5) / 4000)[None, None, :]
        _, weight = proposed(mean, spread, removed, np.array([[[grade]]]), error, standard)
        assert np.exp(weight).mean() == pytest.approx(expected, rel=0.01)


def test_numbers_behind_the_courses_are_spread_evenly() -> None:
    z = noise_of(3, 32, 5, 1)
    assert np.allclose(z.luck.mean(axis=1), 0, atol=1e-12)
    assert np.allclose((z.luck**2).mean(axis=1), 1)
    assert sorted(z.pieces[0, :, 0]) == pytest.approx((np.arange(32) + 0.5) / 32)


def test_a_model_with_failed_gates_gives_no_forecast() -> None:
    model = made_told()
    failed = replace(model, card=replace(model.card, failures=("state model: 3 divergent transitions",)))
    with pytest.raises(FitError):
        failed.forecast(begun(), visits=visits_of(begun(), 1))


def test_records_that_contradict_each_other_are_told_and_not_used() -> None:
    """A share gone that falls from nine tenths to one: an entry counted from the session, not from the start."""
    model = made_told(draws=400)
    eye = {name: values[[3]] for name, values in begun().items()} | {"sessions": [2], "relief_before": [7]}
    eye["size_mm"] = [2.0]

    def forecast(cleared: list[float], bother: list[float]) -> Any:
        visits = {"case": ["key3"] * 2, "session": [1, 2], "cleared": cleared, "bother": bother}
        return model.forecast(eye, visits=visits)

    odd = forecast([0.9, 0.1], [1, 8])
    assert any("does not fit this model: check the entries" in note for note in odd.notes[0])
    assert odd.pmf == pytest.approx(replace(model, history=None).forecast(eye).pmf)
    ordinary = forecast([0.4, 0.6], [5, 4])
    assert not any("this model" in note for note in ordinary.notes[0])


def test_a_missing_feature_widens_the_range_by_what_is_not_known_alone() -> None:
    """All completions have the same effect here: the range must be that of the feature known."""
    model = made_told(draws=150, **dict.fromkeys(EFFECTS, 0.0))
    eye = {name: values[[3]] for name, values in begun().items()} | {"sessions": [2], "relief_before": [7]}
    visits = {"case": ["key3"] * 2, "session": [1, 2], "cleared": [0.4, 0.6], "bother": [5, 4]}
    known = model.forecast({**eye, "size_mm": [2.0]}, visits=visits).incidence[:, 0, 0, 3]
    missing = model.forecast({**eye, "size_mm": [np.nan]}, visits=visits).incidence[:, 0, 0, 3]
    assert missing.mean() == pytest.approx(known.mean(), abs=0.02)
    assert missing.std() == pytest.approx(known.std(), rel=0.35)


def test_nothing_delivered_is_not_an_ordinary_session() -> None:
    part = made_part(0, 50, seed=1, **SMOOTH)
    none = part.courses(np.zeros((1, 0)), one_eye(energy_mj=[0.0], bother=[6.0]), horizon=2)
    usual = part.courses(np.zeros((1, 0)), one_eye(bother=[6.0]), horizon=2)
    assert none.pmf[:, 0, 0, 1].mean() < usual.pmf[:, 0, 0, 1].mean()


def test_fragments_that_were_noted_speak_for_the_draws_that_expect_them() -> None:
    part = made_part(0, 2, seed=1, **SMOOTH)
    part.parameters["fragments"][:] = [[[0.8, 0.1, 0.1]] * 4, [[0.1, 0.1, 0.8]] * 4]
    for name, values in part.parameters.items():
        if name != "fragments":
            values[:] = values[:1]
    found = part.courses(np.zeros((1, 0)), one_eye(fragments=[2.0]), horizon=2, paths=400)
    assert np.exp(found.log_left[1, 0] - found.log_left[0, 0]) == pytest.approx(8.0, rel=0.05)


def test_how_far_it_is_looked_changes_no_session() -> None:
    """Neither the forecast of a session nor how well a record fits hangs on the horizon."""
    part = made_part(0, 20, seed=2, **SMOOTH)
    eye = one_eye(cleared=[0.3, 0.5], bother=[6.0, 5.0], fragments=[1.0, 2.0])
    near, far = (part.courses(np.zeros((1, 0)), eye, horizon=h) for h in (3, 7))
    assert (far.pmf[..., :3] == near.pmf).all()
    assert (far.log_left == near.log_left).all()
    (_, short), (_, long) = (part.bother(np.zeros((1, 0)), eye, horizon=h) for h in (3, 7))
    assert (short.following == long.following).all()
