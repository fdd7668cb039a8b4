"""The verdict at each limit, what it says, and the stamp it leaves on a model."""

from dataclasses import fields, replace
from datetime import date
from math import ceil, inf, log, nan

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from toy import CARD, toy_model

import retreat
from retreat.definitions.entries import Verdict as Limits
from retreat.errors import FitError
from retreat.validation.comparison import Comparison
from retreat.validation.histogram import DCalibration, PitHistogram
from retreat.validation.midcourse import MidCourse
from retreat.validation.report import MeasureRow, ValidationReport
from retreat.validation.verdict import FIT, NOT_FIT, WARNING, Verdict, judge

LIMITS = Limits()  # 0.8 to 1.25, usable 0.67 to 1.5; slope 0.8 to 1.25, usable 0.5 to 2
# as near to a limit as a value can come
EPS = 1e-12


def row(measure, value, *, low=None, high=None, horizon=1, end="relieved", reason=""):
    low, high = value - 0.01 if low is None else low, value + 0.01 if high is None else high
    return MeasureRow(measure, horizon, end, value, value, low, high, reason)


def beside(low, high, *, other="lifetable", measure="log_score"):
    return Comparison(measure, 4, "", 1.0, 1.0, (low + high) / 2, low, high, other)


def during(*, ratio=1.0, slope=1.0, end="relieved", done=1, reason=""):
    none = (nan, nan)
    return MidCourse(done, done + 2, end, 80, 0.5, 0.5, ratio, none, slope, none, reason)


GOOD = (row("observed_expected", 1.0), row("slope", 1.0), row("scaled_brier_at", 0.2))
BETTER = (beside(-0.2, -0.1),)


def verdict(
    rows=GOOD, comparisons=BETTER, mid_course=(), *, n_cases=400, failed=0.0, limits=LIMITS, table_due=True
):
    return judge(
        rows,
        comparisons,
        mid_course,
        first_end="relieved",
        limits=limits,
        n_cases=n_cases,
        failed=failed,
        table_due=table_due,
    )


def test_a_model_without_blemish_is_fit_and_has_no_reason():
    found = verdict(mid_course=[during()])

    assert found == Verdict(FIT, (), "validate again when the clinic, the laser or its patients change", 0)


def test_intervals_of_held_predictions_cannot_say_that_cases_are_enough():
    rows, told = GOOD, {"first_end": "relieved", "limits": LIMITS, "n_cases": 400, "failed": 0.0}
    found = judge(rows, BETTER, (), **told, table_due=True, intervals="of held predictions")

    assert found.next_step.startswith("validate again with resamples")
    wide = (row("observed_expected", 1.0, low=0.7, high=1.4),)
    asked = judge(wide, BETTER, (), **told, table_due=True, intervals="of held predictions")
    assert asked.next_step.startswith("collect about")


RATIO, SLOPE = "observed_expected", "slope"


@pytest.mark.parametrize(
    ("measure", "value", "standing"),
    [
        (RATIO, 0.67 - EPS, NOT_FIT),
        (RATIO, 0.67, WARNING),
        (RATIO, 0.8 - EPS, WARNING),
        (RATIO, 0.8, FIT),
        (RATIO, 1.25, FIT),
        (RATIO, 1.25 + EPS, WARNING),
        (RATIO, 1.5, WARNING),
        (RATIO, 1.5 + EPS, NOT_FIT),
        (SLOPE, 0.5 - EPS, NOT_FIT),
        (SLOPE, 0.5, WARNING),
        (SLOPE, 0.8 - EPS, WARNING),
        (SLOPE, 0.8, FIT),
        (SLOPE, 1.25, FIT),
        (SLOPE, 1.25 + EPS, WARNING),
        (SLOPE, 2.0, WARNING),
        (SLOPE, 2.0 + EPS, NOT_FIT),
    ],
)
def test_the_standing_changes_at_each_limit(measure, value, standing):
    found = verdict([row(measure, value)])

    assert found.standing == standing
    assert len(found.reasons) == (standing != FIT)


@pytest.mark.parametrize(
    ("measure", "low", "high", "standing"),
    [
        (RATIO, 0.67, 1.5, FIT),
        (RATIO, 0.67 - EPS, 1.2, WARNING),
        (RATIO, 0.9, 1.5 + EPS, WARNING),
        (SLOPE, 0.5, 2.0, FIT),
        (SLOPE, 0.5 - EPS, 1.2, WARNING),
        (SLOPE, 0.9, 2.0 + EPS, WARNING),
    ],
)
def test_an_interval_that_reaches_past_what_is_usable_is_a_warning(measure, low, high, standing):
    found = verdict([row(measure, 1.0, low=low, high=high)])

    assert found.standing == standing
    if standing == WARNING:
        assert "too few cases to be sure" in found.reasons[0]


def test_limits_are_those_of_the_definition():
    narrow = Limits(slope=(0.9, 1.1), slope_usable=(0.7, 1.3))

    assert verdict([row(SLOPE, 0.85)]).standing == FIT
    assert verdict([row(SLOPE, 0.85)], limits=narrow).standing == WARNING
    assert verdict([row(SLOPE, 0.65)], limits=narrow).standing == NOT_FIT


@pytest.mark.parametrize(("horizon", "standing"), [(1, NOT_FIT), (3, NOT_FIT), (4, FIT)])
def test_sessions_that_a_sheet_does_not_name_are_not_judged(horizon, standing):
    assert verdict([*GOOD, row(SLOPE, 0.1, horizon=horizon)][1:]).standing == standing


@pytest.mark.parametrize(
    ("measure", "value", "standing"),
    [
        (RATIO, 0.67, FIT),
        (RATIO, 0.67 - EPS, WARNING),
        (SLOPE, 2.0, FIT),
        (SLOPE, 9.0, WARNING),
        (SLOPE, nan, FIT),
    ],
)
def test_another_end_outside_what_is_usable_is_a_warning_and_no_more(measure, value, standing):
    found = verdict([*GOOD, row(measure, value, end="stopped")])

    assert found.standing == standing
    assert all("of stopped by session 1" in reason for reason in found.reasons)


def test_another_end_is_not_judged_after_the_sessions_of_a_sheet_or_during_a_course():
    rows = [*GOOD, row(SLOPE, 9.0, end="stopped", horizon=4)]

    assert verdict(rows, mid_course=[during(ratio=9.0, end="stopped")]).standing == FIT


def test_where_nothing_was_measured_there_is_a_warning():
    found = verdict([])

    assert found.standing == WARNING
    assert found.reasons == ("nothing of relieved by session 3 was measured",)


def test_the_life_table_must_stand_beside_where_it_is_due():
    assert verdict(comparisons=[]).reasons == ("it was not compared with the life table by kind",)
    assert verdict(comparisons=[], table_due=False).standing == FIT


def test_a_value_without_an_interval_is_a_warning():
    found = verdict([row(RATIO, 1.0, low=nan, high=nan)])

    assert found.reasons == ("observed/expected of relieved by session 1 is 1.00: no interval could be had",)


def test_an_interval_that_reaches_0_asks_for_no_absurd_number_of_cases():
    # half width .5 of 1.0 against log 1.25
    assert verdict([row(RATIO, 1.0, low=0.0, high=1.0)]).n_more == ceil(400 * ((0.5 / log(1.25)) ** 2 - 1))


@pytest.mark.parametrize(("high", "standing"), [(-EPS, NOT_FIT), (0.0, FIT), (0.1, FIT), (nan, FIT)])
def test_a_model_that_surely_tells_less_than_the_share_among_all_is_not_fit(high, standing):
    found = verdict([*GOOD[:2], row("scaled_brier_at", -0.1, low=-0.3, high=high)])

    assert found.standing == standing
    if standing == NOT_FIT:
        assert found.reasons == ("by session 1 the model tells less than the share seen among all",)


@pytest.mark.parametrize(
    ("low", "high", "standing"),
    [
        (EPS, 0.1, NOT_FIT),
        (0.0, 0.1, WARNING),
        (-0.1, 0.1, WARNING),
        (-0.1, 0.0, WARNING),
        (-0.1, -EPS, FIT),
    ],
)
def test_the_life_table_over_the_whole_course_decides_at_0(low, high, standing):
    assert verdict(comparisons=[beside(low, high)]).standing == standing


def test_only_the_log_score_beside_the_life_table_counts():
    others = [
        beside(0.1, 0.2, other="boosted"),
        beside(0.1, 0.2, other="null"),
        beside(0.1, 0.2, measure="rps"),
    ]

    assert verdict(comparisons=[*others, *BETTER]).standing == FIT


@pytest.mark.parametrize("name", ["ratio", "slope"])
@pytest.mark.parametrize(
    ("value", "standing"),
    [(0.8 - EPS, WARNING), (0.8, FIT), (1.25, FIT), (1.25 + EPS, WARNING), (0.1, WARNING), (nan, FIT)],
)
def test_numbers_during_a_course_warn_at_the_limits_for_counselling(name, value, standing):
    found = verdict(mid_course=[during(**{name: value})])

    assert found.standing == standing


def test_the_reason_of_a_number_during_a_course_names_sessions_end_value_and_limits():
    rows = [during(slope=0.5), during(done=2, ratio=1.4)]

    assert verdict(mid_course=rows).reasons == (
        "during a course, after 1 session, the calibration slope of relieved by session 3 is 0.50, "
        "outside 0.8 to 1.25",
        "during a course, after 2 sessions, the observed/expected of relieved by session 4 is 1.40, "
        "outside 0.8 to 1.25",
    )


@pytest.mark.parametrize(("failed", "standing"), [(0.05, FIT), (0.05 + EPS, WARNING), (1.0, WARNING)])
def test_more_than_a_twentieth_of_failed_refits_is_a_warning(failed, standing):
    assert verdict(failed=failed).standing == standing


def test_the_share_of_failed_refits_is_told_in_percent():
    assert verdict(failed=0.125).reasons == ("12% of the refits failed",)


@pytest.mark.parametrize(
    ("reason", "told"), [("fewer than 10 of the rarer outcome",) * 2, ("", "too few cases")]
)
@pytest.mark.parametrize("value", [nan, inf])
def test_a_measure_that_cannot_be_told_is_a_warning_with_its_reason(value, reason, told):
    found = verdict([row(SLOPE, value, low=nan, high=nan, horizon=2, reason=reason)])

    assert found.standing == WARNING
    assert found.reasons == (f"calibration slope of relieved by session 2 cannot be told: {told}",)
    assert found.n_more == 0


def test_what_makes_it_unfit_is_said_before_what_is_doubtful():
    rows = [row(SLOPE, 0.7, horizon=1), row(RATIO, 2.0, horizon=3)]

    found = verdict(rows, failed=0.5)

    assert found.reasons == (
        "observed/expected of relieved by session 3 is 2.00 (1.99 to 2.01), outside 0.67 to 1.5",
        "calibration slope of relieved by session 1 is 0.70 (0.69 to 0.71), outside 0.8 to 1.25",
        "50% of the refits failed",
    )


def test_a_slope_known_half_as_well_as_wanted_needs_three_times_as_many_cases_more():
    # half width 0.5 where 0.25 is wanted: four times the cases in all
    found = verdict([row(SLOPE, 1.0, low=0.5, high=1.5)], n_cases=200)

    assert found.n_more == 600
    assert found.next_step == "collect about 600 more cases and validate again"


def test_cases_for_a_ratio_are_counted_on_the_log_scale_and_the_most_needed_is_told():
    rows = [row(RATIO, 1.0, low=0.7, high=1.45), row(SLOPE, 1.0, low=0.74, high=1.26, horizon=2)]

    found = verdict(rows, n_cases=300)

    half = (log(1.45) - log(0.7)) / 2
    assert found.n_more == ceil(300 * ((half / log(1.25)) ** 2 - 1))
    assert found.n_more > ceil(300 * ((0.26 / 0.25) ** 2 - 1)) > 0


@pytest.mark.parametrize(("low", "high", "n_more"), [(0.76, 1.24, 0), (nan, nan, 0), (1.0, 1.0, 0)])
def test_no_more_cases_are_asked_for_where_widths_will_do_or_are_not_known(low, high, n_more):
    assert verdict([row(SLOPE, 1.0, low=low, high=high)]).n_more == n_more


@pytest.mark.parametrize(
    ("half", "step"),
    [
        (0.1, "do not use it with patients; use the life table, or look for what the model misses"),
        (
            0.5,
            "do not use it with patients; use the life table, or collect about 1200 more cases and validate again",
        ),
    ],
)
def test_the_next_step_of_an_unfit_model_is_not_to_use_it(half, step):
    assert verdict([row(SLOPE, 0.1, low=0.1 - half, high=0.1 + half)]).next_step == step


STANDINGS = (NOT_FIT, WARNING, FIT)
VALUES = st.one_of(st.floats(0.05, 4.0), st.just(nan))


@given(VALUES, VALUES, st.floats(-0.3, 0.3), VALUES, st.floats(0, 1))
def test_a_further_blemish_never_makes_a_verdict_better(ratio, slope, gap, later, failed):
    rows = [row(RATIO, ratio), row(SLOPE, slope)]
    comparisons, mid_course = [beside(gap - 0.05, gap + 0.05)], [during(slope=later)]

    whole = verdict(rows, comparisons, mid_course, failed=failed)

    for part in (
        verdict(rows[:1], comparisons, mid_course, failed=failed),
        verdict(rows[1:], comparisons, mid_course, failed=failed),
        verdict(rows, BETTER, mid_course, failed=failed),
        verdict(rows, comparisons, (), failed=failed),
        verdict(rows, comparisons, mid_course),
    ):
        assert STANDINGS.index(whole.standing) <= STANDINGS.index(part.standing)
        assert set(part.reasons) <= set(whole.reasons)
    assert bool(whole.reasons) == (whole.standing != FIT)


EVEN = DCalibration(
    0.4, 1.0, 1.0, 0.53, PitHistogram(np.array([0, 0.5, 1]), np.full(2, 0.5), np.array([0.49, 0.51]))
)


def report(**changes):
    found = {
        "definition": "core",
        "method": "logistic",
        "scheme": "10-fold cross-validation by patient",
        "n_cases": 400,
        "n_patients": 350,
        "n_left_out": 2,
        "n_ended": {"relieved": 300, "stopped": 50},
        "level": 0.95,
        "rows": GOOD,
        "calibrations": {},
        "predictions": {},
        "incidence": (),
        "no_comparison": "",
        "d_calibration": EVEN,
        "instability": None,
        "verdict": Verdict(WARNING, ("the slope is low", "it is new"), "collect", 40),
        "definition_fingerprint": CARD.definition_fingerprint,
        "data_fingerprint": CARD.data_fingerprint,
        "made_by": "logistic hazard",
        "invented": True,
        "decisions": {},
    }
    # whatever else a report holds is empty
    nothing = {field.name: () for field in fields(ValidationReport)}
    return ValidationReport(**nothing | found | changes)


MODEL = toy_model(draws=10, method="logistic hazard, priors of the definition")


def test_the_stamp_puts_the_verdict_on_the_card_and_changes_nothing_else():
    stamped = report().stamp(MODEL)

    told = stamped.card.validated
    assert (told.standing, told.reasons, told.next_step, told.scheme) == (
        *(WARNING, ("the slope is low", "it is new"), "collect"),
        "10-fold cross-validation by patient",
    )
    assert 0 <= (date.today() - date.fromisoformat(told.date)).days + 1 <= 2  # UTC, by midnight a day apart
    assert replace(stamped, card=replace(stamped.card, validated=None)) == MODEL
    assert MODEL.card.validated is None


def test_a_later_stamp_takes_the_place_of_the_first():
    again = report(verdict=Verdict(FIT, (), "again", 0)).stamp(report().stamp(MODEL))

    assert again.card.validated.standing == FIT
    assert again.card.cautions == ()


@pytest.mark.parametrize(
    ("standing", "for_counselling", "cautions"),
    [
        (FIT, True, ()),
        (WARNING, True, ("Usable with a warning: too few.",)),
        (NOT_FIT, False, ("Not for counselling: this model failed its own checks.", "too few")),
    ],
)
def test_a_stamped_model_says_first_what_its_validation_found(standing, for_counselling, cautions):
    reasons = () if standing == FIT else ("too few",)

    card = report(verdict=Verdict(standing, reasons, "collect", 0)).stamp(MODEL).card

    assert card.for_counselling == for_counselling
    assert card.cautions == cautions


def test_the_stamp_survives_saving(tmp_path):
    stamped = report().stamp(MODEL)
    stamped.save(tmp_path / "stamped.retreat")

    assert retreat.load(tmp_path / "stamped.retreat").card.validated == stamped.card.validated


MADE_BY = ("logistic hazard, ridge 2", "Bayesian hazard", "life table")


@pytest.mark.parametrize(
    ("made_by", "words"),
    [
        (MADE_BY[0], "logistic hazard, ridge 2, smooth sessions"),
        (MADE_BY[1], "Bayesian hazard, NUTS"),
        (MADE_BY[2], "life table by kind"),
    ],
)
def test_the_stamp_fits_a_model_of_the_method_and_penalty_validated_alone(made_by, words):
    model = replace(MODEL, card=replace(MODEL.card, method=words))

    assert report(made_by=made_by).stamp(model).card.validated
    for other in {*MADE_BY, "logistic hazard, Firth"} - {made_by}:
        with pytest.raises(FitError, match=f"{words}; allowed: core, {other}, as validated"):
            report(made_by=other).stamp(model)


def test_a_model_fitted_to_other_cases_is_not_stamped():
    for fingerprint in ("0" * 64, ""):  # the latter of a report with imputations, which no fit makes
        with pytest.raises(FitError, match="fitted to other cases than were validated"):
            report(data_fingerprint=fingerprint).stamp(MODEL)


def test_a_model_of_another_definition_is_not_stamped():
    with pytest.raises(FitError, match="fit it again"):
        report(definition_fingerprint="0" * 64).stamp(MODEL)


def test_numbers_of_a_report_that_could_not_be_told_are_null_in_json():
    rows = (row(SLOPE, nan, low=nan, high=nan, reason="too few"),)
    told = report(rows=rows, mid_course=(during(slope=nan, reason="too few"),)).to_json()

    (measure,), (later,) = told["measures"], told["mid_course"]
    assert (measure["corrected"], measure["low"], measure["optimism"]) == (None, None, None)
    assert (later["slope"], later["slope_interval"], later["reason"]) == (None, [None, None], "too few")
    assert told["verdict"]["reasons"] == ["the slope is low", "it is new"]
    assert told["instability"] is None


def test_a_table_of_the_measures_has_the_optimism_beside_them():
    rows = (replace(row(SLOPE, 0.9), apparent=1.1),)

    table = report(rows=rows).table

    assert table.loc[0, "optimism"] == pytest.approx(0.2, rel=1e-12)
    assert np.isclose(
        table.loc[0, ["apparent", "corrected", "low", "high"]].astype(float), [1.1, 0.9, 0.89, 0.91]
    ).all()
