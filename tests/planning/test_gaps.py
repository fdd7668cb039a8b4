from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from retreat.errors import FitError
from retreat.planning.dates import first_monday, last_seen
from retreat.planning.gap_fit import bookings, fit_gaps, product_limit
from retreat.planning.gaps import Gaps, assumed_gaps

TODAY = date(2026, 6, 5)  # a Friday


def tables(rows):
    """One case a row: start, ending, then (session, day, missed)."""
    cases, visits = [], []
    for i, (start, ending, seen) in enumerate(rows):
        attended = sum(missed == "no" for _, _, missed in seen)
        cases.append((f"c{i}", start.isoformat(), attended, ending))
        visits += [(f"c{i}", session, float(day), missed) for session, day, missed in seen]
    return (
        pd.DataFrame(cases, columns=["case", "started", "sessions", "ending"]),
        pd.DataFrame(visits, columns=["case", "session", "day", "missed"]),
    )


def test_product_limit_agrees_with_statsmodels():
    from statsmodels.duration.survfunc import SurvfuncRight

    rng = np.random.default_rng(2)
    time, seen = rng.integers(1, 20, 300), rng.random(300) < 0.6
    reference = SurvfuncRight(time, seen.astype(int))
    found = 1 - np.cumsum(product_limit(time, seen, 26))
    np.testing.assert_allclose(found[reference.surv_times.astype(int)], reference.surv_prob, atol=1e-12)


def test_product_limit_by_hand():
    """Five waits, 1 1+ 2 3 3+ (plus: still open): 1/5, then 4/5 x 1/3, then 8/15 x 1/2."""
    found = product_limit(np.array([1, 1, 2, 3, 3]), np.array([True, False, True, True, False]), 4)
    np.testing.assert_allclose(found, [0, 1 / 5, 4 / 15, 4 / 15, 0], atol=1e-15)


def test_gaps_count_calendar_weeks_to_the_next_booking_attended_or_missed():
    monday = date(2026, 1, 5)
    cases, visits = tables(
        [
            (monday, "relieved", [(1, 0, "no"), (2, 27, "no")]),  # a Monday, then the Sunday of week 3
            (
                monday,
                "ongoing",
                [(1, 0, "no"), (2, 28, "yes"), (2, 42, "no")],
            ),  # missed in week 4, again in 6
            (monday, "stopped", [(1, 0, "no")]),  # needs none: not at risk
        ]
    )
    found = bookings(cases, visits, today=TODAY)
    pairs = sorted(zip(found.weeks.tolist(), found.followed.tolist(), found.missed.tolist(), strict=True))
    # the last session of the ongoing case has been seen for 15 weeks without another
    assert pairs == [(2, True, True), (3, True, False), (4, True, False), (15, False, False)]
    assert (found.booked.sum(), found.absent.sum()) == (3, 1)


def test_a_second_booking_in_the_week_of_a_session_counts_as_the_week_after():
    cases, visits = tables([(date(2026, 1, 5), "relieved", [(1, 0, "no"), (2, 2, "no")])])
    assert bookings(cases, visits, today=TODAY).weeks.tolist() == [1]


def test_bookings_of_a_week_not_yet_over_do_not_count():
    wednesday = date(2026, 6, 3)
    start = date(2026, 5, 4)
    cases, visits = tables([(start, "ongoing", [(1, 0, "no"), (2, 29, "no")])])
    found = bookings(cases, visits, today=wednesday)
    assert (found.weeks.tolist(), found.followed.tolist()) == ([3], [False])


@pytest.mark.slow
def test_returning_cases_lost_cases_and_missed_bookings_are_recovered():
    rng = np.random.default_rng(5)
    pmf, lost, missed = np.array([0, 0, 0.2, 0.5, 0.3]), 0.2, 0.15
    rows = []
    for _ in range(3000):
        start = TODAY - timedelta(days=int(rng.integers(0, 700)))
        seen, day, session = [(1, 0, "no")], 0, 1
        while rng.random() > lost and session < 6:
            day += 7 * int(rng.choice(5, p=pmf))
            while rng.random() < missed:
                seen.append((session + 1, day, "yes"))
                day += 7 * int(rng.integers(1, 3))
            session += 1
            seen.append((session, day, "no"))
        until = (TODAY - start).days
        rows.append(
            (
                start,
                "ongoing" if session < 6 or day > until else "relieved",
                [s for s in seen if s[1] <= until],
            )
        )
    gaps = fit_gaps(*tables(rows), today=TODAY)
    # standard errors near 0.006 with some 4,000 gaps
    np.testing.assert_allclose(gaps.pmf[:5], (1 - lost) * pmf, atol=0.025)
    assert abs(gaps.returning - (1 - lost)) < 0.025
    assert abs(gaps.missed - missed) < 0.02
    np.testing.assert_allclose(gaps.rebooked[1:3], 0.5, atol=0.06)


def test_open_gaps_pull_the_share_that_returns_down_no_further_than_they_were_seen():
    weeks = np.array([3] * 10 + [1] * 90)
    followed = np.array([True] * 10 + [False] * 90)
    assert product_limit(weeks, followed, 10).sum() == pytest.approx(1.0)


@given(st.lists(st.tuples(st.integers(0, 40), st.booleans()), max_size=60), st.integers(1, 30))
def test_the_product_limit_is_a_distribution(pairs, most):
    weeks = np.array([week for week, _ in pairs], dtype=np.int64)
    followed = np.array([seen for _, seen in pairs], dtype=bool)
    pmf = product_limit(weeks, followed, most)
    assert (pmf >= 0).all()
    assert pmf.sum() <= 1 + 1e-12


@given(st.integers(0, 9))
def test_what_follows_an_elapsed_wait_is_the_rest_of_the_distribution(elapsed):
    gaps = Gaps(np.array([0.0, 0.1, 0.3, 0.2, 0.2]), 0.8, 0.1, np.array([0.0, 0.5]))
    rest = gaps.after(elapsed)
    left = 1 - gaps.pmf[:elapsed].sum()
    np.testing.assert_allclose(rest.sum(), gaps.pmf[elapsed:].sum() / left, atol=1e-12)


@given(st.floats(1, 52))
def test_assumed_gaps_have_the_mean_given_from_two_weeks_on(weeks):
    gaps = assumed_gaps(weeks)
    assert gaps.assumed
    assert gaps.returning == 1.0
    assert gaps.mean_weeks == pytest.approx(weeks, abs=0.26 if weeks < 2 else 1e-9)


def test_too_few_gaps_ask_for_gap_weeks():
    cases, visits = tables([(date(2026, 1, 5), "relieved", [(1, 0, "no"), (2, 28, "no")])])
    with pytest.raises(FitError, match="gap_weeks"):
        fit_gaps(cases, visits, today=TODAY)


def test_days_after_today_and_years_alone_are_refused():
    cases, visits = tables([(date(2026, 1, 5), "relieved", [(1, 0, "no"), (2, 28, "no")])] * 12)
    with pytest.raises(FitError, match="after 2026-01-10"):
        fit_gaps(cases, visits, today=date(2026, 1, 10))
    with pytest.raises(FitError, match="12 of 12 cases bear a year only"):
        fit_gaps(cases.assign(started="2026"), visits, today=TODAY)


@pytest.mark.parametrize("value", [0.5, 60.0])
def test_a_gap_out_of_range_is_refused(value):
    with pytest.raises(FitError, match="1 to 52 weeks"):
        assumed_gaps(value)


def test_today_is_the_last_day_seen_and_week_one_the_monday_after():
    cases, visits = tables([(date(2026, 1, 5), "ongoing", [(1, 0, "no"), (2, 30, "no")])])
    assert last_seen(cases, visits) == date(2026, 2, 4)
    assert first_monday(last_seen(cases, visits)) == date(2026, 2, 9)


def clinic(rng, n, usual, *, missed=0.1, alike=0.0):
    """Cases of three sessions, gaps of `usual` weeks give or take one; with `alike` a case keeps its own pace."""
    rows = []
    for _ in range(n):
        start, day, seen = date(2025, 1, 6) + timedelta(weeks=int(rng.integers(0, 30))), 0, [(1, 0, "no")]
        pace = rng.integers(-1, 2)
        for session in (2, 3):
            day += 7 * int(usual + (pace if rng.random() < alike else rng.integers(-1, 2)))
            if rng.random() < missed:
                seen.append((session, day, "yes"))
                day += 14
            seen.append((session, day, "no"))
        rows.append((start, "relieved", seen))
    return tables(rows)


def test_plausible_laws_spread_about_the_estimate_as_it_spreads_over_clinics():
    rng = np.random.default_rng(11)
    fits = [fit_gaps(*clinic(rng, 40, 4, alike=1.0), today=TODAY, seed=i) for i in range(60)]
    over_clinics = np.std([fit.mean_weeks for fit in fits])
    within = np.sqrt(np.mean([np.var([law.mean_weeks for law in fit.plausible]) for fit in fits]))
    assert within == pytest.approx(
        over_clinics, rel=0.25
    )  # 60 clinics leave 9%; pairs as independent give 0.7
    missed = np.sqrt(np.mean([np.var([law.missed for law in fit.plausible]) for fit in fits]))
    # laws are spaced by pace, so that the missed share, which hardly moves it, is a plain sample
    assert missed == pytest.approx(np.std([fit.missed for fit in fits]), rel=0.3)


def test_more_visits_leave_less_doubt_and_an_assumed_gap_has_none_to_show():
    rng = np.random.default_rng(12)
    spread = [
        np.std([law.mean_weeks for law in fit_gaps(*clinic(rng, n, 4), today=TODAY).plausible])
        for n in (20, 320)
    ]
    assert spread[1] < spread[0] / 2
    assert len(assumed_gaps(4.0).laws) == 1


def test_the_order_of_cases_does_not_change_the_plausible_laws():
    cases, visits = clinic(np.random.default_rng(13), 30, 4)
    one = fit_gaps(cases, visits, today=TODAY)
    other = fit_gaps(
        cases.sample(frac=1, random_state=1).reset_index(drop=True),
        visits.sample(frac=1, random_state=2).reset_index(drop=True),
        today=TODAY,
    )
    for a, b in zip(one.plausible, other.plausible, strict=True):
        np.testing.assert_allclose(a.pmf, b.pmf, atol=1e-12)
        assert a.missed == pytest.approx(b.missed)


def watched(back, open_for):
    """Cases that came back after so many weeks, and cases seen for so many weeks without a booking."""
    monday = date(2026, 6, 1)  # the week of TODAY
    rows = [(monday - timedelta(weeks=n + 30), "relieved", [(1, 0, "no"), (2, 7 * n, "no")]) for n in back]
    rows += [(monday - timedelta(weeks=n), "ongoing", [(1, 0, "no")]) for n in open_for]
    return tables(rows)


def test_the_last_few_under_watch_do_not_make_everyone_return():
    """The product limit falls to 0 with the last at risk, whatever a hundred open cases said before."""
    gaps = fit_gaps(*watched([3] * 40 + [20], [12] * 60), today=TODAY)
    assert (
        product_limit(np.array([3] * 40 + [20] + [12] * 60), np.r_[[True] * 41, [False] * 60], 26).sum() == 1
    )
    assert 0.4 < gaps.returning < 0.9
    assert any("is not known" in note for note in gaps.notes)
    assert np.std([law.returning for law in gaps.plausible]) > 0.05


def test_waits_too_short_to_tell_are_not_called_lost():
    """A table of six weeks: nobody was watched for longer, so that a half of the rest is taken to return."""
    gaps = fit_gaps(*watched([3] * 20, [1, 2, 3, 4, 5] * 12), today=TODAY)
    told = next(note for note in gaps.notes if "is not known" in note)
    assert "50% were taken to" in told
    seen = gaps.pmf[:4].sum()
    assert gaps.returning == pytest.approx(seen + (1 - seen) / 2)


def test_enough_cases_watched_long_enough_settle_the_share_that_returns():
    gaps = fit_gaps(*watched([3] * 60, [40] * 20), today=TODAY)
    assert gaps.returning == pytest.approx(60 / 80)
    assert not gaps.notes or "is not known" not in gaps.notes[0]
