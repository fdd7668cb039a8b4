from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from practice import GAPS, TODAY, model, moments, poisson_arrivals, practice, second_eyes
from scipy.stats import nbinom

from retreat.errors import FitError
from retreat.planning.arrivals import Arrivals
from retreat.planning.demand import demand
from retreat.planning.gaps import Gaps, assumed_gaps
from retreat.planning.going_on import going_on
from retreat.planning.overdue import not_known, overdue
from retreat.planning.second_eyes import EDGES, SecondEyes
from retreat.planning.standing import open_cases
from retreat.planning.staying import staying
from retreat.planning.timetable import sessions_within, slot_counts, slots_by_session

NOBODY = {"arrivals": Arrivals.none(26), "second_eyes": SecondEyes.none()}


def plan(cases, visits, gaps=GAPS, *, of=None, arrivals=None, others=None, weeks=26, **wanted):
    return demand(
        of or model(), cases, gaps, arrivals or Arrivals.none(weeks), others or SecondEyes.none(),
        today=TODAY, weeks=weeks, visits=visits, **wanted,
    )  # fmt: skip


def short_courses():
    """A model whose courses end soon, so that none is cut by the end of the plan."""
    made = model()
    sooner = replace(made.parameters, session_effects=np.full_like(made.parameters.session_effects, 1.0))
    return replace(made, parameters=sooner)


@pytest.mark.parametrize("name", ["core", "full", "lifetable", "second_session", "frailty", "mover_stayer"])
def test_going_on_agrees_with_the_forecast(name):
    made = model(name)
    cases, _ = practice(12)
    cases.loc[:3, "size_mm"] = np.nan
    done = cases["sessions"].to_numpy()
    found = staying(made, {k: cases[k].to_numpy() for k in cases}, done, further=5, draws=20)
    forecast = made.forecast(cases, horizon=7)
    for i, k in enumerate(done):
        known = max(0, min(4, forecast.horizon - k))
        np.testing.assert_allclose(
            found[:, i, 1 : known + 1], forecast.in_treatment[:, i, k : k + known], atol=1e-10
        )
    assert (found[:, :, 0] == 1).all()


def test_one_case_by_hand():
    """Gap always 2 weeks, nothing missed: the next session is in week 2 after the last, the one after in week 4."""
    cases, visits = practice(1, seed=3)
    cases["started"], cases["sessions"], visits = "2026-03-23", 1, visits.head(1)
    gaps = Gaps(np.array([0.0, 0.0, 1.0]), 1.0, 0.0, np.array([0.0, 1.0]))
    found = plan(cases, visits, gaps, weeks=8)
    stay = going_on(model(), cases, further=3, draws=20).stay.mean(axis=0)[0]
    # this week ends before week 1 begins, so that week 2 after the session is week 2 of the plan
    np.testing.assert_allclose(found.mean, [0, 1, 0, stay[1], 0, stay[2], 0, found.mean[7]], atol=1e-9)
    assert found.totals[4][1] == pytest.approx(1 - stay[1], abs=1e-9)
    assert found.start == date(2026, 3, 30)


@pytest.mark.parametrize("size", [np.inf, 2.0])
def test_means_follow_the_law_of_total_expectation(size):
    """Expected slots of new starts and second eyes: starts times expected slots since a start, summed over weeks."""
    cases, visits = practice(30)
    arrivals = Arrivals(np.linspace(1, 5, 10)[:, None] * np.linspace(1, 2, 26), np.full(10, size))
    found = plan(cases, visits, arrivals=arrivals, others=second_eyes())
    np.testing.assert_allclose(found.mean, sum(found.parts.values()), rtol=1e-6)
    for weeks, pmf in found.totals.items():
        # the total stands on the draws chosen for it: 20 of 20 here
        assert moments(pmf)[0] == pytest.approx(found.mean[:weeks].sum(), rel=1e-6)


def test_expected_slots_of_open_cases_are_their_expected_sessions_over_attendance():
    """Everyone returns at once and nothing is lost: bookings = sessions / (1 - missed), over a long span."""
    cases, visits = practice(15)
    cases["started"], cases["sessions"] = "2026-03-23", 1
    visits = visits.groupby("case").head(1)
    gaps = Gaps(np.array([0.0, 0.5, 0.5]), 1.0, 0.2, np.array([0.0, 0.7, 0.3]))
    found = plan(cases, visits, gaps, of=short_courses(), weeks=104)
    course = going_on(short_courses(), cases, further=60, draws=20).stay.mean(axis=0).sum()
    assert found.mean.sum() == pytest.approx(course / 0.8, rel=2e-3)


@settings(max_examples=25, deadline=None)
@given(
    st.lists(st.floats(0, 1), min_size=2, max_size=6),
    st.floats(0.01, 1),
    st.floats(0, 0.9),
    st.integers(1, 30),
)
def test_a_case_uses_at_most_one_slot_a_week_and_counts_agree_with_weeks(shape, returning, missed, weeks):
    pmf = np.r_[0.0, np.array(shape) + 1e-3]
    pmf *= returning / pmf.sum()
    gaps = Gaps(pmf, returning, missed, np.array([0.0, 0.4, 0.4]))
    sessions = sessions_within(gaps, weeks)
    use = slots_by_session(gaps.after(1), gaps, weeks=weeks, sessions=weeks)
    assert (use >= 0).all()
    assert use.sum(axis=0).max() <= 1 + 1e-12
    counts = slot_counts(gaps.after(1), gaps, spans=(weeks,), sessions=weeks)[0]
    np.testing.assert_allclose(counts.sum(axis=0), use.sum(axis=1), atol=1e-10)  # by session
    assert (np.diff(counts.sum(axis=1)) <= 1e-12).all()
    assert 1 <= sessions <= weeks


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 12), st.integers(1, 20), st.integers(0, 10**6))
def test_weekly_distributions_add_to_one_whatever_the_practice(n, weeks, seed):
    cases, visits = practice(n, seed=seed)
    found = plan(cases, visits, weeks=weeks, arrivals=poisson_arrivals(2, weeks), others=second_eyes())
    np.testing.assert_allclose(found.weekly.sum(axis=1), 1, atol=1e-9)
    assert (found.weekly >= 0).all()
    low, middle, high = found.quantiles((0.1, 0.5, 0.9))
    assert ((low <= middle) & (middle <= high)).all()
    assert set(found.totals) == {span for span in (4, 8, 13) if span <= weeks}


def test_the_order_of_rows_does_not_matter():
    cases, visits = practice(25)
    one = plan(cases, visits)
    other = plan(cases.sample(frac=1, random_state=1), visits.sample(frac=1, random_state=2))
    np.testing.assert_allclose(one.weekly, other.weekly, atol=1e-10)


def test_only_new_starts_are_poisson_about_their_mean():
    cases, visits = practice(10)
    cases = cases.assign(ending="relieved")
    found = plan(cases, visits, arrivals=Arrivals(np.full((20, 26), 3.0), np.full(20, np.inf)))
    mean, sd = moments(found.weekly)
    assert found.n_open == 0
    assert found.weekly[0, 0] == pytest.approx(np.exp(-3.0), rel=1e-6)
    assert (sd**2 >= mean * (1 - 1e-6)).all()  # Poisson given the draw, wider when mixed


def test_a_case_refused_by_the_model_counts_as_the_mean_and_is_noted():
    cases, visits = practice(10)
    cases.loc[0, "sessions"] = 40
    visits.loc[visits["case"] == "c0", "day"] = 0.0
    found = plan(cases, None)
    assert any("outside what the model saw" in note for note in found.notes)
    assert found.n_open + n_past(found) == 10


def n_past(found):
    """Cases told to be past the longest gap."""
    told = [note for note in found.notes if "past the longest gap" in note]
    return int(told[0].split()[0]) if told else 0


def some_waiting(n, waiting):
    """A practice of which the first few cases have not begun."""
    cases, visits = practice(n)
    cases.loc[: waiting - 1, ["started", "sessions"]] = ["not_applicable", 0]
    return cases, visits[~visits["case"].isin(cases["case"][:waiting])].reset_index(drop=True)


def test_cases_not_yet_begun_are_due_in_week_one_besides_new_starts():
    cases, visits = some_waiting(10, 3)
    gaps = replace(GAPS, missed=0.0)
    found = plan(cases, visits, gaps, arrivals=poisson_arrivals(2))
    without = plan(cases[3:].reset_index(drop=True), visits, gaps, arrivals=poisson_arrivals(2))
    assert found.mean[0] - without.mean[0] == pytest.approx(3.0, abs=1e-3)
    assert found.parts["waiting"][0] == pytest.approx(3.0)
    # their courses are those the model forecasts for them, from before the first session
    course = going_on(model(), cases[:3], further=40, draws=20).stay.mean(axis=0).sum()
    spread = plan(cases[:3], None, replace(gaps, pmf=np.array([0.0, 1.0]), returning=1.0), weeks=52)
    assert spread.mean.sum() == pytest.approx(course, rel=5e-3)
    assert "3 cases that have not begun count as due from week 1" in found.notes[0]


def test_no_case_is_left_out_of_the_numbers_without_a_word():
    """62 of 76 open cases used to vanish under an assumed gap of 3 weeks, and nobody was told."""
    cases, visits = practice(60)
    found = plan(cases, visits, assumed_gaps(3.0))
    assert found.n_open < 60
    assert found.n_open + n_past(found) == 60


def test_the_chance_to_return_counts_missed_bookings_as_demand_does():
    cases, visits = practice(1)
    cases["started"], cases["sessions"] = "2025-12-01", 1
    visits = visits.head(1)
    visits.loc[1] = ["c0", 2, 108.0, "yes"]  # 19 March 2026, a week before the plan is made
    standing = open_cases(cases, GAPS, today=TODAY, visits=visits)
    assert standing.back[0] == pytest.approx(GAPS.after_missed(2).sum())
    listed = overdue(standing, GAPS)
    assert listed.empty or listed["back"].iloc[0] == pytest.approx(standing.back[0])


def test_a_case_late_after_a_missed_booking_is_listed_with_the_chance_that_demand_uses():
    cases, visits = practice(2, seed=5)
    cases["started"], cases["sessions"] = "2026-02-02", 1
    visits = visits.groupby("case").head(1).reset_index(drop=True)
    visits.loc[2] = [
        "c1",
        2,
        42.0,
        "yes",
    ]  # 16 March: one week passed without a booking, within the usual three
    listed = overdue(open_cases(cases, GAPS, today=TODAY, visits=visits), GAPS)
    assert listed["case"].tolist() == ["c0"]
    assert listed["weeks_since"].tolist() == [7]  # the weeks from 9 February to that of 23 March
    assert listed["back"].iloc[0] == pytest.approx(GAPS.after(8).sum())


def test_without_visits_the_last_booking_of_later_sessions_is_not_known():
    cases, _ = practice(20)
    standing = open_cases(cases, assumed_gaps(4.0), today=TODAY)
    assert not_known(standing) == int((cases["sessions"] > 1).sum()) > 0


def test_lasting_doubt_about_second_eyes_is_used_with_every_draw():
    """Rows of draws share a chance of second eyes; each of 20 here has its own."""
    cases, visits = practice(5)
    found = plan(cases, visits, others=second_eyes(rate=0.1, draws=2))
    low, high = (plan(cases, visits, others=second_eyes(rate=rate, draws=1)) for rate in (0.1, 0.15))
    assert moments(found.weekly)[1][0] > moments(low.weekly)[1][0]
    assert low.mean[0] < found.mean[0] < high.mean[0]


def test_a_case_that_missed_its_booking_waits_for_the_next():
    cases, visits = practice(2, seed=5)
    cases["started"], cases["sessions"] = "2026-03-09", 1
    visits = visits.groupby("case").head(1).reset_index(drop=True)
    visits.loc[2] = ["c1", 2, 14.0, "yes"]
    found = open_cases(cases, GAPS, today=TODAY, visits=visits)
    np.testing.assert_allclose(found.first[found.clock[0]], GAPS.after(3))
    np.testing.assert_allclose(found.first[found.clock[1]], GAPS.after_missed(1))
    assert found.weeks_since.tolist() == [3, 1]


def test_without_visits_the_last_session_is_placed_by_the_gap_and_noted():
    cases, _ = practice(10)
    found = plan(cases, None, assumed_gaps(4.0))
    assert any("without visits" in note for note in found.notes)
    assert any("assumed" in note for note in found.notes)


def test_a_case_long_away_needs_nothing_more():
    cases, visits = practice(1)
    cases["started"], visits["day"] = "2020-01-06", 0.0
    assert plan(cases, visits).mean.sum() == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"weeks": 0}, "1 to 104"),
        ({"draws": 0}, "at least 1"),
        ({"arrivals": Arrivals.none(3)}, "at least the 26"),
    ],
)
def test_what_cannot_be_planned_is_refused(changes, told):
    cases, visits = practice(3)
    with pytest.raises(FitError, match=told):
        plan(cases, visits, **changes)


def test_tables_name_each_week():
    cases, visits = practice(5)
    table = plan(cases, visits, weeks=13).table()
    assert list(table.columns) == [
        "week",
        "monday",
        "mean",
        "low",
        "middle",
        "high",
        "open",
        "waiting",
        "second_eyes",
        "new",
    ]
    assert table["monday"].iloc[1] == "2026-04-06"
    assert plan(cases, visits, weeks=13).totals_table()["weeks"].tolist() == [4, 8, 13]


@pytest.mark.parametrize("size", [0.5, 4.0, 60.0])  # heaped, heaped, and mild enough for the exact way
def test_new_starts_of_the_first_week_are_negative_binomial(size):
    cases, visits = practice(10)
    cases = cases.assign(ending="relieved")
    arrivals = Arrivals(np.full((50, 13), 6.0), np.full(50, size))
    found = plan(cases, visits, of=model(draws=4000), arrivals=arrivals, weeks=13)
    k = np.arange(found.weekly.shape[1])
    expected = nbinom.cdf(k, size, size / (size + 6.0))
    # 4,000 gammas spread evenly leave 0.002
    np.testing.assert_allclose(np.cumsum(found.weekly[0]), expected, atol=2e-3)
    assert found.mean[0] == pytest.approx(6.0, rel=5e-3)


SLOWER = Gaps(np.array([0.0, 0.0, 0.0, 0.0, 0.1, 0.3, 0.4]), 0.8, 0.2, np.array([0.0, 0.2, 0.3, 0.4]))


def test_a_plan_is_mixed_over_the_plausible_laws_of_the_gaps():
    """Each law alone with its half of the draws, and the mean of the two; nothing else is random given the draw."""
    cases, visits = practice(30)
    made = model(draws=20)
    # the same draw 20 times over, so that halves of the draws are alike
    p = made.parameters
    still = replace(
        made, parameters=replace(p, **{
            name: np.repeat(getattr(p, name)[:1], 20, axis=0)
            for name in ("coefficients", "session_effects", "operator_effect", "patient_loading", "never")
            if getattr(getattr(p, name), "ndim", 0) and len(getattr(p, name)) == 20
        }),
    )  # fmt: skip
    both, one, two = (
        plan(cases, visits, law, of=still, arrivals=poisson_arrivals(2, draws=1), others=second_eyes(draws=1))
        for law in (replace(GAPS, plausible=(GAPS, SLOWER)), GAPS, SLOWER)
    )
    # 5e-4: a law alone leaves out sessions that fewer than one in 10,000 reach, more of them where gaps are long
    n = max(x.weekly.shape[1] for x in (both, one, two))
    wide = [np.pad(x.weekly, ((0, 0), (0, n - x.weekly.shape[1]))) for x in (both, one, two)]
    np.testing.assert_allclose(wide[0], (wide[1] + wide[2]) / 2, atol=5e-4)
    for span in (4, 8, 13):
        n = max(len(x.totals[span]) for x in (both, one, two))
        whole = [np.pad(x.totals[span], (0, n - len(x.totals[span]))) for x in (both, one, two)]
        np.testing.assert_allclose(whole[0], (whole[1] + whole[2]) / 2, atol=5e-4)
    np.testing.assert_allclose(both.mean, sum(both.parts.values()), rtol=1e-6)


@pytest.mark.parametrize(
    ("day", "told"), [(date(2026, 3, 25), True), (TODAY, False), (date(2026, 3, 30), True)]
)
def test_a_plan_made_within_a_week_says_what_it_leaves_out(day, told):
    cases, visits = practice(10)
    cases["started"], cases["sessions"] = "2026-03-09", 1
    found = open_cases(cases, GAPS, today=day, visits=visits.groupby("case").head(1))
    assert any("what remains of this week is not in the plan" in note for note in found.notes) == told


def test_ten_thousand_open_cases_are_answered():
    cases, visits = practice(10_050)
    found = plan(cases, visits, weeks=8, of=model(draws=4000))
    assert found.n_open + n_past(found) == 10_050
    assert any("of 4,000 draws of the model were used" in note for note in found.notes)


def test_starts_that_may_or_may_not_be_heaped_are_mixed():
    """Some draws Poisson, some negative binomial, and other eyes that follow: every draw has a distribution."""
    cases, visits = practice(5)
    arrivals = Arrivals(np.full((2, 26), 4.0), np.array([np.inf, 3.0]))
    found = plan(cases, visits, arrivals=arrivals, others=second_eyes(rate=0.02))
    np.testing.assert_allclose(found.weekly.sum(axis=1), 1.0, atol=1e-9)


def test_the_two_eyes_of_a_new_patient_do_not_spread_as_two_patients_do():
    """Everyone brings both eyes in one week, each for one session: twice a Poisson count, not a Poisson count."""
    cases, visits = practice(5)
    both = SecondEyes(np.full((1, len(EDGES) - 1), 1 - 1e-9), np.zeros(0, dtype=int))
    found = plan(
        cases.assign(ending="relieved"), visits, of=short_courses(), weeks=13, others=both,
        arrivals=Arrivals(np.full((1, 13), 3.0), np.full(1, np.inf)),
    )  # fmt: skip
    mean, sd = moments(found.weekly)
    assert mean[0] == pytest.approx(6.0, rel=1e-6)
    assert sd[0] ** 2 == pytest.approx(12.0, rel=1e-5)
    assert found.weekly[0, 1::2].max() < 1e-8  # never one eye alone
    total = found.totals[4]
    assert moments(total)[0] == pytest.approx(mean[:4].sum(), rel=1e-5)
