"""Sentences of the sheet for a course under way, in plain words; what both kinds of sheet say stands in `words`."""

from __future__ import annotations

from collections.abc import Sequence

from retreat.pages import words

TITLE = "How many more laser sessions for this eye?"
COME = "Of each 100 that come to it"
STEP_HEADINGS = ("Session", "Finish at it", "Bother after")
STRIP_HEADINGS = ("Session", "Gone", "Pieces", "Bother")
BEFORE_HEADING = "The picture before the first session"
STOP_HEADING = "If you stop now"
NOT_NOTED = "not noted"
AT_START, NO_ENTRY = "Before", "–"
STANDS = "Of 100 eyes that stand where yours stands and go on"
USED = "The numbers use what your sessions showed."
NOTHING_NOTED = "Nothing was noted of how your sessions went. The numbers use only how many you had."
DOES_NOT_FIT = "What was noted does not fit this model. The numbers use only how many sessions you had."
# both stand at the top: an entry may be wrong, and the numbers with it
UNFIT = "Take care: what was noted of your sessions does not fit this model. Ask the clinic to check it."
BADLY = "Take care: what was noted of your sessions fits this model badly. The numbers may be far off."
# a model that learns from sessions may tell eyes apart too little as well as too much
EITHER = "Take care: in a course, eyes may differ more or less than shown."
NOT_USED = "This model does not use how your sessions went, only how many you had."
BOTHER_NOT_KNOWN = "How much it will bother you then is not known."
NOT_FORECAST = "This tool does not forecast what follows."
# what a likely range counts, without its numbers: they stand in the table
LIKELY = {
    words.EYES_SEEN: "Likely: from eyes seen; doctors differ too.",
    words.EYES_AND_DOCTORS: "Likely: from eyes seen and how doctors differ.",
    words.CLINICS_DIFFER: "Likely: from how far published clinics differ.",
}


def had(done: int) -> str:
    """What has been done.

    Examples
    --------
    >>> had(2)
    'You have had 2 sessions.'
    """
    return f"You have had {words.sessions_words(done)}."


def headline(who: str, sessions: Sequence[int], finished: Sequence[int]) -> str:
    """Headline in natural frequencies of 100.

    Examples
    --------
    >>> headline(STANDS, (3, 4), (30, 45))
    'Of 100 eyes that stand where yours stands and go on, 30 are finished after session 3 and 45 after 4.'
    """
    later = [f"{words.count(n)} after {k}" for k, n in zip(sessions[1:], finished[1:], strict=True)]
    first = f"{words.count(finished[0])} are finished after session {sessions[0]}"
    return f"{who}, {words.listed([first, *later])}."


def still(who: str, done: int) -> str:
    """Whom the 100 stand for where only the number of sessions is known of the course."""
    return f"{who} still in treatment after {done}"


def go_on_heading(session: int) -> str:
    """Heading of what the next session may bring."""
    return f"After session {session}, if you go on"


def framing(session: int, finished: int, stopped: int) -> str:
    """Both directions of the next session, with the only percentages of the numbers.

    Examples
    --------
    >>> framing(3, 43, 15)
    '43 of 100 (43%) finished, 57 of 100 (57%) not: 42 go on and 15 stop.'
    """
    yes, no = words.count(finished), words.count(100 - finished)
    ways = f"{words.count(100 - finished - stopped)} go on and {words.count(stopped)} stop"
    told = f"{yes} of 100 ({yes}%) finished, {no} of 100 ({no}%) not: {ways}."
    return told[0].upper() + told[1:]


def bother_next(low: int, high: int, of_100: int) -> str:
    """Bother after the next session, as a range that holds so many of 100 eyes.

    Examples
    --------
    >>> bother_next(2, 4, 80)
    'In 80 of 100, bother is then 2 to 4 of 10.'
    """
    span = f"{low} to {high}" if low < high else f"{low}"
    return f"In {of_100} of 100, bother is then {span} of 10."


def fall(points: int) -> str:
    """Mean bother after the next session against that without it, in whole points.

    Examples
    --------
    >>> fall(2), fall(0), fall(-1)
    ('On average, 2 points less than with no session.', 'On average, about the same as with no session.', \
'On average, 1 point more than with no session.')
    """
    if not points:
        return "On average, about the same as with no session."
    way = "less" if points > 0 else "more"
    return f"On average, {_points(abs(points))} {way} than with no session."


def passing(points: int) -> str:
    """How far a rating moves though nothing was done.

    Examples
    --------
    >>> passing(1), passing(0)
    ('Ratings move about 1 point by themselves.', 'Ratings move less than 1 point by themselves.')
    """
    return f"Ratings move {f'about {_points(points)}' if points else 'less than 1 point'} by themselves."


def _points(count: int) -> str:
    return f"{count} point{'' if count == 1 else 's'}"


def stays(bother: float, *, noted_after: int, done: int, again: float) -> str:
    """Bother if the course ends now.

    Parameters
    ----------
    bother : float
        As last noted.
    noted_after, done : int
        Session after which it was noted, and sessions had.
    again : float
        Mean of a further rating without a session, against which a fall is told: no forecast of what follows an end;
        NaN where not known.

    Examples
    --------
    >>> stays(5.0, noted_after=2, done=2, again=4.2)
    'Last bother: 5 of 10; rated again, about 4.'
    >>> stays(6.0, noted_after=1, done=2, again=4.2)
    'Last bother: 6 of 10 (session 1); rated again, about 4.'
    >>> stays(5.0, noted_after=1, done=2, again=float("nan"))
    'Bother is taken to stay about as last noted, after session 1: 5 of 10.'
    """
    if bother != bother and again != again:
        return "Bother is taken to stay about as it is."
    if bother != bother:
        return f"Bother, rated again: about {again:.0f} of 10."
    late = noted_after != done
    if again != again:
        when = f", after session {noted_after}" if late else ""
        return f"Bother is taken to stay about as last noted{when}: {bother:.0f} of 10."
    when = f" (session {noted_after})" if late else ""
    return f"Last bother: {bother:.0f} of 10{when}; rated again, about {again:.0f}."


def at_start(who: str, done: int, by_now: int, last: int, by_last: int) -> str:
    """What was forecast before the course, and why it is another picture now.

    Examples
    --------
    >>> at_start("Of 100 eyes like this one", 2, 55, 5, 78)
    'Of 100 eyes like this one, 55 finished by session 2 and 78 by 5. Yours went on.'
    """
    by = f"{words.count(by_now)} finished by session {done} and {words.count(by_last)} by {last}"
    return f"{who}, {by}. Yours went on."


def strip_caption(done: int, shown: int) -> str:
    """Caption of the sessions so far; says so where the first of them have no room.

    Examples
    --------
    >>> strip_caption(2, 2), strip_caption(9, 4)
    ('Your sessions so far, as noted', 'Your sessions so far, the last 4 of 9')
    """
    return "Your sessions so far, " + (f"the last {shown} of {done}" if shown < done else "as noted")


def gone(share: float) -> str:
    """Share judged gone.

    Examples
    --------
    >>> gone(0.4), gone(float("nan"))
    ('40 of 100', 'not noted')
    """
    return f"{100 * share:.0f} of 100" if share == share else NOT_NOTED


def lacking(names: Sequence[str]) -> str:
    """What was not noted at the last session, by the headings of the sessions so far.

    Examples
    --------
    >>> lacking(("Gone", "Bother"))
    'Not noted last time: gone and bother.'
    """
    return f"Not noted last time: {words.listed([name.lower() for name in names])}."


def rating(bother: float) -> str:
    """Bother as noted; a rating that is no whole number is shown as one."""
    return f"{bother:.0f} of 10" if bother == bother else NOT_NOTED


def seen_alike(n_like: str, done: int) -> str:
    """How many eyes were like this one.

    Examples
    --------
    >>> seen_alike("at least 45", 2)
    'Of these, at least 45 were like this one after 2.'
    """
    return f"Of these, {n_like} were like this one after {done}."
