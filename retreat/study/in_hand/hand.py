"""The model as a person with paper uses it: posterior means, an average operator, an average patient."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from retreat.coding import Coding
from retreat.errors import Fault, FitError
from retreat.hazard import Link, hazards_and_going_on
from retreat.model import Model
from retreat.model.request import MAX_HORIZON, check_horizon, check_usable, strata_of
from retreat.study.in_hand.cases import usual_cases

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]


_WORDS = {"relieved": "relief", "stopped": "stopping", "one_session": "an end after one session"}


def end_words(end: str) -> str:
    """An end as a noun: relief, stopping."""
    return _WORDS.get(end, end.replace("_", " "))


@dataclass(frozen=True)
class Hand:
    """Posterior means of a model; what a person can carry on paper.

    Parameters
    ----------
    ends : tuple of str
        Ways a course can end.
    link : {"logit", "cloglog"}
        Link of the hazards.
    coding : Coding
        How features become columns.
    coefficients : ndarray of float, shape (ends, columns)
        Mean over draws.
    session_effects : ndarray of float, shape (strata, ends, sessions)
        Mean over draws; the last one holds for every later session.
    strata : tuple of str
        Levels of `stratum_feature`; empty for a single table.
    stratum_feature : str
        Feature that picks the table; empty for a single table.
    never : float
        Share of eyes that the first end can never happen to.
    operator_sd, patient_sd : tuple of float
        Root mean square over draws of what operators and patients add to each end, left out here.
    last_session : int
        Largest session the model speaks of; 0 for a whole course.
    supported_session : int
        Largest session that enough fitted cases reached, or the last of those told.
    sessions_told : int, default 0
        Session effects are given up to this session and of later ones nothing is told; 0 where all are.
    """

    ends: tuple[str, ...]
    link: Link
    coding: Coding
    coefficients: FloatArray
    session_effects: FloatArray
    strata: tuple[str, ...]
    stratum_feature: str
    never: float
    operator_sd: tuple[float, ...]
    patient_sd: tuple[float, ...]
    last_session: int
    supported_session: int
    sessions_told: int = 0

    @property
    def features(self) -> tuple[str, ...]:
        """Features a case needs, each once."""
        stratum = (self.stratum_feature,) if self.stratum_feature else ()
        return tuple(dict.fromkeys((*self.coding.features, *stratum)))

    def totals(self, features: dict[str, NDArray[Any]], n: int) -> FloatArray:
        """What the features of each case add to the linear predictor of each end, shape (cases, ends)."""
        return self.coding.encode(features, n_cases=n) @ self.coefficients.T

    def stratum(self, features: dict[str, NDArray[Any]], n: int) -> IntArray:
        """Which table of session effects is each case's."""
        if not self.stratum_feature:
            return np.zeros(n, dtype=np.intp)
        return strata_of(features[self.stratum_feature], self.strata, feature=self.stratum_feature)

    def incidence(self, totals: FloatArray, *, horizon: int, stratum: IntArray | None = None) -> FloatArray:
        """Chance of each end by each session, from before the first.

        Parameters
        ----------
        totals : ndarray of float, shape (cases, ends)
            From :meth:`totals`.
        horizon : int, 1 to 40
            Largest session.
        stratum : ndarray of int, shape (cases,), optional
            From :meth:`stratum`; the first table where not given.

        Returns
        -------
        ndarray of float, shape (cases, ends, horizon)

        Raises
        ------
        FitError
            If the horizon is out of range.
        """
        check_horizon(horizon)
        horizon = min(horizon, self.last_session or MAX_HORIZON, self.sessions_told or MAX_HORIZON)
        index = np.minimum(np.arange(horizon), self.session_effects.shape[-1] - 1)
        which = np.zeros(len(totals), dtype=np.intp) if stratum is None else stratum
        eta = totals[:, :, None] + self.session_effects[which][..., index]  # (cases, ends, horizon)
        found = (1.0 - self.never) * self._incidence(eta)
        if self.never:
            eta = eta.copy()
            eta[:, 0] = -np.inf
            found += self.never * self._incidence(eta)
        return found

    def _incidence(self, eta: FloatArray) -> FloatArray:
        hazards, going_on = hazards_and_going_on(eta, self.link)
        before = np.ones_like(going_on)
        before[:, 1:] = np.cumprod(going_on, axis=-1)[:, :-1]
        return np.cumsum(hazards * before[:, None, :], axis=-1)


@dataclass(frozen=True)
class Distance:
    """How far the model in hand is from the forecast that averages over draws, in chances.

    Parameters
    ----------
    end : str
        The first end.
    horizon : int
        Sessions looked at, from the first.
    mean, largest : float
        Absolute difference over the case mix of the fitted cases and all those sessions.
    at : tuple of float, shape (horizon,)
        Mean difference by each session: in hand minus averaged.
    """

    end: str
    horizon: int
    mean: float
    largest: float
    at: tuple[float, ...]

    @property
    def words(self) -> str:
        """One sentence."""
        mean, largest = 100 * self.mean, 100 * self.largest
        until = f"1 to {self.horizon}" if self.horizon > 1 else "1"
        return (
            f"Against the forecast of the package, which averages over draws, operators and patients, the chance of "
            f"{end_words(self.end)} by session {until} in hand differs by {mean:.1f} percentage points on "
            f"average over eyes like those fitted, and by at most {largest:.1f} among them."
        )


def hand_of(model: Model, sessions: int | None = None) -> Hand:
    """The model in hand: posterior mean coefficients, an average operator and an average patient.

    Parameters
    ----------
    model : Model
        Of any method; a model with a history is taken as it stands before the first session.
    sessions : int, from 0, optional
        Tell of no later session: where tables hide how many reached one, which sessions share an effect, since fewer
        reached them than the definition asks for, would bound it. All are told when not given.

    Raises
    ------
    FitError
        If the model failed its own gates or its validation, or no session may be told.

    Examples
    --------
    >>> from retreat.coding import learn
    >>> hand = Hand(
    ...     ("relieved",), "logit", learn((), {}), np.zeros((1, 0)), np.zeros((1, 1, 2)), (), "", 0.0,
    ...     (0.0,), (0.0,), 0, 2,
    ... )  # fmt: skip
    >>> hand.incidence(np.zeros((1, 1)), horizon=3).tolist()
    [[[0.5, 0.75, 0.875]]]
    """
    check_usable(model.card)
    p, supported = model.parameters, model.card.supported_session
    told = 0 if sessions is None else min(sessions, supported)
    if sessions is not None and told < 1:
        raise FitError(Fault("session effects", "too few eyes at every session to tell any"))
    return Hand(
        ends=model.ends,
        link=model.link,
        coding=model.coding,
        coefficients=p.coefficients.mean(axis=0),
        session_effects=p.session_effects.mean(axis=0)[..., : told or None],
        strata=model.strata,
        stratum_feature=model.stratum_feature,
        never=float(p.never.mean()),
        operator_sd=tuple(np.sqrt((p.operator_effect**2).mean(axis=0)).tolist()),
        patient_sd=tuple(np.sqrt((p.patient_loading**2).mean(axis=0)).tolist()),
        last_session=model.card.last_session,
        supported_session=told or supported,
        sessions_told=told,
    )


# what is said in place of the effects of later sessions
NOT_TOLD = "not told (too few eyes)"


def horizon_of(hand: Hand, most: int = 3) -> int:
    """Sessions worth showing: those that enough fitted cases reached, at most so many."""
    return max(1, min(most, hand.supported_session, hand.last_session or most))


def distance(model: Model, hand: Hand) -> Distance:
    """How far the model in hand is from the draw-averaged forecast, over 64 cases of the fitted case mix.

    Parameters
    ----------
    model : Model
        The model.
    hand : Hand
        From :func:`hand_of` of it.
    """
    features, weights = usual_cases(model)
    n, horizon = len(weights), horizon_of(hand)
    inside = hand.incidence(hand.totals(features, n), horizon=horizon, stratum=hand.stratum(features, n))[
        :, 0
    ]  # (cases, horizon)
    averaged = model.expected_of(features, horizon=horizon, n=n)[:, 0]
    off = inside - averaged
    return Distance(
        end=hand.ends[0],
        horizon=horizon,
        mean=float((weights @ np.abs(off)).mean()),
        largest=float(np.abs(off).max()),
        at=tuple((weights @ off).tolist()),
    )
