"""Every sentence of the counselling sheet, in plain words: all in one place, so that all are tested."""

from __future__ import annotations

import re
from collections.abc import Sequence

from retreat.features import FEATURES

TITLE = "How many laser sessions for this eye?"

HEADINGS = ("After session", "Finished", "Not", "Likely", "Figures")
LIKE_HEADING = "Eyes like this one"
MOVED_HEADING = "What goes with this number"
CAUTIONS_HEADING = "Please note"
ABOUT_HEADING = "About this sheet"
CLINIC_HEADING = "For the clinic"
FINISHED_MEANS = "Finished means enough relief."
NO_CAUSE = "It need not be the cause."
NOTHING_MOVES = "No one thing moves this number by 3 of 100 or more."
# effects are the same at every session in these models: who is still in treatment is a hard case, whatever is known
DURING = "Take care: during a course, eyes may differ less than this sheet shows."
WARNED = "Take care: this model passed its check with a warning. Ask your doctor about it."
NOT_VALIDATED = "this model has not been validated: run retreat validate with --into"
NOT_DURING = "During a course this is not told."
NO_NUMBERS = "This sheet shows no numbers."
NO_NUMBERS_WHY = "The model failed its own checks. What it says is not safe to rely on."
CAUTIONS = (
    "This sheet is to help you and your eye doctor talk.",
    "It is a group estimate: it cannot say which of the 100 is you.",
    "It is not a promise and does not decide on treatment.",
    "Only a licensed eye doctor (ophthalmologist) may treat, under local rules.",
    "The laser can hurt the lens or the retina, raise the eye pressure, or fail to help.",
)
URGENT = (
    "New flashes, a shower of new floaters, a curtain or loss of vision? "
    "Get an urgent eye check the same day."
)
RENEW = "Ask for a new one after each session."
SURGERY_INSIDE = "Surgery counts as stopped."
# what a likely range counts: no promise of a share of hits, which falls where doctors differ (reports.recovery)
EYES_SEEN = "from how many eyes were seen; doctors differ too"
EYES_AND_DOCTORS = "from how many eyes were seen and how doctors differ"
CLINICS_DIFFER = "from how far published clinics differ"
# of a model that has seen no eye: nothing may sound as if it had
PUBLISHED_EYES = "Of 100 eyes as in published reports"
NONE_SEEN = "The model has seen no eye treated here, so none like this one."
PUBLISHED_DATA = "published averages, no case table."
NO_CASES_YET = (
    "no case of this clinic stands behind the model: it cannot be validated here until there are some"
)
FEW_LIKE = "Take care: very few eyes like this one were seen. The numbers lean on other eyes."

# a level as it stands behind the plain name of its feature, in brackets
_LEVELS = {
    "opacity": {"ring": "a ring", "strand": "a strand", "cloud": "a cloud", "sheet": "a sheet"},
    "opacities": {"single": "one", "few": "a few", "many": "many"},
    "cornea": {
        "none": "none",
        "myopic_ablation": "laser for short sight",
        "hyperopic_ablation": "laser for long sight",
        "incisional": "cuts in the cornea",
    },
    "corneal_surgery": {"no": "none", "yes": "yes"},
    "lens": {
        "natural": "natural",
        "monofocal": "implant with one focus",
        "multifocal": "implant with more than one focus",
    },
    "pvd": {"complete": "yes", "partial": "in part", "none": "no"},
    "eye": {"right": "right", "left": "left"},
    "depth_source": {
        "measured": "",
        "missing": "",
        "one_gap": "depth from one gap",
        "zone": "depth from the zone only",
    },
}
# how the same stands alone in a list, where its feature is not named
_ALONE = {
    "opacity": "{}",
    "opacities": "floaters: {}",
    "size_mm": "{} long",
    "depth": "{} of the gel",
    "eccentricity_deg": "{} off centre",
    "cornea": "past surgery to see without glasses: {}",
    "corneal_surgery": "past surgery to see without glasses: {}",
    "lens": "lens: {}",
    "sphere_d": "first glasses {}",
    "axial_mm": "eye {} long",
    "pupil_mm": "pupil {} wide",
    "pvd": "gel come away: {}",
    "age": "age {}",
    "relief_before": "bother {} of 10",
    "eye": "{} eye",
    "depth_source": "{}",
}
_STATES = {
    "relieved": "Finished",
    "stopped": "Stopped without enough relief",
    "surgery": "Went on to surgery",
    "in_treatment": "Still in treatment",
}
# a half is easier read than a decimal
_HALF = re.compile(r"(?<![\d.])(\d+)\.5(?!\d)")
_NAMED = 3
_THIRDS = ("front", "middle", "back")
_MONTHS = (
    *("January", "February", "March", "April", "May", "June", "July"),
    *("August", "September", "October", "November", "December"),
)


def plain(feature: str) -> str:
    """Name of a feature in the patient's words."""
    return FEATURES[feature].plain if feature in FEATURES else feature.replace("_", " ")


def checked(standing: str) -> str:
    """Verdict on the model, for the foot of the sheet."""
    return f"{standing} on patients it had not seen." if standing else "not yet on patients it had not seen."


def value_words(feature: str, value: object) -> str:
    """Value of a feature in words; empty where the value would tell a patient nothing.

    Parameters
    ----------
    feature : str
        A key of `FEATURES`.
    value : str or float
        A level, a number, or a band of numbers in words ("1 to under 3").

    Examples
    --------
    >>> value_words("lens", "natural"), value_words("size_mm", "1.5 to under 3"), value_words("depth", 0.5)
    ('natural', '1½ to under 3 mm', 'middle third')
    >>> value_words("zone_mixing", 0.2)
    ''
    """
    if feature in _LEVELS:
        return _LEVELS[feature].get(str(value), str(value).replace("_", " "))
    if feature not in _ALONE:
        return ""
    text = value if isinstance(value, str) else f"{value:g}"
    if feature == "depth":
        return _depth_words(value)
    text = _HALF.sub(lambda number: f"{number[1].lstrip('0')}½", text)
    if feature in ("age", "relief_before"):
        return text
    return f"{text} {FEATURES[feature].unit}"


def _depth_words(value: object) -> str:
    if isinstance(value, str):  # a band: a percentage would look like a chance
        return re.sub(r"\d+(\.\d+)?", lambda number: f"{100 * float(number[0]):.0f} of 100", value)
    return f"{_THIRDS[min(int(3 * float(str(value))), 2)]} third"


def with_value(feature: str, value: object) -> str:
    """Feature and its value.

    Examples
    --------
    >>> with_value("opacity", "ring"), with_value("shadow_contrast", 0.2)
    ('the kind of floater (a ring)', 'how dark the shadow of the floater is')
    """
    words = value_words(feature, value)
    return f"{plain(feature)} ({words})" if words else plain(feature)


def value_alone(feature: str, value: object) -> str:
    """Value as an entry of a list that does not name features; empty where it would tell nothing.

    Examples
    --------
    >>> value_alone("size_mm", 2.5), value_alone("corneal_surgery", "no")
    ('2½ mm long', 'no past surgery to see without glasses')
    """
    if (feature, value) in (("cornea", "none"), ("corneal_surgery", "no")):
        return f"no {plain(feature)}"
    if (feature, value) == ("corneal_surgery", "yes"):
        return plain(feature)
    words = value_words(feature, value)
    return _ALONE[feature].format(words) if words else ""


def listed(items: Sequence[str]) -> str:
    """Items joined as in a sentence: "a, b and c"."""
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} and {items[-1]}"


def sessions_words(count: int) -> str:
    """Count of sessions: "1 session", "2 sessions"."""
    return f"{count} session{'' if count == 1 else 's'}"


def date_words(year: int, month: int, day: int) -> str:
    """Date as it is said: "25 November 2026"."""
    return f"{day} {_MONTHS[month - 1]} {year}"


def count(figures: int) -> str:
    """Count of 100 as it is said: no estimate is sure of none or of all.

    Examples
    --------
    >>> count(0), count(38), count(100)
    ('fewer than 1', '38', 'over 99')
    """
    return {0: "fewer than 1", 100: "over 99"}.get(figures, str(figures))


def whom(*, known: bool) -> str:
    """Whom the 100 stand for; without anything known of the eye they are like all others."""
    return "Of 100 eyes like this one" if known else "Of 100 eyes treated here"


def course(done: int) -> str:
    """What has been done; empty before the first session."""
    return f"This eye has had {sessions_words(done)}." if done else ""


def headline(who: str, done: int, sessions: Sequence[int], finished: Sequence[int]) -> str:
    """Headline in natural frequencies of 100; `who` from :func:`whom`.

    Examples
    --------
    >>> headline(whom(known=True), 0, (1, 2, 3), (38, 55, 66))
    'Of 100 eyes like this one, 38 are finished after 1 session, 55 after 2 and 66 after 3.'
    >>> headline(whom(known=True), 2, (3, 4), (30, 45))
    'Of 100 eyes like this one still in treatment after 2, 30 are finished after session 3 and 45 after 4.'
    """
    still = f" still in treatment after {done}" if done else ""
    when = f"session {sessions[0]}" if done else sessions_words(sessions[0])
    later = [f"{count(n)} after {k}" for k, n in zip(sessions[1:], finished[1:], strict=True)]
    first = f"{count(finished[0])} are finished after {when}"
    return f"{who}{still}, {listed([first, *later])}."


def framing(session: int, finished: int) -> str:
    """Both directions of one number, with the only percentages of the numbers.

    Examples
    --------
    >>> framing(3, 66)
    'After session 3: 66 of 100 (66%) finished, 34 of 100 (34%) not: still in treatment or stopped.'
    """
    yes, no = count(finished), count(100 - finished)
    return (
        f"After session {session}: {yes} of 100 ({yes}%) finished, "
        f"{no} of 100 ({no}%) not: still in treatment or stopped."
    )


def likely(low: int, high: int, counts: str) -> str:
    """Likely range of the number finished, same denominator, and what the range counts."""
    span = f"between {low} and {high} of 100" if low < high else f"{low} of 100"
    return f"Finished: likely {span} ({counts})."


def level_note(level: float) -> str:
    """For the clinic: what "likely" stands for in the model."""
    return f"likely ranges are {100 * level:.0f}% intervals of the model; they cover less where the model is wrong"


def state_label(end: str, session: int) -> str:
    """Label of a state in the key; `end` is an end of the model or "in_treatment"."""
    words = _STATES.get(end, end.replace("_", " ").capitalize())
    return f"{words} after session {session}" if end in ("relieved", "in_treatment") else words


def seen(n_cases: str, n_patients: str, years: Sequence[int], *, made_up: str) -> str:
    """Whom the model learned from; `made_up` is put before the eyes, empty for real ones."""
    when = f", {years[0]} to {years[-1]}" if len(set(years)) > 1 else f", {years[0]}" if years else ""
    return f"The model learned from {n_cases} {made_up}eyes of {n_patients} patients{when}."


def like(n_like: str, alike: Sequence[str], *, done: int) -> str:
    """How many were like this one, and in what; `alike` as in `CaseSupport.alike_in`.

    Examples
    --------
    >>> like("at least 45", ("opacity ring", "size_mm 1 to under 3"), done=0)
    'Of these, at least 45 were like this one: a ring and 1 to under 3 mm long.'
    >>> like("fewer than 11", ("opacity ring",), done=2)
    'Of these, fewer than 11 were like this one and still in treatment after 2: a ring.'
    """
    if not alike:
        return "Too little is known of this eye to say how many of these were like it."
    pairs = [entry.partition(" ")[::2] for entry in alike]
    still = f" and still in treatment after {done}" if done else ""
    return f"Of these, {n_like} were like this one{still}: {listed([value_alone(*pair) for pair in pairs])}."


def moved_lead(session: int) -> str:
    """What the differences are measured against."""
    return f"{NO_CAUSE} Against eyes alike in the rest, of 100 finished by session {session}:"


def moved(feature: str, value: object, difference: int) -> str:
    """One difference from the average case."""
    return f"{abs(difference)} {'more' if difference > 0 else 'fewer'}: {with_value(feature, value)}"


def few_seen(features: Sequence[str]) -> str:
    """Warning that the model saw few or no cases of this sort; three features are named.

    Examples
    --------
    >>> few_seen(["age", "size_mm"])
    'Take care: the model saw few or no eyes like this one in your age and the size of the floater.'
    """
    return f"Take care: the model saw few or no eyes like this one in {_named(features)}."


def _named(features: Sequence[str]) -> str:
    names = list(dict.fromkeys(plain(feature) for feature in features))
    return listed([*names[:_NAMED], f"{len(names) - _NAMED} more"] if len(names) > _NAMED else names)


def not_reported(features: Sequence[str]) -> str:
    """Warning that published reports tell little of this sort; three features are named.

    Examples
    --------
    >>> not_reported(["opacity"])
    'Take care: published reports tell little of eyes like this one in the kind of floater.'
    """
    return f"Take care: published reports tell little of eyes like this one in {_named(features)}."


def past_the_reports(last: int) -> str:
    """Why a model of published averages gives later sessions no numbers."""
    return f"Take care: published reports tell too little past session {last}, so no later numbers are shown."


def past_the_cases(last: int) -> str:
    """Why later sessions have no numbers."""
    return f"Take care: too few eyes were seen past session {last}, so no later numbers are shown."


def never_seen(end: str) -> str:
    """Warning that one way a course can end was never seen.

    Examples
    --------
    >>> never_seen("stopped")
    'Take care: no eye was seen that stopped without enough relief, so its number is a guess.'
    """
    words = _STATES.get(end, end.replace("_", " "))
    return f"Take care: no eye was seen that {words[0].lower()}{words[1:]}, so its number is a guess."
