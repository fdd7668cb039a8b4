"""The sentences that a protocol takes over."""

from __future__ import annotations

from retreat.study.size.record import Estimate, SizePoint, StudySize

_ASKED = {
    "failures": "finite estimates in nearly every study",
    "shrinkage": "the expected calibration slope",
    "slope_width": "the spread of the slope",
    "width": "the width of the interval of the typical eye",
    "power": "the power",
}


def protocol(found: StudySize) -> tuple[str, ...]:
    """Sentences for a protocol: cautions, size, what it gives with Monte-Carlo errors, assumptions.

    Parameters
    ----------
    found : StudySize
        From :func:`simulate_size`.

    Examples
    --------
    >>> from retreat.study.size import of_definition, simulate_size
    >>> lines = protocol(simulate_size(of_definition("core"), eyes=[400], studies=20))
    >>> [line[:29] for line in lines if line.startswith("With")]
    ['With 400 eyes of 333 patients']
    """
    chosen = found.chosen
    told = found.points[-1] if chosen is None else chosen
    lines = (_sentence(found, told), *_by_end(found, told), _assumptions(found))
    first = () if chosen is not None else (_none_suffices(found, told),)
    return (*found.scenario.cautions, *first, *lines)


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
        f"The slope for {end} by session {found.horizon} is expected at {_value(point.slope[end])}."
        for end in found.scenario.ends[1:]
    ]
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
    missed = ", ".join(_ASKED[name] for name in point.missed(found.targets, found.end))
    return f"No size looked at reaches every target: with {point.eyes} eyes it still misses {missed}."


def _fit_words(penalty: str) -> str:
    return penalty.replace("penalised by ", "a penalty of ")


def _value(found: Estimate) -> str:
    if not found.known:
        return "not known"
    return f"{found.value:.2f} (Monte-Carlo error {found.error:.3f})"


TABLE = (
    "eyes",
    "patients",
    "slope",
    "its spread",
    "80% width",
    "95% width",
    "power",
    "no estimate",
    "missed",
)


def rows(found: StudySize) -> list[tuple[str, ...]]:
    """Table of the sizes for :data:`TABLE`; slope and spread are of the first end."""
    return [
        (
            str(one.eyes),
            str(one.patients),
            *(
                _short(value)
                for value in (
                    one.slope[found.end],
                    one.slope_width[found.end],
                    one.width_80,
                    one.width_95,
                    one.power,
                )
            ),
            f"{100 * one.failures:.0f}%",
            ", ".join(name.replace("_", " ") for name in one.missed(found.targets, found.end)),
        )
        for one in found.points
    ]


def _short(found: Estimate | None) -> str:
    return "" if found is None else f"{found.value:.2f} ({found.error:.3f})" if found.known else "not known"
