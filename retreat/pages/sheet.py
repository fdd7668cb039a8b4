"""The counselling sheet: every number and sentence decided once, so that all its forms say the same."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date as calendar_date
from typing import Any

import numpy as np

from retreat import features
from retreat.errors import Fault, FitError
from retreat.forecast import IN_TREATMENT, Forecast
from retreat.frequencies import counts_of
from retreat.model import CaseSupport, Model, ModelCard
from retreat.model.card import INVENTED, WARNED
from retreat.model.completion import is_missing
from retreat.model.support import SMALL_CELL
from retreat.pages import words
from retreat.pages.record import Row, Sheet, State
from retreat.pages.under_way import under_way

__all__ = ["Row", "Sheet", "State", "build_sheet"]

# differences from the average case smaller than this are noise to a patient [our judgement]
LEAST_DIFFERENCE = 0.03
# what the one page has room for
MOST_DIFFERENCES = 3
MOST_SESSIONS, MOST_UNDER_WAY = 5, 4
MOST_PRACTICE = 50
# letters of the figures that are not finished
_MARKS = {IN_TREATMENT: "T", "stopped": "S", "surgery": "W"}
# sessions ahead that the headline names, and that the framing and the range look at
HEADLINE_SESSIONS = 3


def build_sheet(
    model: Model,
    case: Mapping[str, Sequence[Any]],
    *,
    visits: features.Columns | None = None,
    done: int = 0,
    horizon: int = 5,
    level: float = 0.9,
    practice: str = "",
    date: str,
) -> Sheet:
    """Counselling sheet of one case.

    Parameters
    ----------
    model : Model
        A fitted model whose first end is relief.
    case : mapping of str to sequence of one value
        Columns of the case table. A column it lacks, or a missing code, is averaged over and said so.
    visits : DataFrame or mapping of str to array_like, optional
        Columns of the visit table; of an eye in its course the sheet then tells what was noted, and a model with
        a history takes it into its numbers. The case needs its key.
    done : int
        Sessions the eye has had; the numbers are then those of eyes still in treatment after them.
    horizon : int
        Last session shown, counted from the first of the course; fewer are shown where too few fitted cases
        got so far.
    level : float in (0, 1)
        Coverage of the likely ranges.
    practice : str
        Name of the practice, to stand on the sheet.
    date : str
        Date of the sheet, ISO (2026-11-25).

    Returns
    -------
    Sheet
        Without numbers if the model failed its own checks.

    Raises
    ------
    FitError
        If the case lies outside what the model saw (every refusal of its support is a fault), or an
        argument is out of range.
    TableError
        If a value of the case is not allowed.
    """
    in_course = visits if done else None
    most = MOST_SESSIONS if in_course is None else MOST_UNDER_WAY
    _check_arguments(
        model, case, done=done, horizon=horizon, most=most, level=level, practice=practice, date=date
    )
    columns = {**case, "sessions": [done]}
    support = model.support_of(columns)[0]
    if support.refusals:
        fix = "check the value; if it is right, this model cannot speak for this eye"
        raise FitError([Fault("this eye", refusal, fix=fix) for refusal in support.refusals])
    known = _values(model, columns)
    unknown = _once(words.plain(name) for name in _used(model) if name not in known)
    about = _about(
        model, columns, known, unknown, of_course=in_course is not None, practice=practice, date=date
    )
    if not model.card.for_counselling:
        return _without_numbers(model.card, about, support)
    last = min(horizon, model.card.supported_session)
    outlook = None if in_course is None else model.outlook(columns, in_course, horizon=last, level=level)
    forecast = outlook.forecast if outlook else model.forecast(columns, horizon=last)
    rows = _rows(forecast, done=done, level=level)
    ahead = rows[:HEADLINE_SESSIONS]
    focus = ahead[-1]
    who = _whom(model.card, known)
    moved = () if done else _moved(model.associations(columns, session=focus.session), known)
    sheet = Sheet(
        title=words.TITLE,
        banners=(*((INVENTED,) if model.card.invented else ()), *model.card.basis),
        warnings=_warnings(model, support, known, done=done, horizon=horizon),
        course=words.course(done),
        caption=who,
        headline=words.headline(who, done, [row.session for row in ahead], [row.finished for row in ahead]),
        framing=words.framing(focus.session, focus.finished),
        likely=words.likely(focus.low, focus.high, _counts(model)),
        ends_mean=_ends_mean(model.ends),
        rows=rows,
        states=_states(forecast, rows),
        like=_like(model.card, support, done),
        moved_lead=_moved_lead(moved, done, focus.session),
        moved=moved,
        cautions=words.CAUTIONS,
        urgent=words.URGENT,
        about=about,
        for_clinic=_once(
            (*forecast.notes[0], *model.card.notes, *_validation_notes(model.card), words.level_note(level))
        ),
    )
    if outlook is None or in_course is None:
        return sheet
    return under_way(sheet, model, columns, in_course, outlook, support)


def _without_numbers(card: ModelCard, about: tuple[tuple[str, str], ...], support: CaseSupport) -> Sheet:
    return Sheet(
        title=words.TITLE,
        banners=card.cautions,
        warnings=(),
        course="",
        caption="",
        headline=words.NO_NUMBERS,
        framing=words.NO_NUMBERS_WHY,
        likely="",
        ends_mean="",
        rows=(),
        states=(),
        like=(),
        moved_lead="",
        moved=(),
        cautions=words.CAUTIONS,
        urgent=words.URGENT,
        about=about,
        for_clinic=_once((*support.warnings, *card.notes)),
    )


def _rows(forecast: Forecast, *, done: int, level: float) -> tuple[Row, ...]:
    mean = forecast.mean()[0]  # (states, horizon)
    tails = forecast.quantiles(((1 - level) / 2, (1 + level) / 2))[:, 0, 0]  # (2, horizon)
    low, high = np.rint(100 * tails).astype(int).tolist()
    # the last session fixes how the 100 figures split; earlier ones may not pass it by rounding
    last = int(counts_of(mean[:, -1])[0])
    rows = []
    for k in range(done, forecast.horizon):
        finished = min(int(counts_of([mean[0, k], 1.0 - mean[0, k]])[0]), last)
        finished = last if k == forecast.horizon - 1 else finished
        rows.append(Row(k + 1, finished, 100 - finished, min(low[k], finished), max(high[k], finished)))
    return tuple(rows)


def _states(forecast: Forecast, rows: Sequence[Row]) -> tuple[State, ...]:
    counts = dict(zip(forecast.states, counts_of(forecast.mean()[0, :, -1]).tolist(), strict=True))
    last, relief = rows[-1].session, forecast.ends[0]
    states, before = [], 0
    for row in rows:
        label = words.state_label(relief, row.session)
        states.append(State(str(row.session), label, row.finished - before, relief))
        before = row.finished
    for end in (IN_TREATMENT, *forecast.ends[1:]):
        label = words.state_label(end, last)
        states.append(State(_MARKS.get(end, end[0].upper()), label, counts[end], end))
    return tuple(states)


def _ends_mean(ends: Sequence[str]) -> str:
    inside = "stopped" in ends and "surgery" not in ends
    return f"{words.FINISHED_MEANS} {words.SURGERY_INSIDE}" if inside else words.FINISHED_MEANS


def _whom(card: ModelCard, known: Mapping[str, Any]) -> str:
    of_this_eye = any(name != "depth_source" for name in known)
    return words.whom(known=of_this_eye) if of_this_eye or card.n_cases else words.PUBLISHED_EYES


def _counts(model: Model) -> str:
    if not model.card.n_cases:
        return words.CLINICS_DIFFER
    return words.EYES_AND_DOCTORS if model.parameters.operator_effect.any() else words.EYES_SEEN


def _warnings(
    model: Model, support: CaseSupport, known: Mapping[str, Any], *, done: int, horizon: int
) -> tuple[str, ...]:
    # support speaks to the clinic; the patient is told which features it speaks of
    named = [name for text in support.warnings for name in known if name in text.split()]
    # without own cases the banner says once that none was seen
    own = bool(model.card.n_cases)
    lines = [words.few_seen(named) if own else words.not_reported(named)] if named else []
    if support.warnings and not named:
        lines = list(support.warnings)
    if own and support.alike_in and not support.n_like and not named:
        lines.append(words.FEW_LIKE)
    if horizon > model.card.supported_session:
        past = words.past_the_cases if own else words.past_the_reports
        lines.append(past(model.card.supported_session))
    if done:
        lines.append(words.DURING)
    if model.card.validated and model.card.validated.standing == WARNED:
        lines.append(words.WARNED)
    lines += [words.never_seen(end) for end in model.ends if own and not model.card.n_ended.get(end)]
    return tuple(lines)


def _moved(associations: Mapping[str, float], known: Mapping[str, Any]) -> tuple[str, ...]:
    largest: dict[str, str] = {}  # features that share a plain name are told once
    for name, difference in sorted(associations.items(), key=lambda item: -abs(item[1])):
        if abs(difference) >= LEAST_DIFFERENCE:
            line = words.moved(name, known[name], round(100 * difference))
            largest.setdefault(words.plain(name), line)
    return tuple(largest.values())[:MOST_DIFFERENCES]


def _moved_lead(moved: Sequence[str], done: int, session: int) -> str:
    if done:
        return words.NOT_DURING
    return words.moved_lead(session) if moved else words.NOTHING_MOVES


def _like(card: ModelCard, support: CaseSupport, done: int) -> tuple[str, ...]:
    if not card.n_cases:
        return (words.NONE_SEEN,)
    made_up = "made-up " if card.invented else ""
    seen = words.seen(_shown(card.n_cases), _shown(card.n_patients), card.years, made_up=made_up)
    return seen, words.like(support.n_like_words, support.alike_in, done=done)


def _about(
    model: Model,
    columns: Mapping[str, Any],
    known: Mapping[str, Any],
    unknown: Sequence[str],
    *,
    of_course: bool,
    practice: str,
    date: str,
) -> tuple[tuple[str, str], ...]:
    card, day = model.card, calendar_date.fromisoformat(date)
    entered = [text for text in (words.value_alone(name, value) for name, value in known.items()) if text]
    told = features.features(columns, [name for name in features.FEATURES if name in columns])
    used = {words.plain(name) for name in _used(model)}  # a column may be used under another name
    if of_course and model.history is not None:
        used.add(words.plain("relief_before"))  # the bother of the course starts from it
    passed_over = _once(
        words.plain(name)
        for name, values in told.items()
        if words.plain(name) not in used and not is_missing(values)[0] and name not in ("eye", "zone")
    )
    written = words.date_words(day.year, day.month, day.day)
    facts = {
        "Date": f"{written}{f', {practice}' if practice else ''}. {words.RENEW}",
        "Entered for this eye": f"{', '.join(entered) or 'nothing'}.",
        "Not known, averaged over": f"{', '.join(unknown)}." if unknown else "",
        "Not used by this model": f"{', '.join(passed_over)}." if passed_over else "",
        "Model": f"{card.name} {model.model_id}, {card.method}, {card.created[:10]}, retreat {card.retreat_version}.",
        "Checked": words.checked(card.validated.standing if card.validated else ""),
        "Data": _data(card),
    }
    return tuple((name, text) for name, text in facts.items() if text)


def _data(card: ModelCard) -> str:
    if not card.n_cases:
        return words.PUBLISHED_DATA
    return f"{'invented' if card.invented else 'clinic'} case table {card.data_fingerprint[:12]}."


def _validation_notes(card: ModelCard) -> tuple[str, ...]:
    if card.validated is None:
        return (words.NOT_VALIDATED if card.n_cases else words.NO_CASES_YET,)
    found = card.validated
    return (f"{found.standing} ({found.scheme}, {found.date})", *found.reasons, f"next: {found.next_step}")


def _used(model: Model) -> tuple[str, ...]:
    stratum = (model.stratum_feature,) if model.stratum_feature else ()
    return _once((*model.coding.features, *stratum, *model.support.edges))


def _values(model: Model, columns: Mapping[str, Any]) -> dict[str, Any]:
    """Known values of the features the model uses, and where a depth comes from."""
    used = _used(model)
    names = (*used, "depth_source") if "depth" in used else used
    found = {name: values[0] for name, values in features.features(columns, names).items()}
    # a missing number is NaN, which differs from itself
    return {name: value for name, value in found.items() if value is not None and value == value}


def _shown(count: int) -> str:
    return str(count) if count >= SMALL_CELL else f"fewer than {SMALL_CELL}"


def _once(texts: Iterable[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(texts))


def _check_arguments(
    model: Model,
    case: Mapping[str, Sequence[Any]],
    *,
    done: int,
    horizon: int,
    most: int,
    level: float,
    practice: str,
    date: str,
) -> None:
    faults = []
    if model.ends[0] != "relieved":
        fix = "use a model of whole courses, such as core"
        faults.append(Fault("model", f"it forecasts {model.ends[0]}, not relief", "first end relieved", fix))
    if done < 0:
        faults.append(Fault("done", f"{done}", "a whole number of sessions from 0"))
    elif done >= model.card.supported_session:
        seen = (
            "few or no fitted cases"
            if model.card.n_cases
            else "no published result used here tells of eyes that"
        )
        what = f"{seen} were still in treatment after {done} sessions"
        allowed = f"at most {model.card.supported_session - 1}"
        faults.append(Fault("done", what, allowed, "this model cannot speak for so long a course"))
    if not done < horizon <= done + most:
        allowed = f"{done + 1} to {done + most} after {done} done"
        faults.append(Fault("horizon", f"{horizon}", allowed, "sessions count from the first of the course"))
    if not 0.0 < level < 1.0:
        faults.append(Fault("level", f"{level:g}", "between 0 and 1, for example 0.9"))
    if len(practice) > MOST_PRACTICE or not practice.isprintable():
        what = (
            f"{len(practice)} characters" if practice.isprintable() else "a line break or control character"
        )
        faults.append(Fault("practice", what, f"one line of at most {MOST_PRACTICE} characters"))
    try:
        calendar_date.fromisoformat(date)
    except ValueError:
        faults.append(Fault("date", f"{date!r}", "an ISO date", "write it like 2026-11-25"))
    faults += _case_faults(case, done)
    if faults:
        raise FitError(faults)


def _case_faults(case: Mapping[str, Sequence[Any]], done: int) -> list[Fault]:
    if case and features.n_cases(case) != 1:
        return [Fault("case", f"{features.n_cases(case)} cases", "one case", "make one sheet a case")]
    faults = []
    told = features.number(case, "sessions")[0] if "sessions" in case else done
    if told == told and told != done:
        fix = f"pass done={told:g}, or leave the column out"
        faults.append(Fault("done", f"{done}, but the column sessions says {told:g}", fix=fix))
    ending = features.text(case, "ending")[0] if "ending" in case else None
    if ending in ("relieved", "stopped"):
        fix = "a sheet is for a case not yet begun or still in treatment; leave ending and sessions out"
        faults.append(Fault("ending", f"the case has ended ({ending})", "ongoing", fix))
    return faults
