"""Life table by session: at risk, relieved, stopped, not followed further, hazards with intervals."""

from __future__ import annotations

from typing import Any

import numpy as np

from retreat.study.cohort.keys import Key, of_group
from retreat.study.cohort.leaving import (
    STANDING,
    FloatArray,
    Leaving,
    at_risk_and_ended,
    leaving_counts,
    leaving_relations,
    left_at,
    reached,
)
from retreat.study.cohort.studied import ENDS
from retreat.study.suppression.sourced import Sourced
from retreat.validation._spread import wilson
from retreat.validation.observed import product_limit

COUNTS = ("at_risk", *ENDS, "censored")
# a variance below this is rounding
_NO_SPREAD = 1e-15


def life_table(found: Leaving) -> Sourced:
    """Life table of each kind.

    A hazard is the share of those at risk at a session that end there. Its interval is Wilson's with as many cases
    as would give it the spread it has in samples of patients, never more than were at risk (Korn and Graubard 1998,
    from memory); where it has no spread, since nobody or everybody ends, with as many as there were patients at risk.
    `followed` is the chance of being followed past the session were nobody to end, from the reverse life table: loss
    is the event (Schemper and Smith 1996).

    Parameters
    ----------
    found : Leaving
        Cases by last session.

    Returns
    -------
    Sourced
        Columns: kind, session, at_risk, relieved, stopped, censored; for each end hazard_END, hazard_END_low and
        hazard_END_high; followed.

    References
    ----------
    Schemper M, Smith TL. A note on quantifying follow-up in studies of failure time. Control Clin Trials
    1996;17:343-346 (from memory).
    """
    import pandas as pd

    rows: list[dict[str, Any]] = []
    sources: dict[str, list[tuple[Key, ...]]] = {}
    for place, kind in enumerate(found.kinds):
        key = of_group("cases", found.by, kind)
        lines = _lines(found, place)
        for k, line in enumerate(lines, start=1):
            rows.append({"kind": kind, "session": k, **line})
            for column, keys in _keys(key, k).items():
                sources.setdefault(column, []).append(keys)
    frame = pd.DataFrame(rows)
    return Sourced(
        frame,
        {column: tuple(keys) for column, keys in sources.items()},
        dict(leaving_counts(found)),
        tuple(leaving_relations(found)),
    )


def followed_past(counts: FloatArray) -> FloatArray:
    """Share followed past each session by the reverse life table, shape (horizon,), NaN where nobody is left to lose.

    Parameters
    ----------
    counts : ndarray of float, shape (standings, horizon + 1)
        Cases by last session.
    """
    at_risk, ended = at_risk_and_ended(counts)
    left = at_risk - ended.sum(axis=0)
    _, staying = product_limit(counts[:1, :-1], left)
    return np.where(np.cumprod(left > 0).astype(bool), staying, np.nan)


def followed_keys(kind: Key, session: int) -> tuple[Key, ...]:
    """Counts that the share followed past a session rests on."""
    sessions = range(1, session + 1)
    return (*(reached(kind, k) for k in sessions), *(left_at(kind, k, s) for k in sessions for s in STANDING))


def _lines(found: Leaving, place: int) -> list[dict[str, Any]]:
    at_risk, ended = at_risk_and_ended(found.counts[place])
    sampled_at_risk, sampled_ended = at_risk_and_ended(found.resampled[:, place])
    censored = found.counts[place, 0, :-1]
    followed = followed_past(found.counts[place])
    lines = []
    for k in range(found.horizon):
        n = at_risk[k]
        line: dict[str, Any] = {
            "at_risk": int(n),
            **{end: int(ended[j, k]) for j, end in enumerate(ENDS)},
            "censored": int(censored[k]),
        }
        for j, end in enumerate(ENDS):
            hazard = ended[j, k] / n if n else np.nan
            independent = _independent(hazard, sampled_ended[:, j, k], sampled_at_risk[:, k])
            most = n if np.isfinite(independent) else found.patients_at_risk[place, k]
            low, high = wilson(hazard, min(most, independent), found.level)
            line |= {f"hazard_{end}": hazard, f"hazard_{end}_low": low, f"hazard_{end}_high": high}
        lines.append({**line, "followed": followed[k]})
    return lines


def _independent(hazard: float, ended: FloatArray, at_risk: FloatArray) -> float:
    """Independent cases that the spread over samples tells; infinite where there is no spread."""
    some = at_risk > 0
    spread = float(np.var(ended[some] / at_risk[some])) if some.sum() > 1 else 0.0
    return hazard * (1.0 - hazard) / spread if spread > _NO_SPREAD else np.inf


def _keys(kind: Key, session: int) -> dict[str, tuple[Key, ...]]:
    """Counts that the numbers of a row rest on."""
    at_risk = reached(kind, session)
    ended = {end: left_at(kind, session, end) for end in ENDS}
    return {
        "at_risk": (at_risk,),
        **{end: (ended[end],) for end in ENDS},
        "censored": (left_at(kind, session, STANDING[0]),),
        **{f"hazard_{end}{part}": (at_risk, ended[end]) for end in ENDS for part in ("", "_low", "_high")},
        "followed": followed_keys(kind, session),
    }
