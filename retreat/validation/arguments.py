"""What a validation of a recipe is asked, checked; everything wrong is told at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from retreat.definitions import LAST_SESSION, Definition
from retreat.errors import Fault, FitError
from retreat.model.request import MAX_HORIZON
from retreat.validation._checked import Courses
from retreat.validation.estimators import check_arguments
from retreat.validation.left_out import CLUSTERS
from retreat.validation.run import NAMES
from retreat.validation.schemes.challengers import ASKED_FOR, CHALLENGERS

# sessions at which measures are taken unless others are named
HORIZONS = (1, 2, 3, 4)
# landmarks unless others are named: of a model that learns during a course, and of any other
_AT_HISTORY, _AT = (0, 1, 2, 3), (1, 2)
_FOLDS_SAMPLED, _FOLDS = 5, 10


@dataclass(frozen=True)
class Asked:
    """Checked arguments.

    Parameters
    ----------
    horizons : tuple of int
        Sessions at which measures are taken, rising.
    beyond : tuple of int
        Those asked for that nobody reached.
    at : tuple of int
        Landmarks: sessions had, rising.
    """

    horizons: tuple[int, ...]
    beyond: tuple[int, ...]
    at: tuple[int, ...]


def asked(
    definition: Definition,
    seen: Courses,
    *,
    horizons: Sequence[int],
    at: Sequence[int] | None,
    resamples: int,
    correction: str,
    level: float,
    seed: int,
    repeats: int,
    by: Sequence[str],
    challengers: Sequence[str],
    imputations: int,
    decisions: Sequence[int],
) -> Asked:
    """Check the arguments of :func:`retreat.validate` against the definition and the cases.

    Raises
    ------
    FitError
        All faults at once.
    """
    faults = []
    if isinstance(repeats, bool) or not isinstance(repeats, int) or repeats < 1:
        faults.append(Fault("repeats", f"{repeats!r}", "a whole number from 1"))
    if isinstance(imputations, bool) or not isinstance(imputations, int) or not 0 <= imputations <= 100:
        faults.append(Fault("imputations", f"{imputations!r}", "a whole number from 0 to 100"))
    for what in by:
        if what not in CLUSTERS:
            faults.append(Fault("by", f"{what!r}", ", ".join(CLUSTERS)))
    for name in challengers:
        if name not in (*CHALLENGERS, *ASKED_FOR):
            faults.append(Fault("challengers", f"{name!r}", ", ".join((*CHALLENGERS, *ASKED_FOR))))
    landmarks, wrong = _landmarks(definition, at)
    faults += wrong
    try:
        wanted, packages = tuple(horizons), tuple(decisions)
    except TypeError:
        what = f"{horizons!r}, {decisions!r}"
        faults.append(Fault("horizons, decisions", what, "sequences of whole sessions, such as (1, 2)"))
        raise FitError(faults) from None
    for h in packages:
        if isinstance(h, bool) or not isinstance(h, int) or h < 1:
            faults.append(Fault("decisions", f"{h!r}", "whole sessions from 1"))
    last = LAST_SESSION[definition.outcome]
    if last is not None:
        wanted = tuple(k for k in wanted if not isinstance(k, int) or k <= last)
        if not wanted:
            faults.append(Fault("horizons", f"{tuple(horizons)!r}", f"1 to {last} for {definition.name}"))
    elif wanted == HORIZONS:
        # defaults past the longest course of a small clinic are left out; the caller's own are refused
        longest = int(seen.sessions.max())
        wanted = tuple(k for k in wanted if k <= longest)
    try:
        kept, beyond = check_arguments(
            seen,
            horizons=wanted,
            resamples=resamples or 2,
            correction=correction,
            measures=NAMES,
            level=level,
            seed=seed,
        )
    except FitError as error:
        raise FitError([*faults, *error.faults]) from None
    if faults:
        raise FitError(faults)
    return Asked(kept, beyond, landmarks)


def n_folds(definition: Definition, folds: int | None) -> int:
    """Folds asked for, or the definition's own: fewer where each fold samples a state model, which takes a minute."""
    if folds is not None:
        return folds
    sampled = definition.history is not None and definition.history.kind == "progress"
    return _FOLDS_SAMPLED if sampled else _FOLDS


def _landmarks(definition: Definition, at: Sequence[int] | None) -> tuple[tuple[int, ...], list[Fault]]:
    last = LAST_SESSION[definition.outcome]
    if at is None:
        usual = _AT if definition.history is None else _AT_HISTORY
        return (usual if last is None else ()), []
    most = (MAX_HORIZON if last is None else last) - 1
    allowed = f"whole sessions had, from 0 to {most}, such as (0, 1, 2, 3)" if most else "0"
    if last is not None:
        allowed += f": {definition.name} looks at session {last} alone"
    try:
        wanted = tuple(at)
    except TypeError:
        return (), [Fault("at", f"{at!r}", allowed)]
    faults = [
        Fault("at", f"{done!r}", allowed)
        for done in wanted
        if isinstance(done, bool) or not isinstance(done, int | np.integer) or not 0 <= done <= most
    ]
    return (() if faults else tuple(sorted({int(done) for done in wanted}))), faults
