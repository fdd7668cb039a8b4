"""Chance of still being in treatment after further sessions, without the chances of each end: many cases at once."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from retreat.features import features
from retreat.hazard import Link
from retreat.model import kernel
from retreat.model.completion import completed, missing_features
from retreat.model.request import strata_of

if TYPE_CHECKING:
    from retreat.model import Model
    from retreat.model.kernel import Parameters

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Columns = dict[str, NDArray[Any]]

# values of one working array: 256 kB, so that the few of them stay in cache
_BLOCK_VALUES = 32_768
# linear predictors beyond this give a hazard of 0 or 1 to the last digit
_LARGEST = 300.0
_NO_CHANCE = 1e-290
_N_NODES = 25


def incomplete(model: Model, columns: Columns, n: int) -> NDArray[np.bool_]:
    """Cases of which the model averages over a missing feature, shape (cases,)."""
    return np.array([bool(names) for names in missing_features(_needed(model, columns), n)], dtype=bool)


def staying(model: Model, columns: Columns, done: IntArray, *, further: int, draws: int) -> FloatArray:
    """Chance that each case needs at least j = 1, 2, ... further sessions, given those done.

    The same as 1 less the incidences of :meth:`retreat.model.Model.forecast`, to rounding, at a small part of its
    cost: one exponential a case, draw and end, and no ends kept apart. Sessions past the model's last carry on its last
    effect.

    Parameters
    ----------
    model : Model
        Any.
    columns : dict of str to ndarray, each of shape (cases,)
        Columns of the `cases` table.
    done : ndarray of int, shape (cases,)
        Sessions each case has had.
    further : int, at least 1
        Largest number of further sessions.
    draws : int
        So many of the model's draws, evenly spaced.

    Returns
    -------
    ndarray of float, shape (draws, cases, further)
        The first is 1. NaN for a case that has had more sessions than the model gives any chance of.
    """
    parameters = _thinned(model, draws)
    num = _in_treatment(model, parameters, columns, done, further)
    left = num[:, :, 0].copy()
    num = _given(num, left)
    if parameters.of_many_kinds:
        num = kernel.reweighted(num[:, :, None, :], left, done)[:, :, 0]
    return num


@dataclass(frozen=True)
class ByNode:
    """As :func:`staying`, kept apart by how hard the patient's eyes are.

    Parameters
    ----------
    stay : ndarray of float, shape (nodes, draws, cases, further)
        Chance of at least so many further sessions, given the node.
    left : ndarray of float, shape (nodes, draws, cases)
        Chance of having got so far, by which a course speaks for a node.
    weight : ndarray of float, shape (nodes,)
        Share of patients at each node.
    """

    stay: FloatArray
    left: FloatArray
    weight: FloatArray


def staying_by_node(model: Model, columns: Columns, done: IntArray, *, further: int, draws: int) -> ByNode:
    """Chances for simulating patients whose two eyes share how hard they are; one node where the model has none."""
    parameters = _thinned(model, draws)
    nodes, weights = _nodes(parameters)
    stay, left = [], []
    for node in nodes:
        moved = parameters.operator_effect + node * parameters.patient_loading
        at_node = replace(parameters, operator_effect=moved, patient_loading=np.zeros_like(moved))
        num = _in_treatment(model, at_node, columns, done, further)
        left.append(num[:, :, 0].copy())
        stay.append(_given(num, left[-1]))
    found, reached = np.stack(stay), np.stack(left)
    if (
        parameters.of_many_kinds
    ):  # as in :func:`staying`, draws count by how well they explain the sessions done
        both = np.concatenate([found, reached[..., None]], axis=-1).transpose(
            1, 2, 0, 3
        )  # (draws, cases, nodes, ...)
        both = kernel.reweighted(both.copy(), np.einsum("n,ndc->dc", weights, reached), done).transpose(
            2, 0, 1, 3
        )
        found, reached = both[..., :-1], both[..., -1]
    return ByNode(found, reached, weights)


def _thinned(model: Model, draws: int) -> Parameters:
    return model.parameters.thinned(draws) if draws < model.parameters.n_draws else model.parameters


def _given(num: FloatArray, left: FloatArray) -> FloatArray:
    """Given that it got so far; in place, which spares a second array of all cases and draws."""
    if (left != 1.0).any():
        num /= np.where(left > _NO_CHANCE, left, np.nan)[:, :, None]
    return num


def _in_treatment(
    model: Model, parameters: Parameters, columns: Columns, done: IntArray, further: int
) -> FloatArray:
    """Chance of being in treatment after done, done + 1, ... sessions, (draws, cases, further).

    As seen from before the first session, but for complete cases of a single kind of eye from after those done: what
    came before cancels.
    """
    needed = _needed(model, columns)
    missing = missing_features(needed, len(done))
    complete = np.array([not names for names in missing], dtype=bool)
    by_session = np.exp(np.clip(parameters.sessions_to(int(done.max()) + further), -_LARGEST, _LARGEST))
    num = np.empty((parameters.n_draws, len(done), further))
    rows = np.flatnonzero(complete)
    if len(rows):
        X, stratum = _coded(model, {name: values[rows] for name, values in needed.items()}, len(rows))
        for k in np.unique(done[rows]).tolist():
            since = 0 if parameters.of_many_kinds else k
            for part in _blocks(np.flatnonzero(done[rows] == k), parameters.n_draws):
                some = _products(
                    parameters, X[part], stratum[part], by_session, model.link, sessions=(since, k, further)
                )
                num[:, rows[part]] = some
    for i in np.flatnonzero(~complete).tolist():
        filled, weights = completed(needed, i, model.case_mix, seed=model.card.seed)
        X, stratum = _coded(model, filled, len(weights))
        some = _products(parameters, X, stratum, by_session, model.link, sessions=(0, int(done[i]), further))
        num[:, i] = np.einsum("n,dnj->dj", weights, some)
    return num


def _needed(model: Model, columns: Columns) -> dict[str, NDArray[Any]]:
    stratum = (model.stratum_feature,) if model.stratum_feature else ()
    return dict(features(columns, dict.fromkeys((*model.coding.features, *stratum))))


def _coded(model: Model, needed: dict[str, NDArray[Any]], n: int) -> tuple[FloatArray, NDArray[np.intp]]:
    X = model.coding.encode(needed, n_cases=n)
    if not model.stratum_feature:
        return X, np.zeros(n, dtype=np.intp)
    return X, strata_of(needed[model.stratum_feature], model.strata, feature=model.stratum_feature)


def _blocks(rows: NDArray[np.intp], draws: int) -> list[NDArray[np.intp]]:
    size = max(1, _BLOCK_VALUES // draws)
    return [rows[start : start + size] for start in range(0, len(rows), size)]


def _products(
    parameters: Parameters,
    X: FloatArray,
    stratum: NDArray[np.intp],
    by_session: FloatArray,
    link: Link,
    *,
    sessions: tuple[int, int, int],
) -> FloatArray:
    """Chance of being in treatment after `done`, `done` + 1, ... sessions, given so after `since`.

    `sessions` holds since, done, further; the answer has shape (draws, rows, further).
    """
    since, done, further = sessions
    out = np.zeros((further, parameters.n_draws, len(X)))
    predictor = np.stack([parameters.coefficients[:, e] @ X.T for e in range(parameters.n_ends)])
    predictor += parameters.operator_effect.T[:, :, None]  # (ends, draws, rows)
    for never, node, weight in _kinds(parameters):
        odds = np.exp(
            np.clip(predictor + node * parameters.patient_loading.T[:, :, None], -_LARGEST, _LARGEST)
        )
        if never:
            odds[0] = 0.0
        here = np.broadcast_to(weight[:, None], odds.shape[1:]).copy()
        for k in range(since, done + further):
            if k >= done:
                out[k - done] += here
            if k == done + further - 1:
                break
            total = odds[0] * by_session[:, stratum, 0, k]
            for e in range(1, parameters.n_ends):
                total += odds[e] * by_session[:, stratum, e, k]
            if link == "logit":
                here /= 1.0 + total
            else:
                here *= np.exp(-total)
    return np.moveaxis(out, 0, -1)


def _kinds(parameters: Parameters) -> list[tuple[bool, float, FloatArray]]:
    """Kinds of eye averaged over: whether the first end never comes, how hard the patient's eyes are, their share."""
    nodes, weights = _nodes(parameters)
    never = np.broadcast_to(parameters.never, parameters.n_draws)
    kinds = [(False, float(z), (1.0 - never) * w) for z, w in zip(nodes, weights, strict=True)]
    if never.any():
        kinds += [(True, float(z), never * w) for z, w in zip(nodes, weights, strict=True)]
    return kinds


def _nodes(parameters: Parameters) -> tuple[FloatArray, FloatArray]:
    """Gauss-Hermite nodes of the patient effect and their weights; one node where patients do not enter."""
    if not parameters.patient_loading.any():
        return np.zeros(1), np.ones(1)
    nodes, weights = np.polynomial.hermite_e.hermegauss(_N_NODES)
    return nodes, weights / weights.sum()
