"""Closed criteria for each of several competing ends of courses counted in sessions, from a scenario.

What is mapped, and by which assumption: each end has a hazard of its own at each session, the other ends taken as
leaving (cause-specific hazards). A session of an eye in treatment is then a yes-or-no trial, so that the criteria for
yes-or-no outcomes hold with person-sessions as cases, and those for times to an event hold with eyes as cases and
sessions as time. The two differ little where hazards are small; the larger is taken. Sessions of one eye count as
independent given that it got so far, as they do in the likelihood.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from math import ceil
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from retreat.errors import Fault, FitError
from retreat.hazard import hazards_of_incidence
from retreat.model.kernel import pmf
from retreat.study.size.arguments import inside, refuse, whole
from retreat.study.size.closed import MARGIN, OPTIMISM, SHRINKAGE, Z, least_for_rate, least_for_share
from retreat.study.size.eyes import design_effect
from retreat.study.size.mix import patients
from retreat.study.size.scenario import Scenario, scenario_of

if TYPE_CHECKING:
    from retreat.definitions import Definition
    from retreat.model import Model

FloatArray = NDArray[np.float64]

# eyes that stand for all under one truth; truths looked at where many might hold, and eyes of each
_POPULATION, _TRUTHS, _EYES_OF_TRUTH = 4000, 50, 400
# least R squared an eye that says anything
_NOTHING = 1e-6


@dataclass(frozen=True)
class EndSize:
    """What one end asks for.

    Parameters
    ----------
    end : str
        Which.
    parameters : int
        Columns of its hazard; session effects count with the baseline.
    in_treatment, ends : tuple of float
        Of 100 eyes, those in treatment before each session, and those ending so at it.
    sessions : float
        Sessions followed, of an eye on average.
    rate : float
        Ends a person-session.
    share : float
        Share of eyes ended so by the horizon, the other ends competing, nobody lost.
    r_squared_eye, r_squared_session : float
        Cox-Snell R squared anticipated, of an eye and of a person-session.
    shrinkage, optimism : int
        Eyes for criteria (i) and (ii): the larger of both mappings, times the design effect.
    overall : int
        Eyes for (iii), the share by the horizon within the margin, times the design effect.
    design_effect : float
        Loss by eyes within patients.
    """

    end: str
    parameters: int
    in_treatment: tuple[float, ...]
    ends: tuple[float, ...]
    sessions: float
    rate: float
    share: float
    r_squared_eye: float
    r_squared_session: float
    shrinkage: int
    optimism: int
    overall: int
    design_effect: float

    @property
    def eyes(self) -> int:
        """The largest of the three."""
        return max(self.shrinkage, self.optimism, self.overall)

    @property
    def events_per_parameter(self) -> float:
        """Expected ends for each parameter at that number of eyes."""
        return self.eyes * self.sessions * self.rate / self.parameters

    def to_json(self) -> dict[str, Any]:
        """Plain lists and numbers."""
        return asdict(self) | {"eyes": self.eyes, "events_per_parameter": self.events_per_parameter}

    def sentence(self, horizon: int) -> str:
        """What this end asks for, in words."""
        return (
            f"{self.end}: {self.eyes} eyes ({self.shrinkage} for little shrinkage, {self.optimism} for little optimism "
            f"of R squared, {self.overall} for a precise share by session {horizon}), "
            f"{100 * self.share:.0f} of 100 eyes by session {horizon}, R squared {self.r_squared_eye:.3f} an eye, "
            f"{self.events_per_parameter:.0f} ends a parameter, design effect {self.design_effect:.2f}"
        )


def size_by_end(
    scenario: Scenario | Model | Definition | str | Path,
    *,
    horizon: int = 2,
    shrinkage: float = SHRINKAGE,
    optimism: float = OPTIMISM,
    margin: float = MARGIN,
    seed: int = 1,
) -> tuple[EndSize, ...]:
    r"""Closed criteria for each end, with events, person-sessions and R squared expected under a scenario.

    R squared comes from expected log likelihoods of the true hazards and of hazards by session alone. (iii) asks for
    the share by the horizon itself, :math:`(1.96 / m)^2 F (1 - F)`: :math:`1 - \exp(-\lambda t)` would be off where a
    third end at a session and other ends compete. Eyes within patients weigh by the design effect :math:`1 + (\bar m -
    1) \rho` (Kish 1965, from memory), :math:`\bar m` the patient's eyes seen from an eye, :math:`\rho` the correlation
    of logits, :math:`l^2 / (l^2 + \pi^2 / 3)` for a loading l (Rodríguez and Elo 2003, from memory); for (i) and (ii)
    it is an approximation, which :func:`simulate_size` does not need.

    Parameters
    ----------
    scenario : Scenario, Model, Definition, str or Path
        From :func:`of_definition` or :func:`of_model`; a definition or a model is taken with their defaults. Over
        several truths its numbers are averaged.
    horizon : int, from 1
        By which session; no later than courses are followed.
    shrinkage, optimism, margin : float in (0, 1)
        As for :func:`least_for_share`.
    seed : int, from 0
        Seed of the eyes that stand for all.

    Returns
    -------
    tuple of EndSize
        In the order of the ends.

    Raises
    ------
    FitError
        If an argument is out of range, or the features tell nothing of an end.

    Examples
    --------
    >>> [one.end for one in size_by_end("core")]
    ['relieved', 'stopped']
    """
    scenario = scenario_of(scenario)
    refuse(
        whole("horizon", horizon, low=1, high=max(scenario.most_sessions, 2)),
        whole("seed", seed, low=0),
        inside("shrinkage", shrinkage),
        inside("optimism", optimism),
        inside("margin", margin),
    )
    horizon = min(horizon, scenario.most_sessions)
    rng = np.random.default_rng(seed)
    n_truths = min(scenario.truth.n_draws, _TRUTHS)
    others = patients(_POPULATION if n_truths == 1 else _EYES_OF_TRUTH, 1.0)
    expected = [_expected(scenario, scenario.columns(others, rng), t, horizon) for t in range(n_truths)]
    return tuple(
        _of_end(scenario, j, [one[j] for one in expected], shrinkage, optimism, margin)
        for j in range(len(scenario.ends))
    )


@dataclass(frozen=True)
class _Expected:
    """Of one end under one truth, an eye: by session (sessions,); gain in log likelihood, share by the horizon."""

    in_treatment: FloatArray
    ends: FloatArray
    gain: float
    share: float


def _expected(scenario: Scenario, X: FloatArray, truth: int, horizon: int) -> list[_Expected]:
    S = scenario.most_sessions
    nobody = np.zeros(len(X), dtype=np.intp)
    by_session = pmf(scenario.truth_of(truth), X, nobody, horizon=S, link=scenario.definition.link)[0]
    true = np.cumsum(by_session, axis=-1)  # (eyes, ends, sessions)
    # rounding must not make shares add to more than 1
    hazards = hazards_of_incidence(true / np.maximum(true.sum(axis=1, keepdims=True)[..., -1:], 1.0))
    staying = 1.0 - true.sum(axis=1)
    before = np.concatenate([np.ones((len(X), 1)), staying[:, :-1]], axis=1)
    before *= (1.0 - scenario.lost) ** np.arange(S)  # (eyes, sessions)
    found = []
    for j in range(len(scenario.ends)):
        h = hazards[:, j]
        ends = (before * h).mean(axis=0)
        alike = ends / before.mean(axis=0)
        gain = (before * (_entropy(h) - _entropy(alike))).sum(axis=1).mean()
        # the mean of the cross entropy to a common hazard is its own entropy, weighted by those at risk
        found.append(_Expected(before.mean(axis=0), ends, float(gain), float(true[:, j, horizon - 1].mean())))
    return found


def _entropy(h: FloatArray) -> FloatArray:
    """Minus the entropy of a trial, h log h + (1 - h) log(1 - h): 0 at 0 and 1."""
    from scipy.special import xlog1py, xlogy  # heavy: only for the closed criteria

    return np.asarray(xlogy(h, h) + xlog1py(1.0 - h, -h))


def _of_end(
    scenario: Scenario, end: int, found: list[_Expected], shrinkage: float, optimism: float, margin: float
) -> EndSize:
    in_treatment = np.mean([one.in_treatment for one in found], axis=0)
    ends = np.mean([one.ends for one in found], axis=0)
    share = float(np.mean([one.share for one in found]))
    sessions = float(in_treatment.sum())
    eye = float(np.mean([1.0 - np.exp(-2.0 * one.gain) for one in found]))
    session = float(np.mean([1.0 - np.exp(-2.0 * one.gain / one.in_treatment.sum()) for one in found]))
    parameters = len(scenario.coding.names)
    name = scenario.ends[end]
    if eye < _NOTHING or not parameters:
        what = f"under this scenario no feature tells of {name}"
        raise FitError(
            Fault("scenario", what, "effects on every end", "take drawn effects, or a saved model")
        )
    rate = float(ends.sum() / sessions)
    per_eye = least_for_rate(
        r_squared=eye,
        parameters=parameters,
        rate=rate,
        follow_up=sessions,
        horizon=1.0,
        shrinkage=shrinkage,
        optimism=optimism,
    )
    per_session = least_for_share(
        r_squared=session, parameters=parameters, share=rate, shrinkage=shrinkage, optimism=optimism
    )
    loss = _design_effect(scenario, end)
    return EndSize(
        end=name,
        parameters=parameters,
        in_treatment=tuple(100.0 * float(x) for x in in_treatment),
        ends=tuple(100.0 * float(x) for x in ends),
        sessions=sessions,
        rate=rate,
        share=share,
        r_squared_eye=eye,
        r_squared_session=session,
        shrinkage=ceil(loss * max(per_eye.shrinkage, per_session.shrinkage / sessions)),
        optimism=ceil(loss * max(per_eye.optimism, per_session.optimism / sessions)),
        overall=ceil(loss * (Z / margin) ** 2 * share * (1.0 - share)),
        design_effect=loss,
    )


def _design_effect(scenario: Scenario, end: int) -> float:
    loading = float(np.sqrt(np.mean(scenario.truth.patient_loading[:, end] ** 2)))
    alike = loading**2 / (loading**2 + np.pi**2 / 3.0)
    return design_effect(scenario.eyes_per_patient, alike)
