"""Another session or ending now: the numbers of an outlook, what it leaves open, and what it never says."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache
from statistics import NormalDist
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_models import made_model
from made_progress import made_progress

from retreat.errors import FitError
from retreat.model import Model
from retreat.model.history.bother import bother_of_logit, logit_of_bother
from retreat.model.history.outlook import Outlook
from retreat.model.history.progress import pack
from retreat.model.history.records import FRAGMENTS
from retreat.model.history.state import REMOVED, SHARE

EYE: dict[str, Any] = {
    "case": ["a"],
    "opacity": ["ring"],
    "size_mm": [2.0],
    "zone": ["middle"],
    "cornea": ["none"],
    "relief_before": [8.0],
    "sessions": [2],
}
SEEN: dict[str, Any] = {
    "case": ["a", "a"],
    "session": [1, 2],
    "cleared": [0.4, 0.7],
    "fragments": ["few", "few"],
    "bother": [6.0, 5.0],
}
ADVICE = re.compile(r"\b(should|ought|must|worth|recommend\w*|advisable|better|best|need)\b", re.IGNORECASE)


@cache
def blind() -> Model:
    return made_model("core", draws=40)


@cache
def seeing() -> Model:
    model = blind()
    return replace(model, history=made_progress(len(model.coding.names), 40))


def without(name: str, *sessions: int) -> dict[str, Any]:
    """What was seen, less what was noted of one thing at some sessions."""
    unknown = [
        "unknown" if k in sessions else value for k, value in zip(SEEN["session"], SEEN[name], strict=True)
    ]
    return {**SEEN, name: unknown}


def chances(found: Outlook) -> np.ndarray:
    return np.array(
        [
            [getattr(one, name).estimate for name in ("relieved", "stopped", "relieved_by", "stopped_by")]
            for one in found.further
        ]
    )


@pytest.mark.parametrize("visits", [SEEN, None])
def test_chances_are_those_of_the_forecast(visits: dict[str, Any] | None):
    found = seeing().outlook(EYE, visits, horizon=5)
    mean = seeing().forecast(EYE, visits=visits, horizon=5).mean()[0]  # (states, horizon)
    at = np.diff(mean[:2, 1:], axis=1).T  # (sessions, ends)
    reached = np.array([one.reached for one in found.further])
    assert [one.session for one in found.further] == [3, 4, 5]
    assert chances(found)[:, 2:] == pytest.approx(mean[:2, 2:].T)
    assert chances(found)[:, :2] * reached[:, None] == pytest.approx(at)
    assert reached == pytest.approx(mean[2, 1:4])


def test_a_known_hazard_gives_a_course_worked_by_hand():
    # hazards 0.5 and 0.1 at every session: 0.4 go on
    hazards = np.log([0.5 / 0.4, 0.1 / 0.4])
    model = blind()
    parameters = replace(
        model.parameters,
        coefficients=np.zeros_like(model.parameters.coefficients),
        session_effects=np.broadcast_to(hazards[:, None], model.parameters.session_effects.shape).copy(),
        operator_effect=np.zeros_like(model.parameters.operator_effect),
        patient_loading=np.zeros_like(model.parameters.patient_loading),
    )
    found = replace(model, parameters=parameters).outlook(EYE, SEEN)
    assert found.next.relieved.estimate == pytest.approx(0.5)
    assert found.next.stopped.estimate == pytest.approx(0.1)
    assert found.within_two is not None
    assert found.within_two.relieved_by.estimate == pytest.approx(0.7)
    assert found.within_two.stopped_by.estimate == pytest.approx(0.14)
    assert found.within_two.relieved.estimate == pytest.approx(0.5)
    assert found.within_two.reached == pytest.approx(0.4)


def test_ranges_are_the_middle_of_the_draws():
    found = blind().outlook(EYE, level=0.5)
    draws = blind().forecast(EYE, horizon=3).incidence[:, 0, 0, 2]
    assert found.next.relieved_by.low == pytest.approx(np.quantile(draws, 0.25, method="hazen"))
    assert found.next.relieved_by.high == pytest.approx(np.quantile(draws, 0.75, method="hazen"))


@settings(max_examples=25, deadline=None)
@given(effects=st.lists(st.floats(-4, 3), min_size=12, max_size=12), done=st.integers(0, 5))
def test_laws_of_the_curve(effects: list[float], done: int):
    model = blind()
    at = np.array(effects).reshape(1, 1, 2, 6) + 0.1 * np.arange(40)[:, None, None, None] / 40
    model = replace(model, parameters=replace(model.parameters, session_effects=at))
    found = model.outlook({**EYE, "sessions": [done]}, horizon=done + 4)
    by = chances(found)[:, 2:]
    reached = np.array([one.reached for one in found.further])
    assert np.all(np.diff(by, axis=0) >= 0)
    assert np.all(by.sum(axis=1) <= 1 + 1e-12)
    assert reached[0] == 1
    assert reached[1:] == pytest.approx(1 - by[:-1].sum(axis=1), abs=1e-9)
    for one in found.further:
        for name in ("relieved", "stopped", "relieved_by", "stopped_by"):
            found_range = getattr(one, name)
            assert 0 <= found_range.low <= found_range.high <= 1


def test_a_blind_model_says_what_it_does_not_know():
    found = blind().outlook(EYE, SEEN)
    assert (found.bother_next, found.fall_next, found.informed) == (None, None, False)
    assert np.isnan([one.bother for one in found.further]).all()
    assert found.not_known == ("bother after further sessions: this model does not forecast it",)


@pytest.mark.parametrize(
    "visits", [None, {"case": ["b"], "session": [1], "bother": [3]}, {"case": ["a"], "session": [1]}]
)
def test_without_anything_noted_the_outlook_is_that_of_the_model_without_a_history(visits: dict[str, Any]):
    found, expected = seeing().outlook(EYE, visits), blind().outlook(EYE)
    assert np.abs(chances(found) - chances(expected)).max() <= 1e-9
    assert not found.informed
    assert found.not_known == ("bother after further sessions: nothing is noted of the sessions",)


def points(removed: float) -> float:
    """Expected rating of the eye with so much removed, by the parameters made up and no fragments, written out."""
    share, counts = 1 - np.exp(-removed), 4 * (1 - np.exp(-removed / 4))
    left = np.exp(-1.0 * (counts - REMOVED) - 0.8 * (share - SHARE - 0.6 * (counts - REMOVED)))
    mood = 0.2 + 0.6 * logit_of_bother(np.array(8.0)) + np.log(left)
    return float(bother_of_logit(mood))


def test_the_predictive_interval_of_bother_is_that_of_its_normal_in_points():
    # nothing is left to chance but the noise of the next rating: the rest follows from the parameters
    sd, n = 0.6, len(blind().coding.names)
    tiny = dict.fromkeys(("clear_eye_sd", "clear_luck_sd", "grade_sd", "bother_eye_sd"), 1e-4)
    part = made_progress(
        n,
        40,
        off=0.0,
        bother_noise_sd=sd,
        clear_session=[0.0] * 3,
        bother_few=0.0,
        bother_many=0.0,
        bother_back=0.0,
        bother_later=0.0,
        bother_fall_sd=1e-4,
        **tiny,
    )
    # what is noted agrees with the parameters: each session clears r = exp(-0.7)
    r = np.exp(-0.7)
    visits = {**SEEN, "cleared": [1 - np.exp(-r), 1 - np.exp(-2 * r)]}
    found = replace(blind(), history=part).outlook(EYE, visits)
    # rated again without it, the eye stands where two sessions left it
    for removed, told in ((3 * r, found.bother_next), (2 * r, found.bother_again)):
        assert told is not None
        # 32 strata of the normal for each draw: the tails of a stratum are a twentieth of a point wide
        assert told.low == pytest.approx(points(removed) - 1.2816 * sd, abs=0.08)
        assert told.high == pytest.approx(points(removed) + 1.2816 * sd, abs=0.08)


def test_how_much_a_session_is_felt_is_in_the_range_of_its_fall():
    # rated again or after a session, the error of the rating is the same; what is felt of what is cleared is not
    fall_sd, n = 0.4, len(blind().coding.names)
    still = dict.fromkeys(("clear_eye_sd", "clear_luck_sd", "grade_sd", "bother_eye_sd"), 1e-4)
    none = dict.fromkeys(("bother_few", "bother_many", "bother_back", "bother_later"), 0.0)
    part = made_progress(
        n,
        40,
        off=0.0,
        clear_session=[0.0] * 3,
        bother_noise_sd=0.05,
        bother_fall_sd=fall_sd,
        **none,
        **still,
    )
    r = np.exp(-0.7)
    visits = {**SEEN, "cleared": [1 - np.exp(-r), 1 - np.exp(-2 * r)]}
    found = replace(blind(), history=part).outlook(EYE, visits).fall_next
    assert found is not None
    counts = 4 * (np.exp(-2 * r / 4) - np.exp(-3 * r / 4))
    share = (points(3 * r) + 0.5) / 11
    sd = 11 * share * (1 - share) * fall_sd * counts
    assert found.high - found.low == pytest.approx(2 * 1.2816 * sd, rel=0.1)


# a part whose sessions remove nothing and change nothing; fragments weigh so much that a change would be seen
IDLE: dict[str, Any] = {
    "clear_level": -12.0,
    "clear_session": [0.0] * 3,
    "clear_eye_sd": 0.1,
    "bother_few": 0.8,
    "bother_many": 1.6,
    "bother_back": 0.0,
    "bother_later": 0.0,
}


def idle(**changes: Any) -> Model:
    return replace(blind(), history=made_progress(len(blind().coding.names), 40, **IDLE | changes))


def bad_day(sessions: int, last: float = 10.0, pieces: str = "few") -> dict[str, Any]:
    """Sessions that removed nothing, and at the last of them a high rating."""
    noted = {"cleared": [0.0] * sessions, "fragments": [pieces] * sessions, "bother": [5.0] * sessions}
    noted["bother"][-1] = last
    return {"case": ["a"] * sessions, "session": list(range(1, sessions + 1)), **noted}


@pytest.mark.parametrize("sessions", [1, 2, 3, 4, 5])
@pytest.mark.parametrize("pieces", ["none", "few", "many"])
def test_a_session_is_not_credited_with_the_return_from_a_bad_day(sessions: int, pieces: str):
    # fragments stay as they are: what is left of a session that does nothing is nothing
    model = idle(off=0.0, bother_few=0.0, bother_many=0.0)
    found = model.outlook({**EYE, "sessions": [sessions]}, bad_day(sessions, pieces=pieces))
    assert found.bother_next is not None
    assert found.fall_next is not None
    assert found.bother_next.estimate < 9.6  # the rating returns, session or not
    fall = found.fall_next
    assert (fall.estimate, fall.low, fall.high) == pytest.approx((0, 0, 0), abs=1e-3)


def test_pieces_thrown_before_come_back_with_or_without_a_session():
    # two sessions clear, the third would clear nothing: what drifts back until then is not laid at its door
    third_idle = {"clear_level": -0.7, "clear_session": [0.0, -12.0, 0.0]}
    visits = {
        "case": ["a", "a"],
        "session": [1, 2],
        "cleared": [0.4, 0.6],
        "bother": [5, 5],
        "fragments": ["few"] * 2,
    }
    again = []
    for back, later in ((0.0, 0.0), (0.8, 0.0), (0.8, 0.8)):
        model = idle(
            off=0.0, bother_few=0.0, bother_many=0.0, bother_back=back, bother_later=later, **third_idle
        )
        found = model.outlook({**EYE, "sessions": [2]}, visits)
        fall = found.fall_next
        assert fall is not None
        assert (fall.estimate, fall.low, fall.high) == pytest.approx((0, 0, 0), abs=1e-3)
        assert found.bother_again is not None
        again.append(found.bother_again.estimate)
    # of what two sessions threw more is back than of what one did, and of what the first threw still more
    assert again[1] > again[0] + 0.1
    assert again[2] > again[1] + 0.1


@pytest.mark.parametrize("code", [0, 1, 2])
def test_without_a_session_the_fragments_stay(code: int):
    sessions = 2
    # a session leads to the same count for sure: again nothing is left of it
    n = len(blind().coding.names)
    part = made_progress(n, 40, off=0.0, **IDLE)
    parameters = dict(part.parameters) | {"fragments": np.broadcast_to(np.eye(3)[code], (40, 4, 3))}
    stays = replace(blind(), history=replace(part, values=pack(parameters)))
    visits = bad_day(sessions, pieces=FRAGMENTS[code])
    same, moves = (model.outlook({**EYE, "sessions": [sessions]}, visits) for model in (stays, idle(off=0.0)))
    assert same.fall_next is not None
    assert same.fall_next.estimate == pytest.approx(0, abs=0.02)
    assert same.bother_again is not None
    assert moves.bother_again is not None
    assert moves.bother_again.estimate == pytest.approx(same.bother_again.estimate, abs=0.02)
    assert moves.bother_next is not None
    assert abs(moves.bother_next.estimate - moves.bother_again.estimate) > 0.1


@pytest.mark.parametrize("sessions", [1, 3, 4])
def test_a_session_that_does_nothing_but_come_later_is_not_older_without_it(sessions: int):
    # the course is one session older after the next one: bother rises by the step of that session, not otherwise
    steps = [0.5, 0.5, 0.5]
    model = idle(off=0.0, bother_few=0.0, bother_many=0.0, bother_session=steps)
    # in the middle of the scale, where no rating is cut off
    found = model.outlook({**EYE, "sessions": [sessions]}, bad_day(sessions, last=5.0))
    assert found.bother_again is not None
    assert found.fall_next is not None
    middle = logit_of_bother(np.array(found.bother_again.estimate))
    step = 0.5 if sessions <= 3 else 0.0
    expected = found.bother_again.estimate - bother_of_logit(middle + step)
    assert found.fall_next.estimate == pytest.approx(float(expected), abs=0.1)


def test_the_rating_without_a_session_is_the_eyes_own_and_not_the_last():
    # of the deviation of one rating, only the share of the lasting part stays
    eye, noise, last = 0.3, 1.2, 9.0
    model = idle(
        off=0.0, clear_luck_sd=1e-3, clear_eye_sd=1e-3, bother_few=0.0, bother_many=0.0, bother_eye_sd=eye,
        bother_noise_sd=noise, end_bother=[0.0, 0.0],
    )  # fmt: skip
    found = model.outlook({**EYE, "sessions": [1]}, bad_day(1, last=last))
    expected = points(0.0)
    slope = (expected + 0.5) * (10.5 - expected) / 11
    kept = eye**2 * slope / (eye**2 * slope**2 + noise**2) * (last - expected)
    centre = bother_of_logit(logit_of_bother(np.array(expected)) + kept)
    slope_now = (centre + 0.5) * (10.5 - centre) / 11
    doubt = eye**2 * noise**2 / (eye**2 * slope**2 + noise**2)
    spread = np.sqrt(slope_now**2 * doubt + noise**2)
    z = (np.arange(400) + 0.5) / 400
    normal = np.array([NormalDist().inv_cdf(u) for u in z])
    assert found.bother_again is not None
    rated = np.clip(centre + spread * normal, 0, 10).mean()
    assert found.bother_again.estimate == pytest.approx(rated, abs=0.02)


def test_the_fall_is_counted_from_a_rating_without_the_session():
    found = seeing().outlook(EYE, SEEN)
    assert found.bother_next is not None
    assert found.bother_again is not None
    assert found.fall_next is not None
    assert found.fall_next.estimate == pytest.approx(found.bother_again.estimate - found.bother_next.estimate)
    assert found.fall_next.low < found.fall_next.estimate < found.fall_next.high
    assert found.next.bother == pytest.approx(found.bother_next.estimate)
    # another rating, another place in the noise: the fall hardly moves
    other = seeing().outlook(EYE, {**SEEN, "bother": [6.0, 7.0]})
    assert other.fall_next is not None
    assert other.fall_next.estimate == pytest.approx(found.fall_next.estimate, abs=0.3)


def test_how_far_a_rating_moves_by_itself_is_that_of_its_passing_part():
    n = len(blind().coding.names)
    still, restless = (
        replace(blind(), history=made_progress(n, 40, bother_noise_sd=sd)).outlook(EYE, SEEN).passing
        for sd in (0.1, 0.8)
    )
    assert still == pytest.approx(0.1, rel=0.2)
    assert restless == pytest.approx(0.8, rel=0.2)
    assert np.isnan(blind().outlook(EYE, SEEN).passing)


def test_a_fall_without_the_fragments_last_noted_is_not_known():
    for hidden in (without("fragments", 2), {name: values[:1] for name, values in SEEN.items()}):
        found = seeing().outlook(EYE, hidden)
        assert (found.fall_next, found.bother_again) == (None, None)
        assert found.bother_next is not None
        assert found.passing > 0
        assert found.not_known == ("the fall in bother: fragments were not noted after session 2",)


def test_bother_last_noted_may_be_of_an_earlier_session():
    found = seeing().outlook(EYE, without("bother", 2))
    assert found.fall_next is not None
    assert (found.ending_now.bother, found.ending_now.noted_after) == (6.0, 1)


def test_a_wider_predictive_interval_holds_a_narrower_one():
    narrow, wide = (seeing().outlook(EYE, SEEN, predictive=p).bother_next for p in (0.5, 0.9))
    assert narrow is not None
    assert wide is not None
    assert 0 <= wide.low < narrow.low < narrow.high < wide.high <= 10


def test_an_eye_that_was_cleared_more_is_bothered_less():
    little = seeing().outlook(EYE, {**SEEN, "cleared": [0.1, 0.2], "bother": [8.0, 8.0]})
    much = seeing().outlook(EYE, {**SEEN, "cleared": [0.5, 0.9], "bother": [5.0, 3.0]})
    assert much.next.bother < little.next.bother - 1
    assert much.next.relieved.estimate > little.next.relieved.estimate + 0.1


def test_draws_count_by_how_well_they_explain_what_was_noted():
    n = len(blind().coding.names)
    tiny = {"bother_eye_sd": 1e-3, "bother_noise_sd": 0.1}
    likely, unlikely = (made_progress(n, 20, off=0.0, bother_level=b, **tiny) for b in (0.2, 3.0))
    alike, both = (
        replace(likely, values=np.concatenate([likely.values, other.values])) for other in (likely, unlikely)
    )
    visits = without("cleared", 1, 2)
    found, expected = (
        replace(blind(), history=part).outlook(EYE, visits).next.bother for part in (both, alike)
    )
    assert found == pytest.approx(expected, abs=0.1)


def test_a_missing_feature_is_averaged_over():
    found = seeing().outlook({**EYE, "size_mm": ["unknown"]}, SEEN)
    sizes = [seeing().outlook({**EYE, "size_mm": [s]}, SEEN).next.bother for s in (0.6, 8.9)]
    assert min(sizes) - 0.1 <= found.next.bother <= max(sizes) + 0.1
    assert "size_mm is not known; averaged over the fitted case mix" in found.forecast.notes[0]


@pytest.mark.parametrize("bother", [0.0, 5.0])
def test_nothing_is_asserted_of_what_follows_an_end(bother: float):
    found = seeing().outlook(EYE, {**SEEN, "bother": [6.0, bother]})
    assert (found.ending_now.bother, found.ending_now.noted_after) == (bother, 2)
    assert found.ending_now.meaning.startswith("what follows an end is not forecast; ")
    assert not re.search(r"record|stopped|relie", found.ending_now.meaning)
    assert "go on" in " ".join(found.cautions)


def test_bother_before_the_course_is_not_taken_for_that_after_it():
    assert np.isnan(seeing().outlook(EYE, without("bother", 1, 2)).ending_now.bother)
    before = seeing().outlook({**EYE, "sessions": [0]}).ending_now
    assert (before.bother, before.noted_after) == (8.0, 0)


def test_the_usual_horizon_stays_where_enough_cases_got_to():
    # six sessions are supported
    assert [one.session for one in blind().outlook(EYE).further] == [3, 4, 5, 6]
    assert [one.session for one in blind().outlook({**EYE, "sessions": [5]}).further] == [6]
    assert [one.session for one in blind().outlook({**EYE, "sessions": [6]}).further] == [7]


def test_the_same_eye_has_the_same_outlook():
    one, other = seeing().outlook(EYE, SEEN), seeing().outlook(EYE, SEEN)
    assert (one.further, one.bother_next) == (other.further, other.bother_next)


def test_the_table_holds_the_curve_and_the_cautions():
    found = seeing().outlook(EYE, SEEN)
    table = found.table()
    assert table["session"].tolist() == [3, 4, 5, 6]
    assert table["relieved_by"].to_numpy() == pytest.approx(chances(found)[:, 2])
    assert table["caution"].str.contains("not a decision to treat").all()
    assert table["caution"].str.contains("invented").all()


@pytest.mark.parametrize("visits", [None, SEEN, without("bother", 2), without("bother", 1, 2)])
def test_nothing_is_advised(visits: dict[str, Any] | None):
    found = seeing().outlook(EYE, visits)
    told = [*found.not_known, found.ending_now.meaning, *found.cautions[len(found.forecast.cautions) :]]
    assert [text for text in told if ADVICE.search(text)] == []
    assert "advice" in " ".join(found.cautions)


def test_all_wrong_arguments_are_told_at_once():
    with pytest.raises(FitError) as refused:
        made_model("second_session").outlook({"opacity": ["ring", "ring"]}, level=1.0, predictive=0.0)
    assert [fault.where for fault in refused.value.faults] == ["model", "new_case", "level", "predictive"]


def test_a_horizon_that_leaves_no_session_is_refused():
    with pytest.raises(FitError, match="horizon: 2, and 2 sessions are done; allowed: at least 3"):
        seeing().outlook(EYE, SEEN, horizon=2)


def test_a_model_that_failed_its_checks_has_no_outlook():
    failed = replace(seeing(), card=replace(seeing().card, failures=("R-hat 1.04 above 1.01",)))
    with pytest.raises(FitError, match=r"R-hat 1\.04"):
        failed.outlook(EYE, SEEN)
