"""The eyes that published results are about, as a model without cases takes them."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import product

import numpy as np
from numpy.typing import NDArray

from retreat.coding import Coding
from retreat.definitions import Definition
from retreat.definitions.studies import MOST_SESSIONS, Kind
from retreat.model import CaseMix, Support, casemix, support

FloatArray = NDArray[np.float64]

_PIVOT = "opacity"
# from this share on a study is mainly of eyes with a level (our judgement)
_MAINLY = 0.5
# of three numbers of a kind, the share of eyes below each; and the shares that stand for all
_TOLD_SHARES = (0.05, 0.5, 0.95)
_TWO_SHARES = (0.5 - 0.5 / np.sqrt(3.0), 0.5 + 0.5 / np.sqrt(3.0))


def typical_columns(definition: Definition, coding: Coding) -> Mapping[str, FloatArray]:
    """Coded typical eye of each described kind of opacity, each of shape (columns,)."""
    return {
        kind.opacity: coding.encode(
            {
                name: np.array([value], dtype=object if isinstance(value, str) else float)
                for name, value in kind.typical.items()
            },
            n_cases=1,
        )[0]
        for kind in definition.kinds
    }


def spread_columns(definition: Definition, coding: Coding) -> Mapping[str, FloatArray]:
    """Coded eyes that stand for each described kind of opacity, alike in weight, each of shape (eyes, columns).

    Of each number the values at shares 0.21 and 0.79 of its eyes, each with each: their mean is that of all
    eyes of the kind for whatever rises with the share as a cubic (Gauss-Legendre of two points). Other categories
    are at their most frequent level.
    """
    return {kind.opacity: _coded_spread(kind, coding) for kind in definition.kinds}


def _coded_spread(kind: Kind, coding: Coding) -> FloatArray:
    two = {name: np.interp(_TWO_SHARES, _TOLD_SHARES, three) for name, three in kind.numbers.items()}
    eyes = list(product(*two.values()))
    numbers = {name: np.array([eye[i] for eye in eyes]) for i, name in enumerate(two)}
    levels = {
        name: np.full(len(eyes), value, dtype=object)
        for name, value in kind.typical.items()
        if name not in numbers
    }
    return coding.encode({**levels, **numbers}, n_cases=len(eyes))


def case_mix(definition: Definition) -> CaseMix:
    """Distribution of the features over the described kinds."""
    total = sum(kind.share for kind in definition.kinds)
    shares = {kind.opacity: kind.share / total for kind in definition.kinds}
    return casemix.described(
        shares, {kind.opacity: (kind.numbers, kind.levels) for kind in definition.kinds}, _PIVOT
    )


def supported(definition: Definition) -> Support:
    """Ranges of the described eyes, and which levels some result is mainly of."""
    numbers = dict.fromkeys(name for kind in definition.kinds for name in kind.numbers)
    ranges = {
        name: (
            min(kind.numbers[name][0] for kind in definition.kinds if name in kind.numbers),
            max(kind.numbers[name][2] for kind in definition.kinds if name in kind.numbers),
        )
        for name in numbers
    }
    levels: dict[str, dict[str, bool]] = {
        _PIVOT: {
            kind.opacity: any(study.kinds.get(kind.opacity, 0.0) >= _MAINLY for study in definition.studies)
            for kind in definition.kinds
        }
    }
    for kind in definition.kinds:
        for name, shares in kind.levels.items():
            known = levels.setdefault(name, {})
            for level, share in shares.items():
                known[level] = known.get(level, False) or share >= _MAINLY
    logged = tuple(name for term in definition.terms if term.form == "log" for name in term.features)
    return support.described(ranges, levels, definition.likeness, logged=logged)


def last_session(definition: Definition) -> int:
    """Last session that some share is told of; a mean tells of no session by itself."""
    told = [
        study.sessions[0] if study.sessions[1] == MOST_SESSIONS else study.sessions[1]
        for study in definition.studies
        if study.statistic != "mean_sessions"
    ]
    return max(told, default=1)
