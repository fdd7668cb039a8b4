"""Every sentence of the counselling sheet, in plain words; all the wording is here so that all of it is tested."""

from __future__ import annotations

import re
from collections.abc import Sequence

from retreat.features import FEATURES

TITLE = "How many laser sessions for this eye?"

# What a value is called, to stand alone in a list: by feature and level, or by feature with a slot for numbers.
_LEVELS = {
    "opacity": {"ring": "a ring", "strand": "a strand", "cloud": "a cloud", "sheet": "a sheet"},
    "opacities": {"single": "one floater", "few": "a few floaters", "many": "many floaters"},
    "cornea": {
        "none": "no past surgery to see without glasses",
        "myopic_ablation": "past laser for short sight",
        "hyperopic_ablation": "past laser for long sight",
        "incisional": "past cuts in the cornea",
    },
    "corneal_surgery": {
        "no": "no past surgery to see without glasses",
        "yes": "past surgery to see without glasses",
    },
    "lens": {
        "natural": "natural lens",
        "monofocal": "lens implant, one focus",
        "multifocal": "lens implant, more than one focus",
    },
    "pvd": {
        "complete": "gel come away",
        "partial": "gel partly come away",
        "none": "gel not come away",
    },
    "eye": {"right": "right eye", "left": "left eye"},
    "depth_source": {"one_gap": "depth from one gap", "zone": "depth from the zone only"},
}
_NUMBERS = {
    "size_mm": "{} mm long",
    "depth": "{} of the way back",
    "eccentricity_deg": "{} degrees off centre",
    "sphere_d": "first glasses {} dioptres",
    "axial_mm": "eye {} mm long",
    "pupil_mm": "pupil {} mm wide",
    "age": "age {}",
    "relief_before": "bother {} of 10",
}
_STATES = {
    "relieved": "finished",
    "stopped": "stopped without enough relief",
    "surgery": "went on to surgery",
}
_MONTHS = (
    *("January", "February", "March", "April", "May", "June", "July"),
    *("August", "September", "October", "November", "December"),
)

PERCENT_FEATURES = ("depth",)

FINISHED_MEANS = "Finished means enough relief, with no more laser wanted."
GROUP = "This is about a group. Nobody can say which of the 100 eyes is yours."
NO_CAUSE = "This shows what goes together. It does not show what causes what."
NOTHING_MOVES = "No one thing we know of this eye moves the number by 3 of 100 or more."
NO_NUMBERS = "This sheet shows no numbers."
NO_NUMBERS_WHY = "The model failed its own checks. What it says is not safe to rely on."
CAUTIONS = (
    "This sheet helps you and your eye doctor talk.",
    "It does not decide on treatment and it is not a promise.",
    "Only a licensed eye doctor (ophthalmologist) may treat you, under local rules.",
    "The laser can hurt the lens or the retina, raise the pressure in the eye, or fail to help.",
)
URGENT = (
    "If you see new flashes, a shower of new floaters, a curtain or loss of vision, "
    "get an urgent eye check the same day."
)


def plain(feature: str) -> str:
    """Name of a feature in the patient's words."""
    return FEATURES[feature].plain if feature in FEATURES else feature.replace("_", " ")


def value_words(feature: str, value: object) -> str:
    """Value of a feature in words that stand alone; empty where the value would tell a patient nothing.

    Parameters
    ----------
    feature : str
        A key of `FEATURES`.
    value : str or float
        A level, a number, or a band of numbers in words ("1 to under 3").

    Examples
    --------
    >>> value_words("lens", "natural"), value_words("size_mm", 2.5), value_words("depth", 0.5)
    ('natural lens', '2.5 mm long', '50% of the way back')
    >>> value_words("size_mm", "1 to under 3"), value_words("zone_mixing", 0.2)
    ('1 to under 3 mm long', '')
    """
    if feature in _LEVELS:
        return _LEVELS[feature].get(str(value), "")
    if feature not in _NUMBERS:
        return ""
    text = value if isinstance(value, str) else f"{value:g}"
    if feature in PERCENT_FEATURES:
        text = re.sub(r"\d+(\.\d+)?", lambda number: f"{100 * float(number[0]):.0f}%", text)
    return _NUMBERS[feature].format(text)


def alike_words(alike: str) -> str:
    """One entry of `CaseSupport.alike_in` ("size_mm 1 to under 3") in plain words."""
    feature, _, value = alike.partition(" ")
    return value_words(feature, value) or f"{plain(feature)} ({value.replace('_', ' ')})"


def with_value(feature: str, value: object) -> str:
    """Feature and its value: "the kind of floater (a ring)"."""
    words = value_words(feature, value)
    return f"{plain(feature)} ({words})" if words else plain(feature)


def listed(items: Sequence[str], last: str = "and") -> str:
    """Items joined as in a sentence: "a, b and c"."""
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} {last} {items[-1]}"


def sessions_words(count: int) -> str:
    """Count of sessions: "1 session", "2 sessions"."""
    return f"{count} session{'' if count == 1 else 's'}"


def date_words(year: int, month: int, day: int) -> str:
    """Date as it is said: "25 November 2026"."""
    return f"{day} {_MONTHS[month - 1]} {year}"


def headline(done: int, sessions: Sequence[int], finished: Sequence[int]) -> str:
    """Headline in natural frequencies of 100.

    Examples
    --------
    >>> headline(0, (1, 2, 3), (38, 55, 66))
    'Of 100 eyes like this one, 38 are finished after 1 session, 55 after 2 and 66 after 3.'
    """
    if done:
        first = f"{finished[0]} are finished after session {sessions[0]}"
        later = [f"{n} after session {k}" for k, n in zip(sessions[1:], finished[1:], strict=True)]
        start = f"Of 100 eyes like this one still in treatment after {done}, "
    else:
        first = f"{finished[0]} are finished after {sessions_words(sessions[0])}"
        later = [f"{n} after {k}" for k, n in zip(sessions[1:], finished[1:], strict=True)]
        start = "Of 100 eyes like this one, "
    return f"{start}{listed([first, *later])}."


def course(done: int) -> str:
    """What has been done; empty before the first session."""
    return f"This eye has had {sessions_words(done)}." if done else ""


def framing(session: int, finished: int) -> str:
    """Both directions of one number, with the only percentages of the sheet."""
    left = 100 - finished
    return (
        f"After session {session}, {finished} of 100 ({finished}%) are finished "
        f"and {left} of 100 ({left}%) are not."
    )


def likely_range(session: int, low: int, high: int) -> str:
    """Likely range of one number, same denominator."""
    return f"The number finished by session {session} is likely between {low} and {high} of 100."


def likely_means(level: float) -> str:
    """What "likely" stands for."""
    return f"Likely means that we expect to be right about {100 * level:.0f} times of 100."


def state_label(end: str, session: int) -> str:
    """Label of a state in the key; `end` is an end of the model or "in_treatment"."""
    if end == "in_treatment":
        return f"Still in treatment after session {session}"
    words = _STATES.get(end, end.replace("_", " "))
    return f"{words[0].upper()}{words[1:]}" + (f" after session {session}" if end == "relieved" else "")


def seen(n_cases: str, n_patients: str, years: Sequence[int], *, invented: bool) -> str:
    """Whom the model learned from."""
    when = f", {years[0]} to {years[-1]}" if len(set(years)) > 1 else f", {years[0]}" if years else ""
    kind = "invented eyes of invented patients" if invented else "eyes"
    if invented:
        return f"The model learned from {n_cases} made-up eyes of {n_patients} made-up patients{when}."
    return f"The model learned from {n_cases} {kind} of {n_patients} patients{when}."


def like(n_like: str, alike: Sequence[str]) -> str:
    """How many were like this one, and in what."""
    words = [alike_words(entry) for entry in alike]
    were = f"Of these, {n_like} were like this one"
    return f"{were}: {listed(words)}." if words else f"{were}, as no key facts are known."


def moved_lead(done: int, session: int) -> str:
    """What the differences are measured against."""
    when = "Seen from before session 1, a" if done else "A"
    return f"{when}gainst the average eye in the model, by session {session}:"


def moved(feature: str, value: object, difference: int) -> str:
    """One difference from the average case."""
    return f"{with_value(feature, value)}: {abs(difference)} {'more' if difference > 0 else 'fewer'} of 100 finished"


def few_seen(features: Sequence[str]) -> str:
    """Warning that the model saw few or no cases of this sort."""
    return f"Take care: the model saw few or no eyes like this one in {listed(features)}."


def past_the_cases(last: int) -> str:
    """Warning that the later sessions are extrapolated."""
    return f"Take care: the model saw no eye past session {last}. What it says of later sessions is a guess."
