"""Standardised mean differences between the groups of the first table."""

from __future__ import annotations

from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray

from retreat.study.cohort.baseline import levels_of, rows_of, unit_of
from retreat.study.cohort.keys import KNOWN, MISSING, Key, of_group
from retreat.study.cohort.studied import Studied, known
from retreat.study.suppression.sourced import Sourced


def difference_table(seen: Studied) -> Sourced:
    """Difference of each feature between each pair of groups, in standard deviations.

    Numbers: the second mean less the first over the root of the mean of both variances. Categories: the Mahalanobis
    distance between the shares, with the mean of both multinomial covariances (Yang and Dalton 2012), from 0. Missing
    values and the group ``missing`` are left out. Above 0.1 is often called an imbalance (Austin 2009); it is no test.

    Parameters
    ----------
    seen : Studied
        Cases that have begun.

    Returns
    -------
    Sourced
        Columns: feature, unit, first, second, difference; NaN where a group has too few or no spread.

    References
    ----------
    Austin PC. Balance diagnostics for comparing the distribution of baseline covariates. Stat Med 2009;28:3083-3107
    (from memory). Yang D, Dalton JE. A unified approach to measuring the effect size between two groups using SAS. SAS
    Global Forum 2012, paper 335 (from memory).
    """
    import pandas as pd

    rows, sources = [], []
    groups = [group for group in seen.groups if group != MISSING]
    for name in (name for name in seen.features if name != seen.by):
        unit = unit_of(name)
        values = {group: _known_values(seen, name, group) for group in groups}
        for first, second in combinations(groups, 2):
            both = values[first], values[second]
            found = of_shares(*both, levels_of(name)) if levels_of(name) else of_means(*both)
            rows.append((name, unit, first, second, found))
            sources.append(
                tuple(
                    of_group(unit, seen.by, group).and_(name, level)
                    for group in (first, second)
                    for level in (KNOWN, *levels_of(name))
                )
            )
    counts = {key: _count(seen, key) for keys in sources for key in keys}
    frame = pd.DataFrame(rows, columns=["feature", "unit", "first", "second", "difference"])
    return Sourced(frame, {"difference": tuple(sources)}, dict(counts))


def of_means(first: NDArray[Any], second: NDArray[Any]) -> float:
    """Standardised difference of two means; NaN with fewer than two values or no spread.

    Examples
    --------
    >>> round(of_means(np.array([1.0, 3.0]), np.array([2.0, 4.0])), 4)
    0.7071
    """
    if min(len(first), len(second)) < 2:
        return float("nan")
    spread = np.sqrt((first.var(ddof=1) + second.var(ddof=1)) / 2.0)
    return float((second.mean() - first.mean()) / spread) if spread > 0 else float("nan")


def of_shares(first: NDArray[Any], second: NDArray[Any], levels: tuple[str, ...]) -> float:
    """Mahalanobis distance of two sets of shares; NaN where one group is empty or both never vary.

    Examples
    --------
    >>> round(of_shares(np.array(["a", "b"]), np.array(["a", "b", "b", "b"]), ("a", "b")), 4)
    0.5345
    """
    if not min(len(first), len(second)):
        return float("nan")
    shares = np.array([[np.mean(values == level) for level in levels] for values in (first, second)])
    shares = shares[:, shares.sum(axis=0) > 0][:, 1:]  # the first level is what the others leave
    covariance = sum(np.diag(p) - np.outer(p, p) for p in shares) / 2.0
    move = shares[1] - shares[0]
    if np.linalg.matrix_rank(covariance) < len(move):
        return 0.0 if not move.any() else float("nan")
    return float(np.sqrt(move @ np.linalg.solve(covariance, move)))


def _known_values(seen: Studied, name: str, group: str) -> NDArray[Any]:
    values = seen.features[name][rows_of(seen, name, group)]
    return np.asarray(values[known(values)])


def _count(seen: Studied, key: Key) -> int:
    """The count of a key of one group and one feature."""
    conditions = dict(key.of)
    group = conditions.pop(seen.by)
    ((name, level),) = conditions.items()
    values = _known_values(seen, name, group)
    return len(values) if level == KNOWN else int((values == level).sum())
