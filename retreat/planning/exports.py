"""A plan in files of other programs: CSV, a workbook, and a calendar of proposed blocks."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Iterable, Sequence
from datetime import date, timedelta
from typing import TYPE_CHECKING

import numpy as np

from retreat.planning.capacity import open_days
from retreat.planning.dates import day_number
from retreat.planning.demand import quantile
from retreat.planning.planned import COVER

if TYPE_CHECKING:
    import pandas as pd

    from retreat.planning.planned import Plan

_FOLD = 75  # octets of a line, RFC 5545 section 3.1


def to_csv(plan: Plan) -> str:
    """The weeks of a plan as CSV; cautions of the model stand in a column of their own.

    Parameters
    ----------
    plan : Plan
        From :func:`retreat.plan`.
    """
    weeks = _rounded(plan.table())
    if plan.cautions:
        weeks = weeks.assign(caution=" ".join(plan.cautions))
    return str(weeks.to_csv(index=False, lineterminator="\n"))


def to_workbook(plan: Plan) -> bytes:
    """The plan as an Excel workbook: a sheet each for the summary, weeks, totals, eyes, overdue and money.

    Parameters
    ----------
    plan : Plan
        From :func:`retreat.plan`.
    """
    # heavy: only a workbook pays for it
    import pandas as pd
    from openpyxl import Workbook
    from openpyxl.styles import Font

    book = Workbook()
    first = book.active
    first.title = "plan"
    lines = [
        *plan.cautions,
        f"Plan from {plan.start.isoformat()}, made {plan.today.isoformat()}",
        *plan.words(),
    ]
    lines += [f"Note: {note}" for note in plan.notes]
    lines += [f"Model {plan.model_id}"]
    for row, line in enumerate(lines, start=1):
        first.cell(row, 1, line).font = Font(bold=row <= len(plan.cautions))
    eyes = pd.DataFrame({"sessions_done": list(plan.eyes), "eyes": list(plan.eyes.values())})
    sheets = {"weeks": plan.table(), "totals": plan.totals(), "eyes": eyes, "overdue": plan.overdue}
    if plan.money is not None:
        sheets["courses"] = pd.DataFrame([vars(row) for row in plan.money.courses])
        if plan.money.income is not None:
            names = ["mean", "low80", "middle", "high80"]
            income = pd.DataFrame(plan.money.income, columns=names)
            sheets["income"] = income.assign(monday=plan.table()["monday"])[["monday", *names]]
    for name, frame in sheets.items():
        _write(book.create_sheet(name), _rounded(frame), Font(bold=True))
    content = io.BytesIO()
    book.save(content)
    return content.getvalue()


def blocks(plan: Plan, *, weeks: int = 13) -> tuple[tuple[date, int, int], ...]:
    """Proposed blocks: day, slots to keep free for the laser, and slots that day can hold.

    The slots that are enough with a chance of 90% for what falls due in a week and what earlier ones left waiting, also
    closed ones, are dealt to its open days as evenly as whole slots allow, earlier days first, and no more than a day
    holds.

    Parameters
    ----------
    plan : Plan
        Of a clinic.
    weeks : int, at least 1
        For how many weeks.

    Returns
    -------
    tuple of (date, int, int)
        Empty where no clinic was given or no day is open.
    """
    clinic = plan.clinic
    if clinic is None or clinic.slots_a_week == 0:
        return ()
    found = []
    wanted = _wanted(plan)
    for w in range(min(weeks, plan.demand.weeks)):
        days = open_days(clinic, plan.start + timedelta(weeks=w), 1)
        if not days:
            continue
        needed = wanted[w]
        held = [clinic.slots_on(day.weekday()) for day in days]
        found += list(zip(days, dealt(needed, held), held, strict=True))
    return tuple(found)


def _wanted(plan: Plan) -> list[int]:
    """Slots enough in nine cases of ten for the work of each week."""
    if plan.backlog is None:
        return [int(quantile(week, COVER)) for week in plan.demand.weekly]
    return [int(n) for n in np.quantile(plan.backlog.work, COVER, axis=0, method="inverted_cdf")]


def dealt(needed: int, held: Sequence[int]) -> list[int]:
    """Slots dealt to days in turn, none given more than it holds.

    Examples
    --------
    >>> dealt(7, [6, 3]), dealt(20, [6, 3])
    ([4, 3], [6, 3])
    """
    given = [0] * len(held)
    left = min(needed, sum(held))
    while left:
        for place, most in enumerate(held):
            if left and given[place] < most:
                given[place] += 1
                left -= 1
    return given


def to_calendar(plan: Plan, *, weeks: int = 13, practice: str = "") -> str:
    """Proposed blocks as an iCalendar file (RFC 5545): one all-day event for each open day with a block.

    A day keeps its UID from plan to plan of a practice, and a later plan has a higher SEQUENCE, so that a calendar
    program replaces the earlier proposal instead of showing both.

    Parameters
    ----------
    plan : Plan
        Of a clinic.
    weeks : int, at least 1
        For how many weeks.
    practice : str
        Name of the practice; it tells its blocks from those of another in one calendar.

    Returns
    -------
    str
        Lines end with CR and LF.
    """
    stamp = plan.today.strftime("%Y%m%dT000000Z")
    lines = [
        "BEGIN:VCALENDAR",
        "VERSION:2.0",
        f"PRODID:-//retreat//practice plan {plan.retreat_version}//EN",
        "CALSCALE:GREGORIAN",
        "METHOD:PUBLISH",
    ]
    salt = hashlib.sha256(practice.encode()).hexdigest()[:12]
    wanted, proposed = _wanted(plan), blocks(plan, weeks=weeks)
    given: dict[int, int] = {}
    for day, needed, _ in proposed:
        w = (day - plan.start).days // 7
        given[w] = given.get(w, 0) + needed
    for day, needed, held in proposed:
        if not needed:
            continue
        w = (day - plan.start).days // 7
        told = (
            *plan.cautions,
            f"Proposed from the plan of {plan.today.isoformat()}: {_enough(wanted[w] - given[w])}",
            f"Model {plan.model_id}.",
        )
        lines += [
            "BEGIN:VEVENT",
            f"UID:{day:%Y%m%d}-{salt}@retreat.invalid",
            f"SEQUENCE:{day_number(plan.today)}",
            f"DTSTAMP:{stamp}",
            f"DTSTART;VALUE=DATE:{day:%Y%m%d}",
            f"DTEND;VALUE=DATE:{day + timedelta(days=1):%Y%m%d}",
            f"SUMMARY:{_escaped(f'Laser block, proposed: {needed} of {held} slots')}",
            f"DESCRIPTION:{_escaped(' '.join(told))}",
            "STATUS:TENTATIVE",
            "TRANSP:TRANSPARENT",
            "END:VEVENT",
        ]
    lines.append("END:VCALENDAR")
    return "".join(part + "\r\n" for line in lines for part in folded(line))


def _enough(missing: int) -> str:
    """Whether the blocks of a week are enough.

    Examples
    --------
    >>> _enough(0), _enough(3)
    ('enough slots in 9 weeks of 10.', 'every slot of the week, 3 fewer than are enough in 9 weeks of 10.')
    """
    if missing <= 0:
        return "enough slots in 9 weeks of 10."
    return f"every slot of the week, {missing} fewer than are enough in 9 weeks of 10."


def folded(line: str) -> list[str]:
    r"""A line cut so that none has more than 75 octets, later ones behind a space (RFC 5545, section 3.1).

    Examples
    --------
    >>> [len(part.encode()) for part in folded("ä" * 60)]
    [74, 47]
    """
    parts: list[str] = []
    now = ""
    for sign in line:
        if len((now + sign).encode()) > _FOLD:
            parts.append(now)
            now = " "
        now += sign
    return [*parts, now]


def _escaped(text: str) -> str:
    for sign, told in (("\\", "\\\\"), (";", "\\;"), (",", "\\,"), ("\n", "\\n")):
        text = text.replace(sign, told)
    return text


def _write(sheet: object, frame: pd.DataFrame, bold: object) -> None:
    add: Iterable[Sequence[object]] = [list(frame.columns), *frame.astype(object).to_numpy().tolist()]
    for values in add:
        sheet.append([_plain(value) for value in values])  # type: ignore[attr-defined]
    for cell in sheet[1]:  # type: ignore[index]
        cell.font = bold


def _plain(value: object) -> object:
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, str) and value.startswith("="):
        return f"'{value}"  # text, never a formula
    return None if value is None or value != value else value


def _rounded(frame: pd.DataFrame) -> pd.DataFrame:
    return frame.round(4)
