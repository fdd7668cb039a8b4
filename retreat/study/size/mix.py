"""Eyes of a case mix, two of some patients: what a study may come to see."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from retreat.errors import Fault, FitError
from retreat.features import FEATURES
from retreat.model.casemix import CaseMix, described

Features = dict[str, NDArray[Any]]

# features that both eyes of a patient share as a rule (common practice: corneal surgery is done on both)
_OF_PATIENT = ("cornea", "corneal_surgery", "age", "relief_before")
# of three numbers of a feature, the share of eyes below each
_TOLD_SHARES = (0.05, 0.5, 0.95)


def sampled(
    mix: CaseMix, names: tuple[str, ...], patient: NDArray[np.int64], rng: np.random.Generator
) -> Features:
    """Features of eyes drawn from a case mix; the second eye of a patient shares what both eyes share.

    Parameters
    ----------
    mix : CaseMix
        Distribution of the features, independent of each other within a level of its pivot.
    names : tuple of str
        Features to draw.
    patient : ndarray of int, shape (eyes,)
        Patient of each eye; eyes of one patient stand side by side.
    rng : numpy.random.Generator
        Source of chance.

    Returns
    -------
    dict of str to ndarray, each of shape (eyes,)

    Examples
    --------
    >>> mix = CaseMix({"lens": {"natural": 1.0}}, {"size_mm": (2.0, 2.0)})
    >>> eyes = sampled(mix, ("lens", "size_mm"), np.arange(2), np.random.default_rng(1))
    >>> eyes["lens"].tolist(), eyes["size_mm"].tolist()
    (['natural', 'natural'], [2.0, 2.0])
    """
    n = len(patient)
    found: Features = {}
    pivot = None
    if mix.pivot in mix.levels:
        pivot = _levels(mix.levels[mix.pivot], rng.random(n))
        found[mix.pivot] = pivot
    for name in names:
        if name in found:
            continue
        chance = rng.random(n)
        found[name] = _drawn(mix, name, chance)
        for level, own in mix.within.items():
            if pivot is not None and (name in own.levels or name in own.quantiles):
                rows = pivot == level
                found[name][rows] = _drawn(own, name, chance[rows])
    second = np.flatnonzero(np.diff(patient, prepend=-1) == 0)
    for name in _OF_PATIENT:
        if name in found:
            found[name][second] = found[name][second - 1]
    return {name: found[name] for name in names}


def patients(n_eyes: int, eyes_per_patient: float) -> NDArray[np.int64]:
    """Patient of each eye, first those with two eyes in the study.

    Examples
    --------
    >>> patients(5, 1.25).tolist()
    [0, 0, 1, 2, 3]
    """
    n_patients = max(round(n_eyes / eyes_per_patient), (n_eyes + 1) // 2)
    both = n_eyes - n_patients
    return np.concatenate([np.repeat(np.arange(both), 2), np.arange(both, n_patients)]).astype(np.int64)


def typical(mix: CaseMix, names: tuple[str, ...]) -> dict[str, str | float]:
    """The most frequent level of each category and the median of each number, of eyes of the most frequent kind.

    Examples
    --------
    >>> typical(CaseMix({"lens": {"natural": 0.7, "monofocal": 0.3}}, {}), ("lens",))
    {'lens': 'natural'}
    """
    found: dict[str, str | float] = {}
    kind = mix
    if mix.pivot in mix.levels:
        found[mix.pivot] = _most(mix.levels[mix.pivot])
        kind = mix.of_level(str(found[mix.pivot]))
    for name in names:
        if name not in found:
            own = kind if name in kind.levels or name in kind.quantiles else mix
            levels = own.levels.get(name)
            found[name] = _most(levels) if levels else round(float(np.median(own.quantiles[name])), 3)
    return {name: found[name] for name in names}


def with_given(mix: CaseMix, given: Mapping[str, Mapping[str, float] | tuple[float, ...]]) -> CaseMix:
    """The mix with some features as told: shares of levels, or three numbers that 5, 50 and 95 of 100 lie below.

    A feature that is told has one distribution, whatever the kind of opacity.

    Raises
    ------
    FitError
        If a feature or level is not known, shares do not add to 1, or numbers do not rise; all at once.

    Examples
    --------
    >>> mix = with_given(CaseMix({}, {}), {"size_mm": (1.0, 2.0, 4.0), "lens": {"natural": 1.0}})
    >>> mix.levels["lens"], round(mix.quantiles["size_mm"][0], 2)
    ({'natural': 1.0}, 1.0)
    """
    faults = [fault for name, told in given.items() if (fault := _fault(name, told)) is not None]
    if faults:
        raise FitError(faults)
    levels = {name: dict(told) for name, told in given.items() if isinstance(told, Mapping)}
    numbers = {name: told for name, told in given.items() if not isinstance(told, Mapping)}
    # `described` reads three numbers of one level of a pivot; every eye is of the only one
    told = described({"all": 1.0}, {"all": ({n: (v[0], v[1], v[2]) for n, v in numbers.items()}, {})}, "any")
    return replace(
        mix,
        levels={**mix.levels, **levels},
        quantiles={**mix.quantiles, **told.quantiles},
        within={level: _without(own, given) for level, own in mix.within.items()},
    )


def known(mix: CaseMix) -> set[str]:
    """Features that the mix tells of."""
    return set(mix.levels) | set(mix.quantiles)


def _without(mix: CaseMix, names: Mapping[str, object]) -> CaseMix:
    return replace(
        mix,
        levels={name: shares for name, shares in mix.levels.items() if name not in names},
        quantiles={name: points for name, points in mix.quantiles.items() if name not in names},
    )


def _drawn(mix: CaseMix, name: str, chance: NDArray[np.float64]) -> NDArray[Any]:
    if name in mix.levels:
        return _levels(mix.levels[name], chance)
    points = np.asarray(mix.quantiles[name])
    return np.asarray(np.interp(chance, (np.arange(len(points)) + 0.5) / len(points), points))


def _levels(shares: Mapping[str, float], chance: NDArray[np.float64]) -> NDArray[Any]:
    names = np.array(list(shares), dtype=object)
    below = np.cumsum(list(shares.values()))
    chosen: NDArray[Any] = names[
        np.minimum(np.searchsorted(below / below[-1], chance, side="right"), len(names) - 1)
    ]
    return chosen


def _most(shares: Mapping[str, float]) -> str:
    return max(shares, key=lambda level: shares[level])


def _fault(name: str, told: object) -> Fault | None:
    feature = FEATURES.get(name)
    if feature is None:
        return Fault(f"mix, {name}", "no such feature", ", ".join(FEATURES))
    if feature.levels:
        sound = isinstance(told, Mapping) and set(told) <= set(feature.levels) and _adds_up(told)
        allowed = f"shares of {', '.join(feature.levels)} that add to 1"
    else:
        low, high = (limit for limit in (feature.low, feature.high))
        sound = _rises(told, -np.inf if low is None else low, np.inf if high is None else high)
        allowed = (
            f"three rising numbers from {low:g} to {high:g}, those that 5, 50 and 95 of 100 eyes lie below"
        )
    return None if sound else Fault(f"mix, {name}", f"{told!r}", allowed)


def _adds_up(shares: Mapping[str, object]) -> bool:
    from retreat.fitting.arguments import is_number

    return all(map(is_number, shares.values())) and abs(sum(map(float, shares.values())) - 1.0) < 1e-6  # type: ignore[arg-type]


def _rises(told: object, low: float, high: float) -> bool:
    if not isinstance(told, tuple | list) or len(told) != len(_TOLD_SHARES):
        return False
    if any(isinstance(v, bool) or not isinstance(v, int | float) for v in told):
        return False
    return bool(low <= told[0] <= told[1] <= told[2] <= high)
