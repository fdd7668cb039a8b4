"""The written tables: every column as text, nothing blank, missing values told by one of three codes.

The format is spelled out here in full and shared with no other package: `cases` has a row for each case,
`visits` a row for each booking. How often a cell is missing is invented (settings of section `missing`).
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence

import numpy as np

from synthetic.courses import ONGOING, REASONS, Courses, Diary
from synthetic.patients import CORNEAS, LENSES, OPACITIES, PVD, ZONES, Features
from synthetic.scenario import KINDS, Scenario

CASES = (
    "case", "patient", "eye", "operator", "site", "started", "sessions", "ending", "stop_reason", "opacity",
    "opacities", "size_mm", "lens_gap_mm", "retina_gap_mm", "zone", "eccentricity_deg", "cornea", "lens",
    "sphere_d", "axial_mm", "pupil_mm", "pvd", "age", "relief_before", "relief_after",
)  # fmt: skip
VISITS = (
    "case", "session", "day", "operator", "pulses", "energy_mj", "cleared", "fragments", "bother", "event",
    "missed",
)  # fmt: skip
NOT_RECORDED, NOT_APPLICABLE, UNKNOWN = "not_recorded", "not_applicable", "unknown"
ENDINGS = ("ongoing", "relieved", "stopped")
FRAGMENTS = ("none", "few", "many")
EVENTS = ("none", "lens_hit", "retina_hit", "pressure", "other")
LATE_DAYS = 21  # invented
LOST_BOOKED = 0.4  # invented: share of those lost whose last booking stands in the table as missed

_LETTERS, _DIGITS = np.array(list("bcdfghjkmnpqrstvwxz")), np.array(list("23456789"))

Columns = dict[str, list[str]]


def keys(count: int, rng: np.random.Generator) -> list[str]:
    """Return random keys of eight letters and digits, sorted, no two alike and derived from nothing.

    Letters and digits take turns so that no key reads as a word, a number or a record number.
    """
    found: set[str] = set()
    while len(found) < count:
        places = [_DIGITS if place in (1, 4, 7) else _LETTERS for place in range(8)]
        drawn = np.column_stack([letters[rng.integers(0, len(letters), count)] for letters in places])
        found.update(drawn.view("U8").ravel().tolist())
    chosen = np.array(sorted(found))[rng.permutation(len(found))[:count]]
    return sorted(chosen.tolist())


def write_columns(
    features: Features,
    courses: Courses,
    diary: Diary,
    operator: Sequence[str],
    site: Sequence[str],
    scenario: Scenario,
    rng: np.random.Generator,
) -> tuple[Columns, Columns]:
    """Return `cases` and `visits` as columns of text, in the order of the case keys.

    Parameters
    ----------
    features : Features
    courses : Courses
    diary : Diary
    operator, site : sequence of str, one a case
    scenario : Scenario
    rng : numpy.random.Generator
        Draws keys and missing values, and nothing else.

    Returns
    -------
    tuple of dict
    """
    n = len(features.kind)
    sessions = np.minimum(courses.sessions, diary.possible)
    ending = np.where(sessions < courses.sessions, ONGOING, courses.ending)
    case = keys(n, rng)
    visits, late = _visits(case, courses, diary, sessions, ending, operator, scenario, rng)
    patient = np.array(keys(n, rng))[rng.permutation(n)][features.patient]
    begun, last = sessions > 0, np.maximum(sessions - 1, 0)
    share = scenario.values["missing"]

    def gone(name: str, factor: np.ndarray | float = 1.0) -> np.ndarray:
        return rng.random(n) < np.minimum(share[name] * factor, 1)

    no_gaps = gone("gaps")
    one = gone("one_gap") & ~no_gaps
    which = rng.random(n) < 0.5
    zone = np.minimum((features.depth * 3).astype(int), 2)
    implant = features.lens > 0
    step_decimals = 1 if round(scenario.values["mix"]["size_step_mm"] * 100) % 10 == 0 else 2
    reason = np.array([*REASONS, NOT_APPLICABLE])[
        np.where(ending == ENDINGS.index("stopped"), courses.reason, -1)
    ]
    after = courses.bother[np.arange(n), last]
    cases = {
        "case": case,
        "patient": patient.tolist(),
        "eye": _names(features.right.astype(int), ("left", "right")),
        "operator": list(operator),
        "site": list(site),
        "started": _cells(map(_iso, diary.started.tolist()), ~begun, NOT_APPLICABLE),
        "sessions": _decimals(sessions, 0),
        "ending": _names(ending, ENDINGS),
        "stop_reason": reason.tolist(),
        "opacity": _names(features.kind, KINDS),
        "opacities": _cells(_names(features.opacities, OPACITIES), gone("other")),
        "size_mm": _cells(_decimals(features.size_mm, step_decimals), gone("other")),
        "lens_gap_mm": _cells(_decimals(features.lens_gap_mm, 1), no_gaps | (one & which)),
        "retina_gap_mm": _cells(_decimals(features.retina_gap_mm, 1), no_gaps | (one & ~which)),
        "zone": _cells(_names(zone, ZONES), gone("zone") & ~no_gaps & ~one),
        "eccentricity_deg": _cells(_decimals(features.eccentricity_deg, 0), gone("other")),
        "cornea": _names(features.cornea, CORNEAS),
        "lens": _cells(_names(features.lens, LENSES), gone("other", 0.5)),
        "sphere_d": _cells(
            _decimals(features.sphere_d, 2),
            gone("sphere", np.where(features.cornea > 0, 3.0, 1.0)),
            np.where(features.cornea > 0, UNKNOWN, NOT_RECORDED),
        ),
        "axial_mm": _cells(_decimals(features.axial_mm, 2), gone("axial", np.where(implant, 0.5, 1.0))),
        "pupil_mm": _cells(_decimals(features.pupil_mm, 1), gone("pupil")),
        "pvd": _cells(_names(features.pvd, PVD), gone("pvd"), UNKNOWN),
        "age": _decimals(features.age, 0),
        "relief_before": _cells(_decimals(features.bother, 0), gone("other")),
        "relief_after": _cells(
            _cells(_decimals(after, 0), gone("relief_after") | late), ~begun, NOT_APPLICABLE
        ),
    }
    return {name: cases[name] for name in CASES}, visits


def _visits(
    case: list[str],
    courses: Courses,
    diary: Diary,
    sessions: np.ndarray,
    ending: np.ndarray,
    operator: Sequence[str],
    scenario: Scenario,
    rng: np.random.Generator,
) -> tuple[Columns, np.ndarray]:
    """Return `visits`, and which cases have a last visit not yet written up."""
    n, longest = diary.day.shape
    number = np.arange(longest)
    attended = number < sessions[:, None]
    # A missed booking stands before its session; those lost often leave one that nothing follows.
    lost = (ending == ONGOING) & (sessions == courses.sessions) & (rng.random(n) < LOST_BOOKED)
    next_up = (
        (number == sessions[:, None]) & (diary.missed_day <= diary.last_day[:, None]) & diary.begun[:, None]
    )
    waits = (ending == ONGOING) & (sessions < courses.sessions)
    missed = (attended & diary.missed) | (next_up & (lost[:, None] | (waits[:, None] & diary.missed)))

    rows = [np.argwhere(missed), np.argwhere(attended)]
    index, session = np.concatenate(rows).T
    absent = np.arange(len(index)) < len(rows[0])
    order = np.lexsort((~absent, session, index))
    index, session, absent = index[order], session[order], absent[order]
    day = np.where(absent, diary.missed_day[index, session], diary.day[index, session])

    share = scenario.values["missing"]
    recent = ~absent & (day > diary.last_day[index] - LATE_DAYS)
    late = recent & (rng.random(len(index)) < share["late"])

    def cell(texts: Iterable[str], gap: np.ndarray | float = False) -> list[str]:
        empty = late | (rng.random(len(index)) < share["visit"]) | gap
        return _cells(_cells(texts, empty), absent, NOT_APPLICABLE)

    pulses, energy, cleared = (
        a[index, session] for a in (courses.pulses, courses.energy_mj, courses.cleared)
    )
    pieces, event = courses.fragments[index, session].astype(int), courses.event[index, session].astype(int)
    visits = {
        "case": [case[i] for i in index],
        "session": _decimals(session + 1, 0),
        "day": _decimals(day, 0),
        "operator": [operator[i] for i in index],
        "pulses": cell(_decimals(pulses, 0)),
        "energy_mj": cell(_decimals(energy, 1)),
        "cleared": cell(_decimals(np.nan_to_num(cleared), 2), np.isnan(cleared)),
        "fragments": cell(_names(np.maximum(pieces, 0), FRAGMENTS), pieces < 0),
        "bother": cell(_decimals(courses.bother[index, session], 0)),
        "event": _cells(_names(event, EVENTS), absent, NOT_APPLICABLE),
        "missed": _names(absent.astype(int), ("no", "yes")),
    }
    unwritten = np.zeros(n, dtype=bool)
    unwritten[index[late & (session + 1 == sessions[index])]] = True
    return {name: visits[name] for name in VISITS}, unwritten


def _iso(day: int) -> str:
    return dt.date.fromordinal(day).isoformat()


def _decimals(values: np.ndarray, places: int) -> list[str]:
    pattern = f"%.{places}f"
    return [pattern % value for value in values.tolist()]


def _names(index: np.ndarray, words: Sequence[str]) -> list[str]:
    return [words[i] for i in index.tolist()]


def _cells(texts: Iterable[str], missing: np.ndarray, code: str | np.ndarray = NOT_RECORDED) -> list[str]:
    codes = np.broadcast_to(np.asarray(code, dtype=object), missing.shape).tolist()
    return [c if gap else text for text, gap, c in zip(texts, missing.tolist(), codes, strict=True)]
