"""Whether a twin gives away who was in the table: half of the patients make it, the other half is what to expect.

A law that only learned how such eyes are is no nearer to the cases it was learned from than to others of the same
clinic. So the patients are halved at random, a twin is drawn from the law of the first half, and each measure of it on
that half is held against the same measure on the other, which the twin cannot have copied (Platzer and Reutterer 2021,
doi 10.3389/fdata.2021.679939, from memory; attribute inference against a control group as Giomi and others 2023, from
memory). The hazard model is the same for both halves: it holds a few numbers, and its own file is what it tells.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from math import isnan
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from retreat.features import MISSING_CODES
from retreat.study.sharing.twin import drawn, learned

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from retreat.model import Model

FloatArray = NDArray[np.float64]

# halvings averaged over, each taken both ways
HALVINGS = 5
# fewest patients of a half on which the measures say anything (our judgement), and most cases of it compared
_LEAST_HALF, _MOST_CASES = 25, 400
# Largest excess that passes, out of what the other half left room for (our judgement): whoever copies has 1. A law
# learned from a hundred cases lies a little nearer to them than to others, by its shares and quantiles alone.
_TOLERATED = {"like in what is known": 0.1, "like in everything": 0.01, "nearer": 0.2, "guessed": 0.2}
# a twin tells nothing true of these
_NOT_COMPARED = ("case", "patient", "operator", "site", "started")
# guessed from all other columns of the nearest twin row
_TARGETS = ("ending", "pvd")


@dataclass(frozen=True)
class Measure:
    """One measure on the halves twins were made from, and what is expected from the others.

    Parameters
    ----------
    name : str
        What is measured.
    found, expected : float in [0, 1]
        Shares, means over the halvings.
    tolerated : float in [0, 1]
        Largest excess that passes.
    """

    name: str
    found: float
    expected: float
    tolerated: float

    @property
    def excess(self) -> float:
        """(found - expected) / (1 - expected): 0 where nothing is given away, 1 where everything is."""
        return (self.found - self.expected) / max(1.0 - self.expected, 1e-9)

    @property
    def passed(self) -> bool:
        """Whether the excess is tolerated."""
        return self.excess <= self.tolerated


@dataclass(frozen=True)
class Disclosure:
    """The verdict on a twin.

    Parameters
    ----------
    measures : tuple of Measure
        Empty where there were too few patients to halve.
    ratio_twin, ratio_expected : float
        Median distance to the nearest case of the first half over that to the second nearest, of twin rows and of
        cases of the other half. Near 0 means copies; told, not tested.
    n_half : int
        Cases of a half that were compared.
    """

    measures: tuple[Measure, ...]
    ratio_twin: float
    ratio_expected: float
    n_half: int

    @property
    def passed(self) -> bool:
        """Whether the twin may be handed on."""
        return bool(self.measures) and all(measure.passed for measure in self.measures)

    @property
    def why(self) -> str:
        """Why not; empty where it may."""
        if not self.measures:
            return f"fewer than {2 * _LEAST_HALF} patients: the check can say nothing"
        failed = [measure.name for measure in self.measures if not measure.passed]
        return f"more than expected: {'; '.join(failed)}" if failed else ""

    def to_json(self) -> dict[str, Any]:
        """Plain lists and numbers."""
        told = asdict(self)
        told["measures"] = [
            asdict(m) | {"excess": round(m.excess, 4), "passed": m.passed} for m in self.measures
        ]
        for name in ("ratio_twin", "ratio_expected"):
            told[name] = None if isnan(told[name]) else told[name]
        return told | {"passed": self.passed, "why": self.why}


def disclosure_of(cases: pd.DataFrame, model: Model, known: Sequence[str], seed: int) -> Disclosure:
    """The check of a twin of this table.

    Parameters
    ----------
    cases : DataFrame
        The table that is shared.
    model : Model
        How courses go.
    known : sequence of str
        Columns others may know.
    seed : int
        Of the halves and the twin of the first.
    """
    begun = cases[cases["sessions"] > 0].reset_index(drop=True)
    persons = np.array(sorted(begun["patient"].unique()), dtype=object)
    if len(persons) < 2 * _LEAST_HALF:
        return Disclosure((), float("nan"), float("nan"), 0)
    rng = np.random.default_rng(seed)
    return together([_halved(begun, persons, model, known, rng) for _ in range(HALVINGS)])


def together(found: Sequence[Disclosure]) -> Disclosure:
    """Means over halvings."""
    measures = tuple(
        Measure(
            same[0].name,
            round(float(np.mean([one.found for one in same])), 4),
            round(float(np.mean([one.expected for one in same])), 4),
            same[0].tolerated,
        )
        for same in zip(*(one.measures for one in found), strict=True)
    )
    twin, expected = (
        round(float(np.mean(ratios)), 4)
        for ratios in zip(*((one.ratio_twin, one.ratio_expected) for one in found), strict=True)
    )
    return Disclosure(measures, twin, expected, found[0].n_half)


def _halved(
    begun: pd.DataFrame,
    persons: NDArray[np.object_],
    model: Model,
    known: Sequence[str],
    rng: np.random.Generator,
) -> Disclosure:
    rows = begun["patient"].isin(rng.permutation(persons)[: len(persons) // 2]).to_numpy()
    wholes = begun[rows], begun[~rows]
    halves = [_some(whole, rng) for whole in wholes]
    size = min(map(len, halves))
    one, other = (half.iloc[:size].reset_index(drop=True) for half in halves)
    # both ways, so that what the halves differ in by chance is found once and expected once
    return together(
        [
            compared(drawn(learned(wholes[0]), model, size, rng), one, other, known),
            compared(drawn(learned(wholes[1]), model, size, rng), other, one, known),
        ]
    )


def compared(
    twin: pd.DataFrame, first: pd.DataFrame, other: pd.DataFrame, known: Sequence[str]
) -> Disclosure:
    """The measures of a twin on the cases it was made from, and on as many others.

    Parameters
    ----------
    twin, first, other : DataFrame
        Case tables of one length.
    known : sequence of str
        Columns others may know.
    """
    to_first, to_other = _distances(twin, first), _distances(twin, other)
    near, far = to_first.min(axis=1), to_other.min(axis=1)
    columns = [name for name in ("eye", *known) if name not in _NOT_COMPARED]
    nearer = float((near < far).mean() + 0.5 * (near == far).mean())
    shares = [
        ("twin rows like a case in all that others may know", "like in what is known",
         _like(twin, first, columns), _like(twin, other, columns)),
        ("twin rows like a case in everything", "like in everything",
         float((near == 0).mean()), float((far == 0).mean())),
        ("twin rows nearer to a case of their half than to one of the other", "nearer", nearer, 0.5),
    ]  # fmt: skip
    shares += [
        (f"right guesses of {target} from the nearest twin row", "guessed",
         _guessed(twin, first, target), _guessed(twin, other, target))
        for target in _TARGETS
    ]  # fmt: skip
    measures = tuple(
        Measure(name, found, expected, _TOLERATED[kind]) for name, kind, found, expected in shares
    )
    return Disclosure(measures, _ratio(to_first), _ratio(_distances(other, first)), len(first))


def identical_rows(twin: pd.DataFrame, cases: pd.DataFrame) -> int:
    """Rows of a twin that equal a case in everything that is compared."""
    columns = [name for name in cases.columns if name not in _NOT_COMPARED]
    rows = set(_rows(cases, columns))
    return sum(row in rows for row in _rows(twin, columns))


def _some(half: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """At most so many cases, in random order, so that both halves may be cut to one length."""
    return half.iloc[rng.permutation(len(half))[:_MOST_CASES]]


def _distances(these: pd.DataFrame, those: pd.DataFrame, without: str = "") -> FloatArray:
    """Mean distance over columns (Gower 1971, from memory), shape (these, those).

    0 for the same word and 1 for another; of numbers their difference over the range of those between 5 and 95 of 100,
    at most 1; 1 between a value and a missing one.
    """
    names = [name for name in those.columns if name not in (*_NOT_COMPARED, without)]
    total = np.zeros((len(these), len(those)))
    for name in names:
        a, b = these[name].to_numpy(), those[name].to_numpy()
        if those[name].dtype.kind in "fi":
            a, b = a.astype(float), b.astype(float)
            known = b[~np.isnan(b)]
            width = float(np.subtract(*np.quantile(known, [0.95, 0.05]))) if len(known) else 0.0
            apart = np.minimum(np.abs(a[:, None] - b) / (width or 1.0), 1.0)
            missing = np.isnan(a)[:, None] | np.isnan(b)
            total += np.where(missing, np.isnan(a)[:, None] != np.isnan(b), apart)
        else:
            total += a.astype(object)[:, None] != b.astype(object)
    return total / len(names)


def _like(twin: pd.DataFrame, cases: pd.DataFrame, columns: list[str]) -> float:
    """Share of twin rows that equal a case in these columns."""
    rows = set(_rows(cases, columns))
    return float(np.mean([row in rows for row in _rows(twin, columns)]))


def _rows(table: pd.DataFrame, columns: list[str]) -> list[tuple[object, ...]]:
    return list(table[columns].astype("str").itertuples(index=False, name=None))


def _guessed(twin: pd.DataFrame, cases: pd.DataFrame, target: str) -> float:
    """Share of cases whose value the nearest twin row has, in all other columns."""
    nearest = _distances(cases, twin, without=target).argmin(axis=1)
    truth = cases[target].to_numpy(dtype=object)
    told = ~np.isin(truth, MISSING_CODES)
    guess = twin[target].to_numpy(dtype=object)[nearest]
    return float((guess == truth)[told].mean()) if told.any() else 0.0


def _ratio(distances: FloatArray) -> float:
    two = np.partition(distances, 1, axis=1)[:, :2]
    return round(float(np.median(two[:, 0] / np.maximum(two[:, 1], 1e-12))), 4)
