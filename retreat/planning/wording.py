"""The plan in sentences, for the page and the command line."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from retreat.planning.planned import Plan

_TIMES_OUT_OF = 100
_QUARTER = 13


def sentences(plan: Plan) -> tuple[str, ...]:
    """What a manager should take away, most important first."""
    rows = plan.totals().to_dict("records")
    lines = [headline(rows[0])]
    if plan.slots is None:
        lines.append(
            f"To have enough slots in 9 weeks of 10, open {plan.cover} a week. "
            "What is open was not given, so nothing is said of work left waiting."
        )
    else:
        usual = plan.clinic.slots_a_week if plan.clinic else 0
        shut = int((plan.slots[:_QUARTER] == 0).sum())
        counted = ", those now waiting to begin included" if plan.eyes.get(0) else ""
        counted += (
            f", what {shut} closed {'week leaves' if shut == 1 else 'weeks leave'} included" if shut else ""
        )
        lines.append(
            f"To end 9 open weeks of 10 with nothing left waiting{counted}, open {plan.cover} a week; a week without "
            f"closure has {usual}."
        )
    bookings = plan.bookings
    total = sum(mean for name, mean in bookings.items() if name != "missed")
    waiting = bookings.get("waiting", 0.0)
    for_waiting = f"{about(waiting)} for cases waiting to begin, " if waiting else ""
    lines.append(
        f"Bookings to make in the next 4 weeks: {about(total)} ({about(bookings['open'])} for open cases, {for_waiting}"
        f"{about(bookings['second_eyes'])} for second eyes, {about(bookings['new'])} for new cases), "
        f"of which {about(bookings['missed'])} will be missed."
    )
    late, quiet = len(plan.overdue), plan.n_silent
    overdue = f"{late} open {'case is' if late == 1 else 'cases are'} overdue"
    silent = (
        f"{quiet} {'was' if quiet == 1 else 'were'} not booked for more than {plan.silent_after} weeks, longer than 99 "
        "in 100 of those who come back: ask whether they are still in treatment."
    )
    if late and quiet:
        lines.append(f"{overdue}; {silent}")
    elif late or quiet:
        lines.append(f"{overdue}." if late else f"Of the open cases {silent}")
    if plan.money is not None and plan.money.best_slots is not None:
        lines.append(
            f"At your costs of idle and missing slots, {plan.money.best_slots} slots an open week cost least "
            "if what is not done in it is lost; where it can wait, fewer will do."
        )
    return tuple(lines)


def headline(row: Mapping[Any, Any]) -> str:
    """The next weeks in one sentence, from a row of `Plan.totals`.

    Examples
    --------
    >>> row = {"weeks": 4, "middle": 31, "low80": 24, "high80": 39, "open": 40, "left": 0.33, "ever_left": 0.54}
    >>> for sentence in headline(row).split(". "): print(sentence)
    The next 4 weeks need about 31 slots (80% range 24 to 39); 40 are open
    Chance that work is left waiting at the end of some week 54%, at the end of the 4 weeks 33%.
    """
    text = (
        f"The next {row['weeks']:.0f} weeks need about {row['middle']:.0f} slots "
        f"(80% range {row['low80']:.0f} to {row['high80']:.0f})"
    )
    if "open" not in row:
        return text + "."
    return (
        f"{text}; {row['open']:.0f} are open. Chance that work is left waiting at the end of some week "
        f"{chance(row['ever_left'])}, at the end of the {row['weeks']:.0f} weeks {chance(row['left'])}."
    )


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
