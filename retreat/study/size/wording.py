"""The sentences that a protocol takes over."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from retreat.study.size.record import Estimate, SizePoint, StudySize, Targets

if TYPE_CHECKING:
    from retreat.study.size.by_end import EndSize

_ASKED = {
    "failures": "finite estimates in nearly every study",
    "shrinkage": "the expected calibration slope",
    "slope_width": "the spread of the slope",
    "width": "the width of the interval of the typical eye",
    "power": "the power",
}


def protocol(found: StudySize, closed: Sequence[EndSize] = ()) -> tuple[str, ...]:
    """Sentences for a protocol: cautions, size, what it gives with Monte-Carlo errors, assumptions, size for all ends.

    Parameters
    ----------
    found : StudySize
        From :func:`simulate_size`.
    closed : sequence of EndSize
        From :func:`size_by_end`, of the same scenario: what each end asks for by closed criteria.

    Examples
    --------
    >>> from retreat.study.size import of_definition, simulate_size, size_by_end
    >>> scenario = of_definition("core")
    >>> lines = protocol(simulate_size(scenario, eyes=[400], studies=20), size_by_end(scenario))
    >>> [line[:29] for line in lines if line.startswith("With")]
    ['With 400 eyes of 333 patients']
    >>> lines[-1].startswith("For both ends, relieved and stopped: more than 1060 eyes")
    True
    """
    chosen = found.chosen
    told = found.points[-1] if chosen is None else chosen
    lines = (_sentence(found, told), *_by_end(found, told), _assumptions(found))
    first = () if chosen is not None else (_none_suffices(found, told),)
    return (*found.scenario.cautions, *first, *lines, for_all_ends(found, closed))


def eyes_for_all(found: StudySize, closed: Sequence[EndSize] = ()) -> int | None:
    """The most eyes that an end asks for, by closed criteria or simulation; None where no size suffices for an end.

    Closed criteria stand for no simulation: they ask neither for the spread of the slope nor for power.
    """
    eyes = [one.eyes for one in closed]
    for end in found.scenario.ends:
        point = found.chosen_for(end)
        if point is None:
            return None
        eyes.append(point.eyes)
    return max(eyes)


def for_all_ends(found: StudySize, closed: Sequence[EndSize] = ()) -> str:
    """How many eyes all ends ask for together, and why so many."""
    ends = found.scenario.ends
    said = {one.end: one.eyes for one in closed}
    why = []
    for end in ends:
        point = found.chosen_for(end)
        parts = [f"{said[end]} by closed criteria"] if end in said else []
        parts.append(f"{'no size looked at' if point is None else point.eyes} by simulation")
        why.append(f"{end} {' and '.join(parts)}")
    eyes = eyes_for_all(found, closed)
    if eyes is not None:
        return f"{_all_of(ends)}: at least {eyes} eyes ({'; '.join(why)})."
    last = found.points[-1]
    least = max(last.eyes, *said.values()) if said else last.eyes
    short = [end for end in ends if found.chosen_for(end) is None]
    missed = [f"{end} ({_listed([_ASKED[name] for name in found.missed(last, end)])})" for end in short]
    return (
        f"{_all_of(ends)}: more than {least} eyes ({'; '.join(why)}). Up to {last.eyes} eyes were simulated, too few "
        f"for {_listed(missed)}: look at larger sizes, or say in the protocol that {_listed(short)} will be told less "
        "surely."
    )


def targets_told(found: StudySize) -> str:
    """What a size must reach, and where each number comes from."""
    aims = found.targets
    parts = [
        f"calibration slope {aims.shrinkage:g} or more (Riley and others 2019)",
        f"spread of slope, over 95 of 100 studies, {aims.slope_width:g} or less (our judgement)",
        f"95% interval of a typical eye's chance of {found.end} {aims.width:g} wide or less (our judgement)",
        f"studies without an estimate {100 * aims.failures:g}% or fewer (our judgement)",
    ]
    if found.scenario.effect is not None:
        parts.append(f"power {aims.power:g} or more (common practice)")
    default = Targets()
    if aims != default:
        # numbers that somebody chose are nobody's published ones
        parts = [part.rpartition(" (")[0] for part in parts]
    return f"Targets: {'; '.join(parts)}."


def _all_of(ends: Sequence[str]) -> str:
    if len(ends) == 1:
        return f"For {ends[0]}"
    return f"For {'both' if len(ends) == 2 else 'all'} ends, {_listed(ends)}"


def _listed(words: Sequence[str]) -> str:
    return " and ".join((", ".join(words[:-1]), words[-1])) if len(words) > 1 else words[0]


def _sentence(found: StudySize, point: SizePoint) -> str:
    by = f"by session {found.horizon}"
    text = (
        f"With {point.eyes} eyes of {point.patients} patients, a model of {found.scenario.definition.name} fitted by "
        f"{_fit_words(found.penalty)} is expected to have a calibration slope for {found.end} {by} of "
        f"{_value(point.slope[found.end])}, in 95 of 100 studies within a range {_value(point.slope_width[found.end])} "
        f"wide; for a typical eye (true chance {found.true_chance:.2f}) the 95% interval of the chance of "
        f"{found.end} {by} is {_value(point.width_95)} wide on average, the 80% interval {_value(point.width_80)}"
    )
    effect = found.scenario.effect
    if effect is not None and point.power is not None:
        text += (
            f"; an odds ratio of {effect.odds_ratio:g} of {effect.column} on {effect.end} is found at the two-sided "
            f"5% level in {100 * point.power.value:.0f}% (Monte-Carlo error {100 * point.power.error:.1f}) of studies"
        )
    return text + "."


def _by_end(found: StudySize, point: SizePoint) -> tuple[str, ...]:
    ended = ", ".join(f"{round(n)} {end}" for end, n in point.ended.items())
    others = [
        f"The slope for {end} by session {found.horizon} is expected at {_value(point.slope[end])}, in 95 of 100 "
        f"studies within a range {_value(point.slope_width[end])} wide."
        for end in found.scenario.ends[1:]
    ]
    if others:
        others.insert(0, f"This size is judged by {found.end} alone.")
    failed = ""
    if point.failures:
        failed = f" {100 * point.failures:.0f}% of studies gave no finite estimate."
    return (f"Expected ends: {ended}.{failed}", *others)


def _assumptions(found: StudySize) -> str:
    scenario = found.scenario
    return (
        f"Assumed: {scenario.source}; {scenario.eyes_per_patient:g} eyes a patient; {100 * scenario.lost:g}% of eyes "
        f"in treatment lost after each session; courses followed for {scenario.most_sessions} sessions; "
        f"{found.points[0].studies} simulated studies of each size, seed {found.seed}."
    )


def _none_suffices(found: StudySize, point: SizePoint) -> str:
    missed = ", ".join(_ASKED[name] for name in found.missed(point, found.end))
    return f"No size looked at reaches every target: with {point.eyes} eyes it still misses {missed}."


def _fit_words(penalty: str) -> str:
    return penalty.replace("penalised by ", "a penalty of ")


def _value(found: Estimate) -> str:
    if not found.known:
        return "not known"
    return f"{found.value:.2f} (Monte-Carlo error {found.error:.3f})"


_COLUMNS = {
    "shrinkage": "slope",
    "slope_width": "spread of slope",
    "width": "95% interval",
    "power": "power",
    "failures": "no estimate",
}


def columns(found: StudySize) -> tuple[str, ...]:
    """Headings of the table of :func:`rows`; power only where an effect is to be found."""
    power = () if found.scenario.effect is None else ("power",)
    first = ("end", "eyes", "patients", "slope", "spread of slope", "80% interval", "95% interval")
    return (*first, *power, "no estimate", "not reached")


def rows(found: StudySize) -> list[tuple[str, ...]]:
    """Table of the ends and sizes for :func:`columns`; power with the end of its effect, intervals with the first."""
    return [_row(found, end, point) for end in found.scenario.ends for point in found.points]


def _row(found: StudySize, end: str, point: SizePoint) -> tuple[str, ...]:
    own = end == found.end
    intervals = (point.width_80, point.width_95) if own else (None, None)
    power = () if found.scenario.effect is None else (found.power(point, end),)
    missed = (_COLUMNS[name] for name in found.missed(point, end))
    return (
        end,
        str(point.eyes),
        str(point.patients),
        *map(_short, (point.slope[end], point.slope_width[end], *intervals, *power)),
        f"{100 * point.failures:.0f}%",
        ", ".join(missed),
    )


def _short(found: Estimate | None) -> str:
    return "" if found is None else f"{found.value:.2f} ({found.error:.3f})" if found.known else "not known"
