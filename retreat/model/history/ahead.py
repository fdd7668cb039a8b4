"""What lies ahead of one eye in its course: the numbers of its outlook, from a forecast and the bother to come."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from retreat.errors import Fault, FitError
from retreat.features import Columns, features, n_cases
from retreat.forecast import Forecast
from retreat.model.completion import completed, missing_features
from retreat.model.history.outlook import CAUTIONS, EndingNow, Estimate, Further, Outlook
from retreat.model.history.progress import Progress
from retreat.model.history.records import Records, read_records
from retreat.model.history.standing_still import rated_again
from retreat.model.request import RECORDS_DISAGREE, sessions_done

if TYPE_CHECKING:
    from retreat.model.fitted import Model

FloatArray = NDArray[np.float64]

RELIEVED = "relieved"
# further sessions looked at unless asked otherwise
_AHEAD = 4
# draws of the parameters behind the bother: a rating needs fewer than a chance, and completions share them
_DRAWS, _LEAST_DRAWS = 400, 50


@dataclass(frozen=True)
class Bother:
    """Bother to come of one eye, 0 to 10, as simulated.

    Parameters
    ----------
    following : ndarray of float, shape (values,)
        After the next session.
    again : ndarray of float, shape (values,), or None
        Of the same courses rated once more without a session; None where the fragments last noted are not known.
    weights : ndarray of float, shape (values,)
        Of those values, adding to 1.
    noise : float
        Standard deviation of the passing part of a rating, in points.
    after : ndarray of float, shape (horizon,)
        Mean after each session among eyes that come to it; NaN up to the sessions done.
    """

    following: FloatArray
    again: FloatArray | None
    weights: FloatArray
    noise: float
    after: FloatArray


def outlook_of(
    model: Model,
    new_case: Columns,
    visits: Columns | None,
    *,
    horizon: int | None,
    level: float,
    predictive: float,
) -> Outlook:
    """See :meth:`retreat.model.Model.outlook`."""
    _check(model, new_case, level=level, predictive=predictive)
    done = int(sessions_done(new_case, 1)[0])
    last = horizon if horizon is not None else _usual_horizon(model, done)
    forecast = model.forecast(new_case, visits=visits, horizon=last)
    if forecast.horizon <= done:
        what = f"{forecast.horizon}, and {done} sessions are done"
        raise FitError(Fault("horizon", what, f"at least {done + 1}", "look at a later session"))
    records = read_records(new_case, visits, forecast.done)
    fits = RECORDS_DISAGREE not in forecast.notes[0]
    informed = model.history is not None and bool(records.told[0]) and fits
    bother = None
    if informed and isinstance(model.history, Progress):
        bother = bother_ahead(model, model.history, new_case, records, horizon=forecast.horizon)
    return outlook_from(
        forecast,
        records,
        bother,
        informed=informed,
        level=level,
        predictive=predictive,
        silent=_silent(model, records, fits=fits),
    )


def outlook_from(
    forecast: Forecast,
    records: Records,
    bother: Bother | None,
    *,
    informed: bool,
    silent: str,
    level: float = 0.9,
    predictive: float = 0.8,
) -> Outlook:
    """Outlook of one eye from its forecast, its records and its bother to come.

    Parameters
    ----------
    forecast : Forecast
        Of one eye, some sessions past those done.
    records : Records
        What was noted of its sessions.
    bother : Bother or None
        None where no bother is forecast.
    informed : bool
        Whether the forecast takes in what was noted.
    silent : str
        Why there is no bother, where there is none.
    level, predictive : float in (0, 1)
        Coverage of the ranges of chances, and of the predictive interval.

    Examples
    --------
    >>> seen = read_records({"case": ["a"]}, {"case": ["a"], "session": [1], "bother": [5]})
    >>> ahead = Forecast(np.array([[[[0, 0.5, 0.2], [0, 0.1, 0.1]]]]), np.array([1]), ("a",), ("relieved", "stopped"))
    >>> found = outlook_from(ahead, seen, None, informed=False, silent="a model without bother")
    >>> found.next.relieved.estimate, found.within_two.relieved_by.estimate, found.within_two.reached
    (0.5, 0.7, 0.4)
    >>> found.ending_now.bother, found.not_known
    (5.0, ('bother after further sessions: a model without bother',))
    """
    done = int(forecast.done[0])
    tails = (0.5 - predictive / 2, 0.5 + predictive / 2)
    not_known = []
    following = again = fall = None
    after, passing = np.full(forecast.horizon, np.nan), np.nan
    if bother is None:
        not_known.append(f"bother after further sessions: {silent}")
    else:
        after, weights = bother.after, bother.weights
        following = _estimate(bother.following, weights, tails)
        if bother.again is None:
            not_known.append(f"the fall in bother: fragments were not noted after session {done}")
        else:
            again = _estimate(bother.again, weights, tails)
            fall = _estimate(bother.again - bother.following, weights, tails)
        passing = bother.noise
    return Outlook(
        forecast=forecast,
        further=_further(forecast, after, (0.5 - level / 2, 0.5 + level / 2)),
        ending_now=_ending_now(records, done),
        bother_next=following,
        bother_again=again,
        fall_next=fall,
        passing=passing,
        informed=informed,
        level=level,
        predictive=predictive,
        not_known=tuple(not_known),
        cautions=(*forecast.cautions, *CAUTIONS),
    )


def bother_ahead(
    model: Model, history: Progress, new_case: Columns, records: Records, *, horizon: int
) -> Bother:
    """Bother to come of one eye by the state model; missing features are averaged over as in a forecast.

    Parameters
    ----------
    model : Model
        Whose coding and case mix the features are read by.
    history : Progress
        Its state model.
    new_case : mapping of str to array_like
        One case.
    records : Records
        What was noted of it.
    horizon : int
        Largest session.
    """
    found = features(new_case, dict.fromkeys(model.coding.features))
    weights = np.ones(1)
    if found and missing_features(found, 1)[0]:
        found, weights = completed(found, 0, model.case_mix, seed=model.card.seed)
    n = len(weights)
    draws = min(history.n_draws, max(_LEAST_DRAWS, _DRAWS // n))
    some = history.thinned(np.linspace(0, history.n_draws - 1, draws).astype(np.intp))
    X = model.coding.encode(found, n_cases=n)
    alike = records.rows(np.zeros(n, dtype=np.intp))
    courses, bother = some.bother(X, alike, horizon=horizon)
    weight = np.exp(courses.log_left - courses.log_left.max()) * weights  # (draws, completions)
    reached = 1.0 - np.cumsum(courses.pmf.sum(axis=2), axis=-1) + courses.pmf.sum(axis=2)
    share = weight[:, :, None] * reached  # (draws, completions, horizon)
    with np.errstate(invalid="ignore"):
        after = (share * bother.after).sum(axis=(0, 1)) / share.sum(axis=(0, 1))
    following = bother.following  # (draws, completions, paths)
    each = np.broadcast_to(weight[:, :, None], following.shape).ravel()
    known = np.isfinite(records.fragments[0, : records.done[0]])
    again = None
    if len(known) == records.done[0] and known[-1]:
        again = rated_again(some, X, alike, horizon=horizon).ravel()
    noise = float(some.parameters["bother_noise_sd"].mean())
    return Bother(following.ravel(), again, each / each.sum(), noise, after)


def _further(forecast: Forecast, after: FloatArray, tails: tuple[float, float]) -> tuple[Further, ...]:
    relief = forecast.ends.index(RELIEVED)
    pmf = forecast.pmf[:, 0]  # (draws, ends, horizon)
    relieved, stopped = pmf[:, relief], pmf.sum(axis=1) - pmf[:, relief]
    by = [np.cumsum(values, axis=-1) for values in (relieved, stopped)]
    equal = np.full(len(pmf), 1.0 / len(pmf))
    further = []
    for k in range(int(forecast.done[0]), forecast.horizon):
        reached = np.clip(1.0 - (by[0] + by[1])[:, k - 1] if k else np.ones(len(pmf)), 1e-300, 1.0)
        further.append(
            Further(
                session=k + 1,
                reached=float(reached.mean()),
                # among eyes that come to it: draws count by how many do
                relieved=_estimate(relieved[:, k] / reached, reached / reached.sum(), tails),
                stopped=_estimate(stopped[:, k] / reached, reached / reached.sum(), tails),
                relieved_by=_estimate(by[0][:, k], equal, tails),
                stopped_by=_estimate(by[1][:, k], equal, tails),
                bother=float(after[k]),
            )
        )
    return tuple(further)


def _ending_now(records: Records, done: int) -> EndingNow:
    noted = np.flatnonzero(np.isfinite(records.bother[0, :done]))
    after = int(noted[-1]) + 1 if len(noted) else 0
    # what was noted before the course tells nothing once there were sessions
    before = np.nan if done else float(records.before[0])
    bother = float(records.bother[0, after - 1]) if after else before
    return EndingNow(bother, after)


def _estimate(values: FloatArray, weights: FloatArray, tails: tuple[float, float]) -> Estimate:
    """Weighted mean and quantiles; the weights add to 1."""
    order = np.argsort(values, kind="stable")
    place = np.cumsum(weights[order]) - weights[order] / 2
    low, high = np.interp(tails, place, values[order])
    return Estimate(float(values @ weights), float(low), float(high))


def _silent(model: Model, records: Records, *, fits: bool) -> str:
    if not isinstance(model.history, Progress):
        return "this model does not forecast it"
    if not fits:
        return "what was noted of the sessions does not fit this model"
    return "" if records.told[0] else "nothing is noted of the sessions"


def _usual_horizon(model: Model, done: int) -> int:
    return max(done + 1, min(done + _AHEAD, model.card.supported_session))


def _check(model: Model, new_case: Columns, *, level: float, predictive: float) -> None:
    faults = []
    if RELIEVED not in model.ends:
        fix = "use a model of whole courses, such as core"
        faults.append(
            Fault("model", f"it forecasts {', '.join(model.ends)}, not relief", "an end relieved", fix)
        )
    if n_cases(new_case) != 1:
        faults.append(Fault("new_case", f"{n_cases(new_case)} cases", "one case"))
    for name, value in (("level", level), ("predictive", predictive)):
        if not 0.0 < value < 1.0:
            faults.append(Fault(name, f"{value:g}", "above 0 and below 1, for example 0.8"))
    if faults:
        raise FitError(faults)
