"""The clinic that the options of ``retreat plan`` describe."""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from retreat.planning.capacity import Clinic

_MOST_CLOSED = 366


def clinic_of(
    sessions_per_day: int,
    days: str | None,
    half_days: str | None,
    closed: tuple[str, ...],
    country: str | None,
    machines: int | None,
    min_gap_weeks: int | None,
    both_eyes_same_day: bool,
) -> Clinic:
    """A clinic from the text of its options, refused as wrong usage where that cannot be read."""
    from retreat.planning.capacity import Clinic

    return Clinic(
        sessions_per_day,
        _weekdays("--days", days),
        closed=tuple(day for span in closed for day in _span(span)),
        country=country or "",
        machines=1 if machines is None else machines,
        min_gap_weeks=min_gap_weeks or 0,
        both_eyes_same_day=both_eyes_same_day,
        half_days=_weekdays("--half-days", half_days),
    )


def _weekdays(option: str, text: str | None) -> tuple[int, ...]:
    from retreat.cli.meant import did_you_mean
    from retreat.planning.capacity import WEEKDAYS

    found = []
    for name in (text or "").replace(" ", "").lower().split(","):
        if name and name[:3] not in WEEKDAYS:
            meant = did_you_mean(name[:3], WEEKDAYS)
            raise click.UsageError(
                f"{option} {name}: give days such as {','.join(WEEKDAYS[:5])}; {meant}".rstrip("; ")
            )
        if name:
            found.append(WEEKDAYS.index(name[:3]))
    return tuple(sorted(set(found)))


def _span(text: str) -> list[date]:
    """Days of one closed day or span.

    Examples
    --------
    >>> [str(day) for day in _span("2026-12-24..2026-12-26")]
    ['2026-12-24', '2026-12-25', '2026-12-26']
    """
    first, _, last = text.partition("..")
    try:
        begins = date.fromisoformat(first.strip())
        ends = date.fromisoformat(last.strip()) if last else begins
    except ValueError:
        raise click.UsageError(
            f"--closed {text}: give a day such as 2026-12-24, or a span with two dots"
        ) from None
    if not 0 <= (ends - begins).days < _MOST_CLOSED:
        raise click.UsageError(f"--closed {text}: a span runs forward, over at most {_MOST_CLOSED} days")
    return [begins + timedelta(days=i) for i in range((ends - begins).days + 1)]
