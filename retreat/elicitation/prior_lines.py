"""Each prior of a definition in odds terms, beside the reason its author gave."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from retreat.definitions import Definition, Prior, TermEntry
from retreat.definitions.entries import Share
from retreat.features import FEATURES

# 97.5% quantiles: of a standard normal number, and of the product of two (a normal effect whose spread is itself
# half-normal), the latter by numerical integration
_NORMAL = 1.959964
_PRODUCT = 2.182
EVERY = "every end"
_UNITS = ("_mm", "_deg", "_d")


@dataclass(frozen=True)
class PriorLine:
    """One prior as written.

    Parameters
    ----------
    subject : str
        The term, or what else it is about.
    comparison : str
        What is compared with what.
    end : str
        The end whose odds, against going on, it is about.
    middle, low, high : float
        Factor of the odds (of a first session: the odds themselves) in the middle, and between which 95 of 100
        values lie.
    why : str
        Its author's reason.
    """

    subject: str
    comparison: str
    end: str
    middle: float
    low: float
    high: float
    why: str


def prior_lines(definition: Definition) -> tuple[PriorLine, ...]:
    """Every prior of a definition as written, in the order of its file.

    Examples
    --------
    >>> from retreat.definitions import read_definition
    >>> line = prior_lines(read_definition("core"))[0]
    >>> line.comparison, line.end, line.middle, round(line.high, 1)
    ('odds at the first session, all terms at their reference', 'relieved', 1.0, 18.9)
    """
    lines = [
        _line("sessions", "odds at the first session, all terms at their reference", prior, 1.0)
        for prior in definition.sessions.first
    ]
    step = definition.sessions.step
    if step is not None and definition.sessions.effect != "free":
        # the slope of a line is normal itself; the steps of a walk have a spread that is learned
        quantile = _NORMAL if definition.sessions.effect == "linear" else _PRODUCT
        lines.append(_spread("sessions", "from one session to the next", quantile * step.sd, step.why))
    for entry in definition.entries:
        comparisons = _comparisons(entry)
        lines += [
            _line(
                " and ".join(_plain(f) for f in entry.features), comparisons.get(prior.level, ""), prior, unit
            )
            for prior in entry.prior
            for unit in (_unit(entry),)
        ]
    groups = definition.groups
    if groups.operator is not None:
        # the difference of two operators is wider than one by the root of 2
        width = _PRODUCT * math.sqrt(2.0) * groups.operator.sd
        lines.append(_spread("operators", "one operator against another", width, groups.operator.why))
    if groups.patient is not None:
        width = _PRODUCT * math.sqrt(2.0) * groups.patient.sd
        lines.append(_spread("patients", "one patient against another", width, groups.patient.why))
    if groups.never is not None:
        lines.append(_never(groups.never))
    return tuple(lines)


def _never(share: Share) -> PriorLine:
    """The share as odds of never responding, by a normal approximation of the log odds of a beta."""
    a, b = share.mean * share.patients, (1.0 - share.mean) * share.patients
    middle, width = math.log(a / b), _NORMAL * math.sqrt(1.0 / a + 1.0 / b)
    return PriorLine(
        "patients",
        "odds that eyes never respond",
        EVERY,
        a / b,
        math.exp(middle - width),
        math.exp(middle + width),
        share.why,
    )


def _line(subject: str, comparison: str, prior: Prior, unit: float) -> PriorLine:
    away = _NORMAL * prior.sd
    low, high = sorted((unit * (prior.mean - away), unit * (prior.mean + away)))
    return PriorLine(
        subject,
        comparison,
        prior.end or EVERY,
        math.exp(unit * prior.mean),
        math.exp(low),
        math.exp(high),
        prior.why,
    )


def _spread(subject: str, comparison: str, width: float, why: str) -> PriorLine:
    return PriorLine(subject, comparison, EVERY, 1.0, math.exp(-width), math.exp(width), why)


def _unit(entry: TermEntry) -> float:
    """How much of a coefficient the comparison in words is: all, or of a logarithm a doubling."""
    return math.log(2.0) if entry.form == "log" else 1.0


def _comparisons(entry: TermEntry) -> Mapping[str, str]:
    """The comparison in words by the level a prior names; the empty level stands for all."""
    if entry.form == "interaction":
        levels = [level for feature in entry.features for level in FEATURES[feature].levels]
        words = f"{_plain(entry.features[0])} where {_plain(entry.features[1])} differs, beyond both alone"
        return {"": words, **{level: f"{_plain(level)}: {words}" for level in levels}}
    feature = FEATURES[entry.features[0]]
    if entry.form == "category":
        reference = _plain(entry.reference)
        alone = [level for level in feature.levels if level != entry.reference]
        others = _plain(alone[0]) if len(alone) == 1 else "any other"
        return {
            "": f"{others} against {reference}",
            **{level: f"{_plain(level)} against {reference}" for level in feature.levels},
        }
    if entry.form == "log":
        return {"": "twice as much"}
    if entry.form == "linear" and not feature.unit and entry.scale == 1.0:
        return {"": "from 0 to 1"}
    bends = ", and each bend of the curve" if entry.form == "spline" else ""
    unit = f" {feature.unit}" if feature.unit else ""
    return {"": f"{entry.scale:g}{unit} more{bends}"}


def _plain(name: str) -> str:
    """A name in words, without the unit at its end."""
    for unit in _UNITS:
        name = name.removesuffix(unit)
    return name.replace("_", " ")
