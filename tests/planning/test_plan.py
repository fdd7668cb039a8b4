"""The plan of an invented clinic: its parts agree, its exports hold the same numbers, changes are compared fairly."""

from __future__ import annotations

import io
import time
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
from retreat.planning.capacity import Clinic
from retreat.planning.courses import Courses, draw_courses
from retreat.planning.dates import last_seen
from retreat.planning.exports import blocks, dealt, folded, to_calendar, to_csv, to_workbook
from retreat.planning.gaps import Gaps
from retreat.planning.money import Prices
from retreat.planning.overdue import overdue
from retreat.planning.plan import Plan
from retreat.planning.queue import simulate
from retreat.planning.second_eyes import SecondEyes
from retreat.planning.what_if import SCENARIOS, paired, what_if

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
        assert frame["shortage"].between(0, 1).all()
    assert made.demand.beyond(np.zeros(26, dtype=np.int64)).min() >= made.shortage.max()
    assert made.cautions == model.card.cautions


def test_slots_of_a_week_cover_nine_weeks_in_ten(made: Plan) -> None:
    weekly = made.demand.weekly[:13]
    assert weekly[:, : made.cover + 1].sum(axis=1).mean() >= 0.9 > weekly[:, : made.cover].sum(axis=1).mean()


def test_open_cases_are_all_in_treatment_by_sessions_done(
    made: Plan, tables: tuple[pd.DataFrame, pd.DataFrame]
) -> None:
    open_cases = tables[0][tables[0]["ending"] == "ongoing"]
    assert sum(made.eyes.values()) == len(open_cases)
    assert made.eyes[1] == int((open_cases["sessions"] == 1).sum())


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
    begun = tables[0][(tables[0]["ending"] == "ongoing") & (tables[0]["sessions"] > 0)]
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
    # the last session attended counts, not a missed booking after it
    key = late["case"].iloc[0]
    extra = visits[visits["case"] == key].tail(1).assign(missed="yes", session=9, day=9999.0)
    again = overdue(cases, pd.concat([visits, extra]), made.gaps, made.today)
    assert again[again["case"] == key]["weeks_since"].iloc[0] == late["weeks_since"].iloc[0]


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
    assert first == min(12, int(np.argmax(reached >= 0.9 - 1e-9)))


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
    from dataclasses import replace

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
    assert sum(found.eyes.values()) > 10_000
    assert (found.shortage >= 0).all()
    np.testing.assert_allclose(found.demand.weekly.sum(axis=1), 1.0, atol=1e-9)
    assert (
        time.process_time() - begun < 60
    )  # a few seconds on one core; a minute leaves room for a slow machine
