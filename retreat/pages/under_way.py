"""The sheet of a course under way: what the sessions showed, the next one, ending now, and the picture at the start."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from retreat.features import Columns
from retreat.frequencies import counts_of
from retreat.model import CaseSupport, Model, ModelCard
from retreat.model.history import Records, read_records
from retreat.model.history.outlook import Outlook
from retreat.model.history.progress import KIND as PROGRESS
from retreat.model.history.records import FRAGMENTS
from retreat.model.request import RECORDS_BADLY, RECORDS_DISAGREE
from retreat.pages import course_words, words
from retreat.pages.record import Noted, Row, Sheet, Step, UnderWay

# what the one page has room for: lines of the sessions so far, sessions in the headline
MOST_SHOWN = 4
_HEADLINE = 3
# facts of the sheet that only the clinic's part has room for, and those that the patient's shortens
_ENTERED, _MODEL = "Entered for this eye", "Model"
_FOR_CLINIC = ("Not used by this model", "Data")
_MOST_ENTERED = 3
# how the scheme of a validation names the sessions after which forecasts were checked, and its reasons their doubts
_CHECKED_AFTER = re.compile(r"during a course after session ([\d, ]+)")
_IN_DOUBT = "during a course"
# what a session shows, in the order of the headings of the sessions so far
_SHOWN = ("cleared", "fragments", "bother")


def under_way(
    sheet: Sheet,
    model: Model,
    case: Mapping[str, Sequence[Any]],
    visits: Columns,
    outlook: Outlook,
    support: CaseSupport,
) -> Sheet:
    """The sheet of a course under way, from the sheet that only knows how many sessions there were.

    Parameters
    ----------
    sheet : Sheet
        With the rows and states of the outlook's forecast.
    model : Model
        The model of both.
    case : mapping of str to sequence of one value
        Columns of the case table.
    visits : DataFrame or mapping of str to array_like
        Columns of the visit table.
    outlook : Outlook
        Of the eye.
    support : CaseSupport
        Of the eye.
    """
    done, rows = outlook.done, sheet.rows
    records = read_records(case, visits, np.array([done]))
    lacking = _lacking(records, done)
    # a session of which nothing was noted leaves the eye where hard cases cannot be told from others
    sure = outlook.informed and len(lacking) < len(_SHOWN) and _checked(model.card, done)
    who = course_words.STANDS if outlook.informed else course_words.still(sheet.caption, done)
    ahead = rows[:_HEADLINE]
    strip = _strip(records, done)
    course = UnderWay(
        strip_caption=course_words.strip_caption(done, min(done, MOST_SHOWN)),
        strip=strip,
        steps=_steps(outlook),
        go_on_heading=course_words.go_on_heading(rows[0].session),
        go_on=_go_on(rows[0], outlook),
        stop=_stop(outlook),
        at_start=_at_start(model, case, sheet, done),
        used=_used(model, outlook, records, lacking),
    )
    like = (
        (sheet.like[0], course_words.seen_alike(support.n_like_words, done))
        if support.alike_in
        else sheet.like
    )
    return replace(
        sheet,
        title=course_words.TITLE,
        warnings=(*_doubts(outlook), *_warned(sheet, outlook, sure=sure)),
        course=course_words.had(done),
        caption=who if outlook.informed else sheet.caption,
        headline=course_words.headline(who, [row.session for row in ahead], [row.finished for row in ahead]),
        framing="",
        likely=_likely(model, outlook, sheet.likely),
        like=like,
        moved_lead="",
        moved=(),
        about=tuple((name, _short(name, text)) for name, text in sheet.about if name not in _FOR_CLINIC),
        for_clinic=(*sheet.for_clinic, *outlook.not_known, *_for_clinic(sheet)),
        under_way=course,
    )


def _strip(records: Records, done: int) -> tuple[Noted, ...]:
    """The sessions so far, with how it was before them where there is room."""
    before = Noted(
        course_words.AT_START,
        course_words.NO_ENTRY,
        course_words.NO_ENTRY,
        course_words.rating(float(records.before[0])),
    )
    noted = tuple(_noted(records, k) for k in range(max(0, done - MOST_SHOWN), done))
    return (before, *noted) if done < MOST_SHOWN else noted


def _noted(records: Records, k: int) -> Noted:
    def value(name: str) -> float:
        values = getattr(records, name)[0]
        return float(values[k]) if k < len(values) else np.nan

    pieces = value("fragments")
    return Noted(
        str(k + 1),
        course_words.gone(value("cleared")),
        FRAGMENTS[int(pieces)] if pieces == pieces else course_words.NOT_NOTED,
        course_words.rating(value("bother")),
    )


def _steps(outlook: Outlook) -> tuple[Step, ...]:
    return tuple(
        Step(
            one.session,
            _of_100(one.relieved.estimate),
            f"{one.bother:.0f}" if one.bother == one.bother else "",
        )
        for one in outlook.further
    )


def _go_on(row: Row, outlook: Outlook) -> tuple[str, ...]:
    stopped = min(_of_100(outlook.next.stopped.estimate), row.not_finished)
    told = [course_words.framing(row.session, row.finished, stopped)]
    found, again = outlook.bother_next, outlook.bother_again
    if found is None:
        return (*told, course_words.BOTHER_NOT_KNOWN)
    told.append(course_words.bother_next(round(found.low), round(found.high), _of_100(outlook.predictive)))
    if again is not None:
        # of the numbers as they are shown, or they would not add up
        told.append(course_words.fall(round(again.estimate) - round(found.estimate)))
    return (*told, course_words.passing(round(outlook.passing)))


def _stop(outlook: Outlook) -> tuple[str, ...]:
    now, again = outlook.ending_now, outlook.bother_again
    told = again.estimate if again is not None else np.nan
    stays = course_words.stays(now.bother, noted_after=now.noted_after, done=outlook.done, again=told)
    return course_words.NOT_FORECAST, stays


def _doubts(outlook: Outlook) -> tuple[str, ...]:
    """Whether what was noted fits the model, for the top of the sheet."""
    found = {RECORDS_DISAGREE: course_words.UNFIT, RECORDS_BADLY: course_words.BADLY}
    notes = outlook.forecast.notes[0] if outlook.forecast.notes else ()
    return tuple(found[note] for note in notes if note in found)


def _warned(sheet: Sheet, outlook: Outlook, *, sure: bool) -> tuple[str, ...]:
    """Warnings of the sheet that hold during a course, of which a model that uses its sessions knows more."""
    told = (text for text in sheet.warnings if text != words.DURING or not sure)
    return tuple(course_words.EITHER if text == words.DURING and outlook.informed else text for text in told)


def _at_start(model: Model, case: Mapping[str, Sequence[Any]], sheet: Sheet, done: int) -> str:
    last = sheet.rows[-1].session
    before = model.forecast({**case, "sessions": [0]}, horizon=last).mean()[0, 0]  # (horizon,)
    by_now, by_last = (_of_100(float(before[k - 1])) for k in (done, last))
    return course_words.at_start(sheet.caption, done, by_now, last, by_last)


def _short(name: str, text: str) -> str:
    parts = text.removesuffix(".").split(", ")
    if name == _MODEL:
        return f"{parts[0]}."
    if name != _ENTERED or len(parts) <= _MOST_ENTERED + 1:  # "and 1 more" is no shorter than the one
        return text
    return f"{', '.join(parts[:_MOST_ENTERED])} and {len(parts) - _MOST_ENTERED} more."


def _for_clinic(sheet: Sheet) -> tuple[str, ...]:
    told = ((name, text) for name, text in sheet.about if name in _FOR_CLINIC or _short(name, text) != text)
    return tuple(f"{name[0].lower()}{name[1:]}: {text}" for name, text in told)


def _lacking(records: Records, done: int) -> tuple[str, ...]:
    """Headings of what was not noted at the last session."""
    headings = course_words.STRIP_HEADINGS[1:]
    last = (getattr(records, name)[0, done - 1 : done] for name in _SHOWN)
    return tuple(
        heading for heading, values in zip(headings, last, strict=True) if not np.isfinite(values).any()
    )


def _checked(card: ModelCard, done: int) -> bool:
    """Whether forecasts after so many sessions were held against what followed, and nothing spoke against them."""
    found = card.validated
    if found is None or any(reason.startswith(_IN_DOUBT) for reason in found.reasons):
        return False
    after = _CHECKED_AFTER.search(found.scheme)
    return after is not None and done in {int(k) for k in re.findall(r"\d+", after[1])}


def _used(model: Model, outlook: Outlook, records: Records, lacking: Sequence[str]) -> str:
    if outlook.informed:
        told = course_words.lacking(lacking) if lacking else ""
        return f"{course_words.USED} {told}".strip()
    if model.history is None:
        return course_words.NOT_USED
    return course_words.DOES_NOT_FIT if records.told[0] else course_words.NOTHING_NOTED


def _likely(model: Model, outlook: Outlook, sentence: str) -> str:
    """What the ranges count; the numbers stand in the table."""
    if outlook.informed and model.history is not None:
        # each draw of a state model has an operator it has not seen; a landmark model has none
        operators = model.history.kind == PROGRESS
        return course_words.LIKELY[words.EYES_AND_DOCTORS if operators else words.EYES_SEEN]
    return next(told for counts, told in course_words.LIKELY.items() if f"({counts})" in sentence)


def _of_100(probability: float) -> int:
    return int(counts_of([probability, 1.0 - probability])[0])
