"""The plan of an invented clinic: its parts agree, its exports hold the same numbers, changes are compared fairly."""

from __future__ import annotations

import io
import time
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import openpyxl
import pandas as pd
import pytest

import retreat
import synthetic
from retreat.errors import FitError, TableError
from retreat.model import Model
from retreat.planning.arrivals import Arrivals
from retreat.planning.backlog import carried
from retreat.planning.capacity import Clinic
from retreat.planning.courses import Courses, draw_courses
from retreat.planning.dates import last_seen
from retreat.planning.exports import blocks, dealt, folded, to_calendar, to_csv, to_workbook
from retreat.planning.gaps import Gaps
from retreat.planning.money import Prices
from retreat.planning.plan import Plan
from retreat.planning.queue import simulate
from retreat.planning.second_eyes import SecondEyes
from retreat.planning.standing import open_cases
from retreat.planning.what_if import SCENARIOS, paired, what_if
from retreat.planning.wording import chance

CLINIC = Clinic(6, (0, 3))


@pytest.fixture(scope="module")
def tables(tmp_path_factory: pytest.TempPathFactory) -> tuple[pd.DataFrame, pd.DataFrame]:
    folder = tmp_path_factory.mktemp("clinic")
    synthetic.make("established", seed=21, cases=400, truth=False).write(folder)
    return retreat.read_cases(folder / "cases.csv"), retreat.read_visits(folder / "visits.csv")


@pytest.fixture(scope="module")
def model(tables: tuple[pd.DataFrame, pd.DataFrame]) -> Model:
    return retreat.fit(tables[0], "core", seed=1, draws=300)


@pytest.fixture(scope="module")
def made(model: Model, tables: tuple[pd.DataFrame, pd.DataFrame]) -> Plan:
    prices = Prices("XYZ", 10.0, 4.0, {"ring": 9.0}, 1.0, 3.0)
    return retreat.plan(model, *tables, clinic=CLINIC, prices=prices)


@pytest.fixture(scope="module")
def courses(made: Plan, model: Model, tables: tuple[pd.DataFrame, pd.DataFrame]) -> Courses:
    return made.courses(model, *tables, runs=60)


def test_ranges_lie_within_each_other_and_shortage_falls_with_what_is_open(made: Plan, model: Model) -> None:
    for frame in (made.table(), made.totals()):
        edges = frame[["low95", "low80", "middle", "high80", "high95"]].to_numpy()
        assert (np.diff(edges, axis=1) >= 0).all()
        assert frame["left"].between(0, 1).all()
    assert made.demand.beyond(np.zeros(26, dtype=np.int64)).min() >= made.beyond.max()
    assert (made.totals()["ever_left"] >= made.totals()["left"]).all()
    assert made.cautions == model.card.cautions


def test_slots_of_a_week_cover_nine_weeks_in_ten(
    made: Plan, model: Model, tables: tuple[pd.DataFrame, pd.DataFrame]
) -> None:
    bare = retreat.plan(model, *tables, draws=300)
    weekly = bare.demand.weekly[:13]
    assert weekly[:, : bare.cover + 1].sum(axis=1).mean() >= 0.9 > weekly[:, : bare.cover].sum(axis=1).mean()
    need = made.backlog.need[:, :13]
    left = [carried(need, np.full(13, n)).waiting.mean() for n in (made.cover, made.cover - 1)]
    assert left[0] <= 0.1 < left[1]


def test_open_cases_are_told_apart_into_likely_silent_and_waiting(
    made: Plan, tables: tuple[pd.DataFrame, pd.DataFrame]
) -> None:
    open_cases = tables[0][tables[0]["ending"] == "ongoing"]
    assert sum(made.eyes.values()) + made.n_silent == len(open_cases)
    assert made.eyes.get(0, 0) == int((open_cases["sessions"] == 0).sum())
    assert made.n_silent > 0  # one in twelve is lost after each session, over seven years
    assert made.demand.n_open <= len(open_cases)


def test_what_is_left_waiting_is_carried_over_and_not_lost(
    model: Model, tables: tuple[pd.DataFrame, pd.DataFrame], made: Plan
) -> None:
    """Two closed weeks: what falls due in them is left, and the blocks of the week after hold it."""
    shut = tuple(made.start + timedelta(days=i) for i in range(7, 21))
    prices = Prices("XYZ", 10.0, 4.0, {}, 1.0, 3.0)
    found = retreat.plan(model, *tables, clinic=Clinic(6, (0, 3), closed=shut), prices=prices, draws=300)
    assert found.backlog.waiting[2] > 0.9 > made.backlog.waiting[2]
    assert found.backlog.mean_left[2] == pytest.approx(
        found.backlog.need[:, 1:3].sum(axis=1).mean() + found.backlog.mean_left[0], rel=1e-9
    )
    after = (made.start + timedelta(weeks=3), made.start + timedelta(weeks=4))
    held = [sum(n for day, n, _ in blocks(one) if after[0] <= day < after[1]) for one in (made, found)]
    assert held[1] > held[0]
    assert found.cover > made.cover
    income = [sum(week[0] for week in one.money.income) for one in (made, found)]
    assert income[1] > 0.9 * income[0]  # paid later, not lost
    assert found.money.income[1][0] == 0.0
    assert found.money.best_slots >= made.money.best_slots


def test_a_shortage_in_some_week_is_not_hidden_by_the_total_of_four(
    model: Model, tables: tuple[pd.DataFrame, pd.DataFrame], made: Plan
) -> None:
    room = made.cover
    found = retreat.plan(model, *tables, clinic=Clinic(room, (0,)), draws=300)
    row = found.totals().iloc[0]
    total = found.demand.totals[4]
    in_total = float(total[np.arange(len(total)) > 4 * room].sum())
    assert row["ever_left"] > row["left"] >= in_total - 0.03  # 1,000 runs leave 0.016
    assert (
        f"at the end of some week {chance(row['ever_left'])}, at the end of the 4 weeks" in found.words()[0]
    )


def test_a_queue_without_end_of_slots_uses_what_the_plan_expects(made: Plan, courses: Courses) -> None:
    # sums over 26 weeks of 60 runs against the exact mean, |z| < 4: false alarm 1 in 16,000
    waits = simulate(courses, Clinic(200, (0, 1, 2, 3, 4)))
    used = waits.used[:, :24].sum(axis=1)
    expected = made.demand.mean[:24].sum()
    assert abs(used.mean() - expected) < 4 * used.std(ddof=1) / np.sqrt(len(used))


def test_open_cases_need_as_many_sessions_as_the_model_says(
    model: Model, tables: tuple[pd.DataFrame, pd.DataFrame]
) -> None:
    # everybody comes back, so every open case is in every run; |z| < 4: false alarm 1 in 16,000
    late = np.r_[0.0, np.full(600, 1 / 600)]
    gaps = Gaps(late, 1.0, 0.0, late)
    drawn = draw_courses(
        model, tables[0], tables[1], gaps, Arrivals.none(13), SecondEyes.none(),
        today=date(2024, 12, 30), weeks=13, runs=300,
    )  # fmt: skip
    begun = tables[0][tables[0]["ending"] == "ongoing"]
    needed = np.array([sum(sum(case.needed) for case in run) for run in drawn.runs])
    assert all(len(run) == len(begun) for run in drawn.runs)
    expected = model.forecast(begun, horizon=40).sessions()["further"].sum()
    assert abs(needed.mean() - expected) < 4 * needed.std(ddof=1) / np.sqrt(len(needed))


def test_a_plan_made_within_a_week_begins_on_the_next_monday(
    model: Model, tables: tuple[pd.DataFrame, pd.DataFrame]
) -> None:
    found = retreat.plan(model, *tables, today="2025-01-01", clinic=Clinic(6, (0,)), draws=50)  # a Wednesday
    assert found.start == found.demand.start == date(2025, 1, 6)
    assert found.table()["monday"].iloc[0] == "2025-01-06"
    # a Monday of which the tables tell nothing is planned from the Sunday before
    found = retreat.plan(model, *tables, today="2025-01-06", draws=50)
    assert (found.today, found.start) == (date(2025, 1, 5), date(2025, 1, 6))
    assert not any("remains of this week" in note for note in found.notes)


def test_a_day_to_come_is_refused_and_an_old_or_silent_table_is_told(
    model: Model, tables: tuple[pd.DataFrame, pd.DataFrame], monkeypatch: pytest.MonkeyPatch
) -> None:
    last = last_seen(*tables)
    told = {"the tables end on": (8, None), "nothing after": (40, 15), "": (7, None), " ": (40, 14)}
    for words, (now, day) in told.items():
        monkeypatch.setattr("retreat.planning.day_of_plan.real_day", lambda n=now: last + timedelta(days=n))
        today = None if day is None else last + timedelta(days=day)
        found = retreat.plan(model, *tables, today=today, draws=50)
        said = [note for note in found.notes if "the tables" in note]
        assert (len(said) == 1 and words in said[0]) if words.strip() else not said
    with pytest.raises(FitError, match="still to come"):
        retreat.plan(model, *tables, today=last + timedelta(days=41), draws=50)


def test_with_visits_an_assumed_gap_still_learns_who_returns_and_what_is_missed(
    model: Model, tables: tuple[pd.DataFrame, pd.DataFrame], made: Plan
) -> None:
    found = retreat.plan(model, *tables, gap_weeks=5, draws=50)
    assert found.gaps.assumed
    assert (found.gaps.missed, found.gaps.returning) == (made.gaps.missed, made.gaps.returning)
    assert found.gaps.mean_weeks == pytest.approx(5.0)
    alone = retreat.plan(model, tables[0], gap_weeks=5, draws=50)
    assert any("all come back and that 0% of bookings are missed" in note for note in alone.notes)


def test_full_weeks_of_the_past_make_lower_bounds(
    model: Model, tables: tuple[pd.DataFrame, pd.DataFrame], made: Plan
) -> None:
    tight = retreat.plan(model, *tables, clinic=Clinic(1, (0,)), draws=50)
    assert tight.full_weeks.bound
    assert any("lower bounds" in note for note in tight.notes)
    assert not made.full_weeks.bound
    assert not any("lower bounds" in note for note in made.notes)


def test_parts_add_to_the_mean_however_it_was_found(
    model: Model, tables: tuple[pd.DataFrame, pd.DataFrame], made: Plan
) -> None:
    together = retreat.plan(model, *tables, clinic=Clinic(6, (0, 3), both_eyes_same_day=True), draws=300)
    for one in (made, together):
        np.testing.assert_allclose(one.demand.mean, sum(one.demand.parts.values()), rtol=1e-6)


def test_changes_are_compared_under_the_same_chance_events(courses: Courses) -> None:
    tight = Clinic(3, (0,))
    found = {one.name: one for one in what_if(courses, tight, SCENARIOS)}
    assert found["half_day"].first_wait.high < 0 < found["closed_fortnight"].first_wait.low
    assert found["referrals"].backlog.low > 0
    assert found["second_operator"].first_wait.mean < found["half_day"].first_wait.mean


def test_paired_differences_spread_less_than_those_of_clinics_with_luck_of_their_own(
    courses: Courses,
) -> None:
    now = simulate(courses, CLINIC).used.sum(axis=1)
    more = simulate(courses, CLINIC, keep=lambda case: not case.is_extra or case.mark < 0.2).used.sum(axis=1)
    assert np.std(more - now) < 0.7 * np.std(np.roll(more, 1) - now)


def test_too_few_runs_are_not_compared(
    made: Plan, model: Model, tables: tuple[pd.DataFrame, pd.DataFrame]
) -> None:
    with pytest.raises(FitError, match="at least 10"):
        what_if(made.courses(model, *tables, runs=9), CLINIC, ["referrals"])


def test_the_interval_of_a_difference_is_students() -> None:
    # scipy.stats.t.ppf(0.975, 9) = 2.262 (scipy 1.18); differences 0 to 9: mean 4.5, standard error 0.957
    found = paired(np.zeros(10), np.arange(10.0))
    assert found.high - found.mean == pytest.approx(2.262 * 0.957, rel=1e-3)


def test_no_change_makes_no_difference(courses: Courses) -> None:
    one, other = simulate(courses, CLINIC), simulate(courses, CLINIC)
    effect = paired(one.first, other.first)
    assert (effect.mean, effect.low, effect.high) == (0.0, 0.0, 0.0)


def test_referrals_only_add_cases_and_triage_only_removes_them(courses: Courses) -> None:
    wide = Clinic(100, (0, 1, 2, 3, 4))
    now = simulate(courses, wide).used.sum(axis=1)
    more = simulate(courses, wide, keep=lambda c: not c.is_extra or c.mark < 0.2).used.sum(axis=1)
    fewer = simulate(
        courses, wide, keep=lambda c: not c.is_extra and not (c.is_first and c.is_slight)
    ).used.sum(axis=1)
    assert (more >= now).all()
    assert (fewer <= now).all()
    assert more.mean() > now.mean() > fewer.mean()


def test_an_unknown_change_is_refused(courses: Courses) -> None:
    with pytest.raises(FitError, match="no scenario is called magic"):
        what_if(courses, CLINIC, ["magic"])


def test_the_overdue_are_open_and_late(made: Plan, tables: tuple[pd.DataFrame, pd.DataFrame]) -> None:
    cases, visits = tables
    late = made.overdue
    assert set(late["case"]) <= set(cases.loc[cases["ending"] == "ongoing", "case"])
    assert (late["weeks_since"] > late["late_after"]).all()
    assert late["weeks_since"].is_monotonic_increasing
    assert late["back"].between(0, 1).all()
    standing = open_cases(cases, made.gaps, today=made.today, visits=visits)
    back = dict(zip(standing.cases["case"], standing.back, strict=True))
    assert late["back"].tolist() == [back[key] for key in late["case"]]


def test_the_workbook_holds_the_numbers_of_the_plan(made: Plan) -> None:
    book = openpyxl.load_workbook(io.BytesIO(to_workbook(made)))
    assert book.sheetnames == ["plan", "weeks", "totals", "eyes", "overdue", "courses", "income"]
    rows = list(book["weeks"].values)
    assert rows[0] == tuple(made.table().columns)
    middle = [row[rows[0].index("middle")] for row in rows[1:]]
    assert middle == made.table()["middle"].tolist()
    assert str(book["plan"]["A1"].value) == made.cautions[0]


def test_csv_holds_the_numbers_and_the_caution_on_every_row(made: Plan) -> None:
    back = pd.read_csv(io.StringIO(to_csv(made)))
    assert back["open"].tolist() == made.table()["open"].tolist()
    assert (back["caution"] == " ".join(made.cautions)).all()


def test_blocks_lie_on_open_days_and_hold_what_covers_nine_weeks_in_ten(made: Plan) -> None:
    found = blocks(made)
    assert all(day.weekday() in (0, 3) and 0 <= needed <= held == 6 for day, needed, held in found)
    first = sum(needed for day, needed, _ in found if day < made.start + timedelta(weeks=1))
    reached = np.cumsum(made.demand.weekly[0])
    # nothing waits before week 1; 1,000 runs leave a slot or so at the 90% point
    assert abs(first - min(12, int(np.argmax(reached >= 0.9 - 1e-9)))) <= 1


def test_a_later_calendar_takes_the_place_of_an_earlier_one(made: Plan) -> None:
    def uids(text: str, name: str) -> list[str]:
        return [line for line in text.replace("\r\n ", "").split("\r\n") if line.startswith(name)]

    now = to_calendar(made, practice="a")
    later = to_calendar(replace(made, today=made.today + timedelta(days=1)), practice="a")
    assert uids(now, "UID:") == uids(later, "UID:")
    assert max(uids(now, "SEQUENCE:")) < min(uids(later, "SEQUENCE:"))
    assert not set(uids(now, "UID:")) & set(uids(to_calendar(made, practice="b"), "UID:"))


def test_blocks_that_are_too_few_do_not_say_that_they_are_enough(
    model: Model, tables: tuple[pd.DataFrame, pd.DataFrame], made: Plan
) -> None:
    tight = retreat.plan(model, *tables, clinic=Clinic(1, (0,)), draws=50)
    text = to_calendar(tight).replace("\r\n ", "")
    assert "fewer than are enough in 9 weeks of 10" in text
    assert "enough slots in 9 weeks" not in text


def test_the_calendar_is_as_rfc_5545_wants_it(made: Plan) -> None:
    # RFC 5545: CRLF ends a line (3.1), at most 75 octets a line (3.1), required properties of an event (3.6.1)
    text = to_calendar(made)
    lines = text.encode().split(b"\r\n")
    assert lines[-1] == b""
    assert b"\n" not in b"".join(lines)
    assert max(map(len, lines)) <= 75
    whole = text.replace("\r\n ", "")
    events = whole.split("BEGIN:VEVENT")[1:]
    assert len(events) == sum(needed > 0 for _, needed, _ in blocks(made))
    assert len({line for line in whole.split("\r\n") if line.startswith("UID:")}) == len(events)
    for event in events:
        assert all(name in event for name in ("UID:", "DTSTAMP:", "DTSTART;VALUE=DATE:", "END:VEVENT"))
        assert made.cautions[0] in event
    assert whole.startswith("BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:")


def test_folded_lines_unfold_to_what_they_were() -> None:
    text = "ä" * 90 + ", € " * 40
    assert "\r\n".join(folded(text)).replace("\r\n ", "") == text
    assert max(len(part.encode()) for part in folded(text)) <= 75


def test_slots_are_dealt_whole_and_none_is_lost() -> None:
    assert [sum(dealt(n, [6, 3, 6])) for n in (0, 4, 15, 99)] == [0, 4, 15, 15]


def test_the_least_gap_of_a_clinic_moves_shorter_ones_up(
    model: Model, tables: tuple[pd.DataFrame, pd.DataFrame]
) -> None:
    found = retreat.plan(model, *tables, clinic=Clinic(6, (0,), min_gap_weeks=5), draws=100)
    assert found.gaps.pmf[:5].sum() == 0
    assert found.gaps.pmf.sum() == pytest.approx(found.gaps.returning)
    assert any("the least the clinic allows" in note for note in found.notes)


def test_the_same_seed_gives_the_same_plan(model: Model, tables: tuple[pd.DataFrame, pd.DataFrame]) -> None:
    one, other = (retreat.plan(model, *tables, seed=3, draws=100) for _ in range(2))
    pd.testing.assert_frame_equal(one.table(), other.table())
    assert one.to_json() == other.to_json()


def test_what_cannot_be_planned_is_refused(model: Model, tables: tuple[pd.DataFrame, pd.DataFrame]) -> None:
    cases, visits = tables
    with pytest.raises(FitError, match="no visits"):
        retreat.plan(model, cases)
    with pytest.raises(FitError, match="13 to 52"):
        retreat.plan(model, cases, visits, weeks=2)
    with pytest.raises(FitError, match="after 2015-01-01"):
        retreat.plan(model, cases, visits, today=date(2015, 1, 1))
    with pytest.raises(TableError):
        retreat.plan(model, cases.drop(columns="ending"), visits)
    with pytest.raises(FitError, match="a year only"):
        retreat.plan(
            model,
            cases.assign(started=cases["started"].str[:4].replace("not_", "not_applicable")),
            gap_weeks=4,
        )


def test_a_model_that_failed_its_gates_plans_nothing(
    model: Model, tables: tuple[pd.DataFrame, pd.DataFrame]
) -> None:
    failed = replace(model, card=replace(model.card, failures=("the fit did not converge",)))
    with pytest.raises(FitError, match="did not converge"):
        retreat.plan(failed, *tables)


def test_both_eyes_on_one_day_make_weeks_uneven_and_no_more_sessions(
    model: Model, tables: tuple[pd.DataFrame, pd.DataFrame], made: Plan
) -> None:
    found = retreat.plan(model, *tables, clinic=Clinic(6, (0, 3), both_eyes_same_day=True), draws=300)
    assert any("simulated clinics" in note for note in found.notes)
    assert found.demand.weekly.sum(axis=1) == pytest.approx(np.ones(26))
    # 2,000 runs against the exact mean of 26 weeks: |z| < 4
    totals = np.arange(len(found.demand.totals[13]))
    mean = found.demand.totals[13] @ totals
    spread = np.sqrt(found.demand.totals[13] @ (totals - mean) ** 2)
    assert abs(mean - made.demand.mean[:13].sum()) < 4 * spread / np.sqrt(2000) + 0.5


def test_missed_bookings_are_a_share_of_later_sessions_only(made: Plan) -> None:
    assert (made.missed_share <= made.gaps.missed).all()
    assert 0 < made.bookings["missed"] < made.gaps.missed * made.demand.mean[:4].sum()


@pytest.mark.slow
def test_ten_thousand_open_cases_are_planned(model: Model, tables: tuple[pd.DataFrame, pd.DataFrame]) -> None:
    """The open cases of a clinic many times over, each copy begun some days earlier."""
    cases, visits = tables
    some = cases[cases["ending"].eq("ongoing") & cases["sessions"].gt(0)]
    their = visits[visits["case"].isin(some["case"])]
    start = pd.to_datetime(some["started"])
    many, seen = [], []
    for k in range(10_000 // len(some) + 1):
        earlier = (start - pd.Timedelta(days=k % 100)).dt.strftime("%Y-%m-%d")
        many.append(
            some.assign(case=some["case"] + f"_{k}", patient=some["patient"] + f"_{k}", started=earlier)
        )
        seen.append(their.assign(case=their["case"] + f"_{k}"))
    begun = time.process_time()
    found = retreat.plan(
        model, pd.concat(many, ignore_index=True), pd.concat(seen, ignore_index=True),
        weeks=13, clinic=CLINIC, today=last_seen(cases, visits), draws=100,
    )  # fmt: skip
    assert sum(found.eyes.values()) + found.n_silent > 10_000
    assert (found.beyond >= 0).all()
    np.testing.assert_allclose(found.demand.weekly.sum(axis=1), 1.0, atol=1e-9)
    assert (
        time.process_time() - begun < 60
    )  # a few seconds on one core; a minute leaves room for a slow machine


def test_the_queue_begins_with_those_who_already_wait(
    made: Plan, courses: Courses, tables: tuple[pd.DataFrame, pd.DataFrame]
) -> None:
    waiting = int((tables[0]["ending"].eq("ongoing") & tables[0]["sessions"].eq(0)).sum())
    assert waiting > 0
    assert all(sum(case.week < 0 for case in run) == waiting for run in courses.runs)
    shut = tuple(made.start + timedelta(days=i) for i in range(7))
    waits = simulate(courses, replace(CLINIC, closed=shut))
    assert (waits.backlog[:, 0] >= waiting).all()
    assert np.nanmin(waits.first) >= 0
    assert made.demand.parts["waiting"][0] == pytest.approx(waiting, abs=0.01)
