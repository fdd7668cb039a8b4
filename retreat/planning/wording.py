"""The plan in sentences, for the page and the command line."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from retreat.planning.plan import Plan

_TIMES_OUT_OF = 100
# weeks after which an open case counts as one that may have ended without a word
LOST_WEEKS = 26


def sentences(plan: Plan) -> tuple[str, ...]:
    """What a manager should take away, most important first."""
    rows = plan.totals().to_dict("records")
    lines = [headline(rows[0])]
    if plan.slots is None:
        lines.append(
            f"To have enough slots in 9 weeks of 10, open {plan.cover} a week. "
            "What is open was not given, so no chance of a shortage is shown."
        )
    else:
        usual = plan.clinic.slots_a_week if plan.clinic else 0
        lines.append(
            f"To have enough slots in 9 weeks of 10, open {plan.cover} a week; a week without closure has {usual}."
        )
    bookings = plan.bookings
    total = bookings["open"] + bookings["second_eyes"] + bookings["new"]
    lines.append(
        f"Bookings to make in the next 4 weeks: {about(total)} ({about(bookings['open'])} for open cases, "
        f"{about(bookings['second_eyes'])} for second eyes, {about(bookings['new'])} for new cases), "
        f"of which {about(bookings['missed'])} will be missed."
    )
    if len(plan.overdue):
        plural = "case is" if len(plan.overdue) == 1 else "cases are"
        lost = int((plan.overdue["weeks_since"] > LOST_WEEKS).sum())
        asked = f", {lost} of them for more than {LOST_WEEKS} weeks: ask whether they are still in treatment"
        lines.append(f"{len(plan.overdue)} open {plural} overdue{asked if lost else ''}.")
    if plan.money is not None and plan.money.best_slots is not None:
        lines.append(
            f"At your costs of idle and missing slots, {plan.money.best_slots} slots a week cost least "
            "if what is not done in a week is lost; where it can wait, fewer will do."
        )
    return tuple(lines)


def headline(row: Mapping[Any, Any]) -> str:
    """The next weeks in one sentence, from a row of `Plan.totals`.

    Examples
    --------
    >>> headline({"weeks": 4, "middle": 31, "low80": 24, "high80": 39, "open": 48, "shortage": 0.004})
    'The next 4 weeks need about 31 slots (80% range 24 to 39); 48 are open; chance of a shortage under 1%.'
    """
    text = (
        f"The next {row['weeks']:.0f} weeks need about {row['middle']:.0f} slots "
        f"(80% range {row['low80']:.0f} to {row['high80']:.0f})"
    )
    if "open" not in row:
        return text + "."
    return f"{text}; {row['open']:.0f} are open; chance of a shortage {chance(row['shortage'])}."


def about(mean: float) -> str:
    """A mean count in words.

    Examples
    --------
    >>> about(12.8), about(0.3)
    ('about 13', 'fewer than 1')
    """
    return "fewer than 1" if round(mean) == 0 else f"about {mean:.0f}"


def chance(share: float) -> str:
    """A chance in whole percent; none is called sure.

    Examples
    --------
    >>> chance(0.004), chance(0.35), chance(0.9999)
    ('under 1%', '35%', 'over 99%')
    """
    figure = round(_TIMES_OUT_OF * share)
    return {0: "under 1%", _TIMES_OUT_OF: "over 99%"}.get(figure, f"{figure}%")
