"""The state model fitted: what generated the sessions is found again, and too little is refused."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from made_models import made_model
from made_progress import made_progress
from made_states import Eyes, logit, made_part, rating, simulated
from scipy.stats import multivariate_normal, norm

from retreat.definitions import read_definition
from retreat.errors import FitError
from retreat.fitting.histories.progress import _moves, with_progress
from retreat.fitting.histories.sessions import Sessions, lay_out
from retreat.fitting.histories.state_model import _earlier, build, rated
from retreat.model import Model
from retreat.model.history.progress import Progress
from retreat.model.history.records import Records

LONGEST = 5
TRUTH = {
    "clear_operator": 0.0,
    "end_operator": 0.0,
    "clear_case": 0.4,
    "bother_case": 0.3,
    "end_case": 0.0,
    "fragments": [[0.3, 0.4, 0.3], [0.7, 0.2, 0.1], [0.3, 0.5, 0.2], [0.1, 0.3, 0.6]],
}


def true_part() -> Progress:
    part = made_part(1, 1, seed=8, **TRUTH)
    for name in ("clear_energy", "clear_pulses"):
        part.parameters[name][:] = 0.0
    return part


def clinic(n: int, seed: int) -> tuple[Any, Eyes, Any]:
    rng = np.random.default_rng(seed)
    X = rng.normal(size=(n, 1))
    eyes = simulated(true_part(), X, LONGEST, rng)
    sessions = eyes.sessions
    design = SimpleNamespace(
        definition=read_definition("progress"),
        X=X,
        sessions=sessions,
        ending=np.maximum(eyes.ending[np.arange(n), sessions - 1], 0),
        operator=np.arange(n) % 3,
        patient=np.arange(n),
    )
    records = eyes.records(sessions, LONGEST)
    hidden = np.arange(LONGEST) >= sessions[:, None]
    for values in (records.cleared, records.fragments, records.bother):
        values[hidden | (rng.random(values.shape) < 0.05)] = np.nan
    return design, eyes, records


@pytest.fixture(scope="module")
def fitted() -> Model:
    """300 eyes; shorter chains than a clinic would run."""
    design, _, records = clinic(300, seed=3)
    base = made_model("progress", draws=400)
    return with_progress(base, design, records, seed=1, draws=250, tune=500, tries=1)


@pytest.mark.slow
def test_what_made_the_sessions_is_found_again(fitted: Model) -> None:
    assert isinstance(fitted.history, Progress)
    found, truth = fitted.history.parameters, true_part().parameters
    off = []
    for name, values in found.items():
        if name in ("clear_operator", "end_operator", "before_mean", "before_sd", "end_patient", "end_level"):
            continue
        centre = fitted.history.centre[0]
        expected = truth[name][0]
        if name in ("clear_level", "bother_level"):  # columns enter about their mean
            expected = expected + truth[name.replace("level", "case")][0, 0] * centre
        off.append(((values.mean(axis=0) - expected) / values.std(axis=0)).ravel())
    z = np.concatenate(off)
    # about as far off as a posterior says: 50 numbers with priors near the truth
    assert np.abs(z).max() < 4.0
    assert np.sqrt((z**2).mean()) < 1.4
    assert found["grade_sd"].mean() == pytest.approx(0.09, abs=0.03)


@pytest.mark.slow
def test_the_card_tells_how_many_sessions_were_graded(fitted: Model) -> None:
    assert any("sessions were graded" in note for note in fitted.card.notes)
    assert fitted.card.diagnostics["history_rhat"] < 1.1
    assert fitted.history is not None
    assert fitted.history.n_draws == fitted.parameters.n_draws


@pytest.mark.slow
def test_forecasts_of_fresh_eyes_are_right_and_better_than_their_mean(fitted: Model) -> None:
    """Eyes of the same law after one session: the next relief is forecast with slope 1 within its error."""
    design, eyes, _ = clinic(1500, seed=9)
    on = eyes.ending[:, 0] == 0
    seen = eyes.records(np.ones(len(on), dtype=np.int64), 1).rows(on)
    assert isinstance(fitted.history, Progress)
    part = fitted.history.thinned(np.arange(0, 400, 8))
    found = part.courses(design.X[on], seen, horizon=2, paths=16)
    weight = np.exp(found.log_left - found.log_left.max(axis=0))
    weight /= weight.sum(axis=0)
    chance = np.einsum("dn,dn->n", weight, found.pmf[:, :, 0, 1])
    relieved = (eyes.ending[on, 1] == 1).astype(float)
    centred = chance - chance.mean()
    slope = float((centred * relieved).sum() / (centred**2).sum())
    error = np.sqrt(float((centred**2 * chance * (1 - chance)).sum())) / float((centred**2).sum())
    assert slope == pytest.approx(1.0, abs=0.1 + 3 * error)
    scores = [(relieved - p) ** 2 for p in (chance, np.full_like(chance, relieved.mean()))]
    gain = scores[1] - scores[0]
    assert gain.mean() > 3 * gain.std() / np.sqrt(len(gain))


def test_too_few_grades_are_refused() -> None:
    design, _, records = clinic(350, seed=3)
    records.cleared[10:] = np.nan
    with pytest.raises(FitError, match="sessions were graded; allowed: at least 100") as refused:
        with_progress(made_model("progress"), design, records, seed=1)
    assert "second or later" in str(refused.value)


def test_rows_are_laid_out_so_that_a_risk_set_is_a_prefix() -> None:
    design, _, records = clinic(60, seed=5)
    rows = lay_out(design, records)
    order = np.argsort(-design.sessions, kind="stable")
    assert sum(rows.size) == design.sessions.sum() == len(rows.case)
    for row in (0, 70, len(rows.case) - 1):
        eye, k = order[rows.case[row]], rows.session[row]
        grade = records.cleared[eye, k]
        assert rows.cleared[row] == pytest.approx(grade, nan_ok=True)
        last = k + 1 == design.sessions[eye]
        assert rows.ending[row] == (design.ending[eye] if last else 0)
    assert (
        rows.moves.sum()
        == np.isfinite(records.fragments[:, 0]).sum()
        + (np.isfinite(records.fragments[:, 1:]) & np.isfinite(records.fragments[:, :-1])).sum()
    )
    assert rows.energy_centre == 0.0
    assert not rows.energy.any()
    assert (rows.few + rows.many <= 1 + 1e-12).all()


def test_a_definition_without_history_is_refused() -> None:
    design, _, records = clinic(60, seed=5)
    design.definition = replace(design.definition, history=None)
    with pytest.raises(FitError, match="has no history"):
        with_progress(made_model("progress"), design, records, seed=1)


def test_fragments_never_noted_are_none_in_forecasts_as_in_the_fit() -> None:
    rng = np.random.default_rng(1)
    assert (_moves(np.zeros((4, 3)), 5, rng) == [1.0, 0.0, 0.0]).all()
    drawn = _moves(np.array([[60, 30, 10], [0, 0, 0], [3, 5, 2], [1, 2, 7]]), 4000, rng)
    assert drawn.sum(axis=2) == pytest.approx(np.ones((4000, 4)))
    # a count never seen before follows the others
    assert drawn[:, 1].mean(axis=0) == pytest.approx([65 / 123, 38 / 123, 20 / 123], abs=0.01)


def test_ratings_have_the_density_of_a_random_walk_with_noise_where_the_scale_is_straight() -> None:
    import pytensor.tensor as pt

    eye, drift, noise = 0.05, 0.04, 0.1
    noted = np.array([5.3, 4.7, 5.1, 5.2, 4.9, np.nan])
    gap = 0.7
    step = pt.as_tensor_variable(np.repeat([eye**2, drift**2], 3))
    felt, found = rated(pt.zeros(6), noted, pt.as_tensor_variable([gap]), (3, 2, 1), step=step, noise=noise)
    expected = 0.0
    slope = 11 / 4  # points for a step of the logit, in the middle of the scale
    for rows in ([0, 3], [1, 4], [2]):  # session by session, the case with most sessions first
        n = len(rows)
        walked = np.minimum.outer(np.arange(n), np.arange(n))
        covariance = slope**2 * (eye**2 + drift**2 * walked) + noise**2 * np.eye(n)
        expected += multivariate_normal(np.full(n, 5.0), covariance).logpdf(noted[rows])
    constant = 0.5 * 5 * np.log(2 * np.pi)
    assert float(found.eval()) == pytest.approx(expected + constant, abs=0.02)
    # what is felt lies between the description and the rating; that of the gap follows its standard normal
    seen = felt.eval()
    weight = (slope * eye) ** 2 / ((slope * eye) ** 2 + noise**2)
    assert seen[:3] == pytest.approx(5.0 + weight * (noted[:3] - 5.0), abs=0.01)
    third = np.array([0, 3, 5])
    walked = np.minimum.outer(np.arange(3), np.arange(3))
    prior = slope**2 * (eye**2 + drift**2 * walked)
    kept = prior[:, :2] @ np.linalg.inv(prior[:2, :2] + noise**2 * np.eye(2))
    mean, doubt = kept[2] @ (noted[third[:2]] - 5.0), prior[2, 2] - kept[2] @ prior[:2, 2]
    assert seen[5] == pytest.approx(5.0 + mean + doubt / np.sqrt(doubt + noise**2) * gap, abs=0.01)


def test_fit_and_filter_give_ratings_one_density() -> None:
    """Far from the middle of the scale, at its ends too, an eye of which nothing is removed, by both recursions."""
    import pytensor.tensor as pt

    eye, drift, noise = 0.6, 0.4, 0.7
    part = made_progress(
        0, 1, off=0.0, clear_level=-20.0, end_level=[-30.0, -30.0], bother_few=0.0, bother_many=0.0,
        bother_back=0.0, bother_later=0.0,
        bother_eye_sd=eye, bother_drift_sd=drift, bother_noise_sd=noise,
    )  # fmt: skip
    p = {name: float(values[0]) for name, values in part.parameters.items() if values.ndim == 1}
    left = np.exp(-p["bother_removed"] * 0.7 + p["bother_share"] * (-0.5 + 0.6 * 0.7))
    mood = p["bother_level"] + p["bother_before"] * logit(7.0)
    mood += np.log(left)
    for ratings in ([2.0, 0.0, 1.0, 3.0], [9.0, 10.0, 10.0, 6.0], [8.0, 4.0, 1.0, 0.0]):
        _, found = rated(
            pt.as_tensor_variable(np.full(4, mood)), np.array(ratings), pt.zeros(0), (1, 1, 1, 1),
            step=pt.as_tensor_variable(np.array([eye, drift, drift, drift]) ** 2), noise=noise,
        )  # fmt: skip
        done = len(ratings)
        nothing = np.full((1, done), np.nan)
        records = Records(
            np.array([done]), np.array([7.0]), nothing, nothing, np.array([ratings]), nothing, nothing
        )
        filtered = part.courses(np.zeros((1, 0)), records, horizon=done + 1, paths=2).log_left[0, 0]
        assert float(found.eval()) - 0.5 * done * np.log(2 * np.pi) == pytest.approx(filtered, abs=1e-5)


def test_a_rating_at_an_end_is_a_limit() -> None:
    """Moments of the level given a rating of no more than a half, by quadrature, where the scale is straight."""
    import pytensor.tensor as pt

    eye, noise = 0.2, 0.5
    mood = float(logit(0.8))
    felt, found = rated(
        pt.as_tensor_variable(np.array([mood])), np.array([0.0]), pt.zeros(0), (1,),
        step=pt.as_tensor_variable(np.array([eye**2])), noise=noise,
    )  # fmt: skip
    slope = (0.8 + 0.5) * (10.5 - 0.8) / 11
    x = np.linspace(-6, 6, 4001) * eye
    weight = norm.pdf(x, 0, eye) * norm.cdf((0.5 - 0.8 - slope * x) / noise)
    total = np.trapezoid(weight, x)
    assert float(found.eval()) == pytest.approx(np.log(total) + 0.5 * np.log(2 * np.pi), abs=1e-6)
    level = np.trapezoid(weight * x, x) / total
    assert felt.eval()[0] == pytest.approx(float(rating(mood + level)), abs=1e-6)


def test_fit_and_filter_give_a_course_that_is_known_one_density() -> None:
    """Sessions without luck: shadow, pieces that come back and the spread of what is felt, by both recursions."""
    import pymc as pm

    ratings = np.array([[5.0, 4.0, 3.0, 4.0], [8.0, 6.0, np.nan, np.nan]])
    pieces = np.array([[0.0, 2.0, 1.0, 0.0], [1.0, 2.0, np.nan, np.nan]])
    x = np.array([[0.5, -0.4], [-0.8, 0.3]])
    part = made_part(
        2, 1, seed=5, clear_eye_sd=1e-4, clear_luck_sd=1e-4, clear_operator=0.0, end_level=-30.0,
        clear_energy=0.0, clear_pulses=0.0, bother_fall_sd=0.4, bother_later=0.5,
        fragments=np.full((4, 3), 1 / 3),
    )  # fmt: skip
    nothing = np.full((2, 4), np.nan)
    records = Records(np.array([4, 2]), np.array([7.0, 8.0]), nothing, pieces, ratings, nothing, nothing)
    filtered = part.courses(x, records, horizon=5, paths=2).log_left[0].sum() - 6 * np.log(1 / 3)

    case, session = np.array([0, 1, 0, 1, 0, 0]), np.array([0, 0, 1, 1, 2, 3])
    zero = np.zeros(6)
    rows = Sessions(
        X=x, centre=np.zeros(2), operator=np.zeros(2, dtype=int), patient=np.arange(2), before=logit(records.before),
        size=(2, 2, 1, 1), case=case, session=session, ending=np.zeros(6, dtype=int),
        cleared=np.full(6, np.nan), bother=ratings[case, session], few=1.0 * (pieces == 1.0)[case, session],
        many=1.0 * (pieces == 2.0)[case, session], energy=zero, pulses=zero, energy_centre=0.0, pulses_centre=0.0,
        moves=np.zeros((4, 3)),
    )  # fmt: skip
    history = read_definition("progress").history
    assert history is not None
    model = build(rows, history, ("relieved", "stopped"))
    p = {name: values[0] for name, values in part.parameters.items()} | {"clear_operator_sd": 1.0}
    p |= {"clear_middle": p["clear_level"], "end_operator_sd": 1.0}
    fixed = pm.do(
        model, {rv.name: np.broadcast_to(p.get(rv.name, 0.0), rv.type.shape) for rv in model.free_RVs}
    )
    found = float(fixed["bother_ratings"].eval())
    assert found - 0.5 * 6 * np.log(2 * np.pi) == pytest.approx(filtered, abs=1e-4)


def test_what_was_before_is_that_of_the_same_case() -> None:
    import pytensor.tensor as pt

    once = _earlier(pt, pt.as_tensor_variable(np.arange(1.0, 7.0)), (3, 2, 1))
    assert once.eval().tolist() == [0, 0, 0, 1, 2, 4]
    assert _earlier(pt, once, (3, 2, 1)).eval().tolist() == [0, 0, 0, 0, 0, 1]
