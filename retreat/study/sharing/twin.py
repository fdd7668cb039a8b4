"""A synthetic twin of the case table: invented eyes from a stated law, for trying programs on.

The law: the kind of opacity by its share; every other feature by its distribution within that kind, independent of the
others (depth, not the two gaps; the zone follows from depth); the end and the number of sessions by the fitted hazard
model given these features, averaged over its operators and patients; loss to follow-up after a session by one constant
chance; reason to stop and relief afterwards by how the course ended. Distributions are those of a model's case mix:
twenty quantiles of a number, shares of levels rounded to five cases.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from retreat import features as feature_floor
from retreat.errors import Fault, FitError, TableError
from retreat.features import MISSING_CODES, Columns
from retreat.features.depth import ZONE_DEPTH, depth
from retreat.model import casemix
from retreat.optics import vitreous_length
from retreat.study.size.mix import known, patients, sampled
from retreat.tables.schema import CASES

if TYPE_CHECKING:
    import pandas as pd

    from retreat.model import Model

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

ENDS = ("relieved", "stopped")
TWIN_SITE = "invented_twin"
_PIVOT = "opacity"
_CATEGORIES = ("opacity", "opacities", "cornea", "lens", "pvd")
_NUMBERS = ("size_mm", "eccentricity_deg", "sphere_d", "axial_mm", "pupil_mm", "age", "relief_before")
# digits of a number after the point, as clinics write them [common practice]; sphere and lengths as they are shared
_DIGITS = {"size_mm": 1, "axial_mm": 1, "pupil_mm": 1, "lens_gap_mm": 1, "retina_gap_mm": 1}
# columns made of depth are missing as often as what they are made of
_MISSING_AS = {"zone": "depth", "lens_gap_mm": "gaps", "retina_gap_mm": "gaps"}
# shares of missing values are told no finer
_SHARE_STEP = 0.05
_KEY_ALPHABET = np.array(list("bcdfghjkmnpqrstvwxz23456789"))


@dataclass(frozen=True)
class TwinLaw:
    """What a twin is drawn from; it holds no row.

    Parameters
    ----------
    mix : CaseMix
        Features and the year of the first session, within kinds of opacity.
    missing : mapping of str to mapping of str to float
        Share of missing values by kind and column, in twentieths.
    after : mapping of str to CaseMix
        Relief afterwards and reason to stop by how the course ended.
    missing_after : mapping of str to float
        Share of missing relief afterwards, by how the course ended.
    lost : float
        Chance to be lost after a session.
    eyes_per_patient : float
        Cases over patients.
    horizon : int
        Longest course.
    n_cases : int
        Cases that had begun.
    """

    mix: casemix.CaseMix
    missing: Mapping[str, Mapping[str, float]]
    after: Mapping[str, casemix.CaseMix]
    missing_after: Mapping[str, float]
    lost: float
    eyes_per_patient: float
    horizon: int
    n_cases: int


def learned(cases: pd.DataFrame) -> TwinLaw:
    """The law of a twin, learned from the table that is shared: nothing else of the clinic goes into it.

    Parameters
    ----------
    cases : DataFrame
        De-identified; cases not yet begun are left out.

    Raises
    ------
    TableError
        If none has begun, or the kind of opacity is hidden throughout.
    """
    begun = cases[cases["sessions"] > 0]
    if not len(begun) or begun[_PIVOT].isin(MISSING_CODES).all():
        raise TableError(Fault("cases", "no case has begun, or no kind of opacity may be told", "more cases"))
    found = _read(begun)
    ending = begun["ending"].to_numpy(dtype=object)
    relief = begun["relief_after"].to_numpy(dtype=float)
    reason = begun["stop_reason"].to_numpy(dtype=object)
    own = {
        end: casemix.learn(
            {
                "relief_after": relief[ending == end],
                "stop_reason": feature_floor.text({"stop_reason": reason[ending == end]}, "stop_reason"),
            }
        )
        for end in dict.fromkeys(ending.tolist())
    }  # fmt: skip
    went_on = int(begun["sessions"].sum() - np.isin(ending, ENDS).sum())
    mix = casemix.learn({n: v for n, v in found.items() if not _is_missing(v).all()}, pivot=_PIVOT)
    by_kind = {
        kind: {name: _share(_is_missing(values[found[_PIVOT] == kind])) for name, values in found.items()}
        for kind in mix.within
    }
    everywhere = {name: _share(_is_missing(values)) for name, values in found.items()}
    return TwinLaw(
        mix=mix,
        missing={"": everywhere, **by_kind},
        after=own,
        missing_after={end: _share(_is_missing(relief[ending == end])) for end in own},
        lost=round(float((ending == "ongoing").sum()) / max(went_on, 1), 2),
        eyes_per_patient=round(len(begun) / begun["patient"].nunique(), 2),
        horizon=int(begun["sessions"].max()),
        n_cases=len(begun),
    )


def drawn(law: TwinLaw, model: Model, n: int, rng: np.random.Generator) -> pd.DataFrame:
    """Invented cases.

    Parameters
    ----------
    law : TwinLaw
        Who they are.
    model : Model
        How their courses go.
    n : int
        How many.
    rng : numpy.random.Generator
        Source of chance.

    Returns
    -------
    DataFrame, shape (n, columns of cases)
        Site `invented_twin` in every row.

    Raises
    ------
    FitError
        If the model tells of other ends than relieved and stopped.
    """
    import pandas as pd

    if model.ends != ENDS:
        what = f"{model.card.name} tells of {', '.join(model.ends)}"
        raise FitError(Fault("model", what, "a model of the whole course: relieved, stopped", "such as core"))
    patient = patients(n, law.eyes_per_patient)
    told = _columns(law, sampled(law.mix, tuple(sorted(known(law.mix))), patient, rng), rng)
    sessions, ending = _courses(law, model, told, n, rng)
    second = np.flatnonzero(np.diff(patient, prepend=-1) == 0)
    right = rng.random(n) < 0.5
    right[second] = ~right[second - 1]
    told |= _afterwards(law, ending, rng)
    person = np.array(_keys("p", int(patient.max()) + 1, rng), dtype=object)
    told |= {
        "case": np.array(_keys("c", n, rng), dtype=object),
        "patient": person[patient],
        "eye": np.where(right, "right", "left").astype(object),
        "site": np.full(n, TWIN_SITE, dtype=object),
        "sessions": sessions,
        "ending": ending,
    }
    table = {}
    for column in CASES:
        absent = np.full(n, np.nan) if column.is_number else np.full(n, MISSING_CODES[0], dtype=object)
        values = told.get(column.name, absent)
        if column.is_number:
            digits = _DIGITS.get(column.name, 0)
            table[column.name] = values if column.name == "sessions" else np.round(values, digits) + 0.0
        else:
            table[column.name] = np.array(
                [MISSING_CODES[0] if v is None else v for v in values], dtype=object
            )
    return pd.DataFrame(table).sort_values("case").reset_index(drop=True)


def _read(cases: pd.DataFrame) -> dict[str, NDArray[Any]]:
    """Features of a case table, None or NaN where missing."""
    columns: Columns = {str(name): cases[name].to_numpy() for name in cases.columns}
    found: dict[str, NDArray[Any]] = {
        name: feature_floor.text(columns, name) for name in (*_CATEGORIES, "started")
    }
    found |= {name: feature_floor.number(columns, name) for name in _NUMBERS}
    at, source = depth(columns)
    return found | {"depth": at, "gaps": np.where(source == "measured", 0.0, np.nan)}


def _columns(
    law: TwinLaw, found: Mapping[str, NDArray[Any]], rng: np.random.Generator
) -> dict[str, NDArray[Any]]:
    """Columns of a case table from features drawn: gaps and zone from depth, and values missing as often."""
    columns = {name: values for name, values in found.items() if name not in ("depth", "gaps")}
    kinds = columns[_PIVOT]
    if "depth" in found:
        names = np.array(list(ZONE_DEPTH), dtype=object)
        columns["zone"] = names[np.minimum((found["depth"] * len(names)).astype(int), len(names) - 1)]
    if {"depth", "axial_mm", "gaps"} <= set(found):
        room = vitreous_length(np.round(found["axial_mm"], _DIGITS["axial_mm"]))
        columns["lens_gap_mm"] = np.round(np.clip(found["depth"] * room, 0.1, room), 1)
        columns["retina_gap_mm"] = np.maximum(np.round(room - columns["lens_gap_mm"], 1), 0.0)
    both = rng.random(len(kinds))  # the two gaps are measured together or not at all
    for name in [name for name in columns if name != _PIVOT]:
        chance = both if _MISSING_AS.get(name) == "gaps" else rng.random(len(kinds))
        source = _MISSING_AS.get(name, name)
        share = np.array([law.missing.get(str(kind), law.missing[""])[source] for kind in kinds])
        columns[name] = _blanked(columns[name], chance < share)
    return columns


def _courses(
    law: TwinLaw, model: Model, columns: Columns, n: int, rng: np.random.Generator
) -> tuple[IntArray, NDArray[np.object_]]:
    """Sessions and ending of each case by the model, some lost on the way."""
    last = model.card.last_session or law.horizon
    up_to = model.expected(columns, horizon=min(law.horizon, last))  # (cases, ends, sessions)
    chances = np.diff(up_to, axis=-1, prepend=0.0).transpose(0, 2, 1)  # (cases, sessions, ends)
    flat = np.cumsum(chances.reshape(n, -1), axis=1)
    place = (rng.random(n)[:, None] >= flat).sum(axis=1)
    session, end = place // len(ENDS) + 1, place % len(ENDS)
    over = place == flat.shape[1]
    lost = rng.geometric(law.lost, n) if law.lost > 0 else np.full(n, law.horizon)
    longest = np.minimum(lost, up_to.shape[-1])
    ongoing = over | (session > longest)
    ending = np.where(ongoing, "ongoing", np.array(ENDS)[np.where(ongoing, 0, end)]).astype(object)
    return np.where(ongoing, longest, session).astype(np.int64), ending


def _afterwards(
    law: TwinLaw, ending: NDArray[np.object_], rng: np.random.Generator
) -> dict[str, NDArray[Any]]:
    n = len(ending)
    relief, reason = np.full(n, np.nan), np.full(n, "not_applicable", dtype=object)
    reason[ending == "stopped"] = "unknown"
    for end, mix in sorted(law.after.items()):
        rows = np.flatnonzero(ending == end)
        found = sampled(mix, tuple(sorted(known(mix))), np.arange(len(rows)), rng) if len(rows) else {}
        if "relief_after" in found:
            relief[rows] = _blanked(found["relief_after"], rng.random(len(rows)) < law.missing_after[end])
        if "stop_reason" in found and end == "stopped":
            reason[rows] = found["stop_reason"]
    return {"relief_after": relief, "stop_reason": reason}


def _keys(start: str, n: int, rng: np.random.Generator) -> list[str]:
    """Keys of nobody: the seed may give them."""
    found: dict[str, None] = {}
    while len(found) < n:
        found["t" + start + "".join(rng.choice(_KEY_ALPHABET, 8))] = None
    return list(found)


def _blanked(values: NDArray[Any], gone: NDArray[np.bool_]) -> NDArray[Any]:
    found = values.copy()
    found[gone] = None if values.dtype == object else np.nan
    return found


def _is_missing(values: NDArray[Any]) -> NDArray[np.bool_]:
    return np.array([v is None or v != v for v in values.tolist()], dtype=bool)


def _share(gone: NDArray[np.bool_]) -> float:
    return round(round(float(gone.mean()) / _SHARE_STEP) * _SHARE_STEP, 2) if len(gone) else 0.0
