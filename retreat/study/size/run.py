"""Many studies of each size, drawn, fitted and summed up."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from retreat.errors import Fault, FitError
from retreat.fitting.arguments import choice_fault, is_number
from retreat.model.kernel import pmf
from retreat.study.size.arguments import refuse, whole, within
from retreat.study.size.courses import draw_study
from retreat.study.size.fits import FitPenalty, Told, interval_width, told_by
from retreat.study.size.mix import patients
from retreat.study.size.record import Estimate, SizePoint, StudySize, Targets
from retreat.study.size.scenario import Scenario, scenario_of

if TYPE_CHECKING:
    from retreat.definitions import Definition
    from retreat.model import Model

FloatArray = NDArray[np.float64]
Progress = Callable[[int, int], None]

EYES = (100, 150, 200, 300, 400, 600, 800)
STUDIES = 200
MOST_EYES, MOST_STUDIES = 20_000, 5_000
# eyes that stand for all: true chances are known, so that only their mix varies
_POPULATION = 1000
_Z80, _Z95 = 1.281552, 1.959964
_TINY = 1e-12
# a slope's spread may be wider than 1, nothing else
_MOST_TARGET = 10.0
_RESAMPLES = 200
# share of studies that could not be fitted from which a point says nothing of the others
_TOO_MANY_FAILED = 0.5


def simulate_size(
    scenario: Scenario | Model | Definition | str | Path,
    *,
    eyes: Sequence[int] = EYES,
    studies: int = STUDIES,
    horizon: int = 2,
    penalty: FitPenalty = "prior",
    targets: Targets | None = None,
    seed: int = 1,
    progress: Progress | None = None,
) -> StudySize:
    """What studies of several sizes would tell, by simulation.

    Each study is drawn from the scenario, eyes within patients, and fitted by the logistic route of
    :func:`retreat.fit` with patient-clustered errors. Its predictions are held against true chances of many eyes
    like these: the calibration slope is the shrinkage they would need. Every number has its Monte-Carlo error
    (Morris, White and Crowther 2019 [1]_).

    Parameters
    ----------
    scenario : Scenario, Model, Definition, str or Path
        From :func:`of_definition` or :func:`of_model`; a definition or a model is taken with their defaults.
    eyes : sequence of int
        Sizes of study in eyes, each from the definition's least number of cases to 20,000.
    studies : int, 20 to 5000
        Studies of each size.
    horizon : int, from 1
        By which session; no later than courses are followed.
    penalty : {"prior", "firth"} or float
        How the model is fitted: by the definition's priors, as :func:`retreat.fit` does; ``"firth"``; a ridge, 0
        maximum likelihood, which the closed criteria suppose.
    targets : Targets, optional
        What a study is to reach.
    seed : int, from 0
        Seed of everything random; the same seed draws the same studies.
    progress : callable, optional
        Told how many studies are done, of how many.

    Returns
    -------
    StudySize

    Raises
    ------
    FitError
        If an argument is out of range; all of them at once.

    References
    ----------
    .. [1] Morris TP, White IR, Crowther MJ. Using simulation studies to evaluate statistical methods. Stat Med
       2019;38:2074-2102 (from memory).

    Examples
    --------
    >>> from retreat.study.size import of_definition
    >>> found = simulate_size(of_definition("core"), eyes=[100, 200], studies=20)
    >>> [(one.eyes, one.patients) for one in found.points]
    [(100, 83), (200, 167)]
    """
    scenario = scenario_of(scenario)
    aims = Targets() if targets is None else targets
    sizes = checked_sizes(
        scenario, eyes, studies=studies, horizon=horizon, penalty=penalty, targets=aims, seed=seed
    )
    horizon = min(horizon, scenario.most_sessions)
    source = np.random.default_rng(seed)
    others = patients(_POPULATION, 1.0)
    population = scenario.columns(others, source)
    typical = scenario.typical_columns()
    n_truths = min(scenario.truth.n_draws, studies)
    held = np.concatenate([population, typical])
    true = np.stack(
        [_true_incidence(scenario, held, t, horizon) for t in range(n_truths)]
    )  # (truths, eyes + 1, ends)
    points = []
    for place, n in enumerate(sizes):
        rng = np.random.default_rng([seed, n])
        told, ended = [], np.zeros(len(scenario.ends))
        for study in range(studies):
            drawn = draw_study(scenario, n, scenario.truth_of(study), rng)
            ended += np.bincount(drawn.ending, minlength=len(ended) + 1)[1:]
            told.append(
                told_by(
                    scenario,
                    drawn,
                    penalty=penalty,
                    horizon=horizon,
                    population=population,
                    true_incidence=true[study % n_truths, :-1],
                )
            )
            if progress is not None:
                progress(place * studies + study + 1, len(sizes) * studies)
        chances = true[np.arange(studies) % n_truths, -1, 0]
        points.append(_point(scenario, n, told, ended / studies, chances, rng))
    return StudySize(
        scenario,
        tuple(points),
        horizon,
        _penalty_words(penalty),
        aims,
        seed,
        float(true[:, -1, 0].mean()),
        _notes(scenario, penalty, points),
    )


def _true_incidence(scenario: Scenario, X: FloatArray, truth: int, horizon: int) -> FloatArray:
    """True chance of each end by the horizon, averaged over patients, shape (eyes, ends)."""
    nobody = np.zeros(len(X), dtype=np.intp)
    by_session = pmf(scenario.truth_of(truth), X, nobody, horizon=horizon, link=scenario.definition.link)
    return np.asarray(by_session[0].sum(axis=-1))


def _point(
    scenario: Scenario,
    n: int,
    told: list[Told],
    ended: FloatArray,
    chances: FloatArray,
    rng: np.random.Generator,
) -> SizePoint:
    slopes = np.stack([one.slope for one in told])  # (studies, ends)
    logit = np.array([one.logit for one in told])
    error = np.array([one.error for one in told])
    sound = np.isfinite(logit)
    failures = float(1.0 - sound.mean())
    usable = failures <= _TOO_MANY_FAILED
    kept = sound if usable else np.zeros_like(sound)
    chances = np.clip(chances, _TINY, 1.0 - _TINY)
    truth = np.log(chances / (1.0 - chances))
    covered = np.abs(logit - truth)[kept] <= _Z95 * error[kept]
    by_end = {end: slopes[kept, j] for j, end in enumerate(scenario.ends)}
    by_end = {end: values[np.isfinite(values)] for end, values in by_end.items()}
    found = np.array([one.significant for one in told])
    return SizePoint(
        eyes=n,
        patients=int(patients(n, scenario.eyes_per_patient).max()) + 1,
        studies=len(told),
        failures=failures,
        ended=dict(zip(scenario.ends, map(float, ended), strict=True)),
        slope={end: _mean(values) for end, values in by_end.items()},
        slope_width={end: _range(values, rng) for end, values in by_end.items()},
        width_80=_mean(interval_width(logit[kept], error[kept], _Z80)),
        width_95=_mean(interval_width(logit[kept], error[kept])),
        coverage=_share(covered),
        power=None if scenario.effect is None else _share(found > 0),
    )


def _mean(values: FloatArray) -> Estimate:
    if len(values) < 2:
        return Estimate(np.nan, np.nan)
    return Estimate(float(values.mean()), float(values.std(ddof=1) / np.sqrt(len(values))))


def _range(values: FloatArray, rng: np.random.Generator) -> Estimate:
    """Distance of the outer quantiles, with its error by the bootstrap."""
    if len(values) < 2:
        return Estimate(np.nan, np.nan)
    again = values[rng.integers(len(values), size=(_RESAMPLES, len(values)))]
    spread = np.diff(np.quantile(again, (0.025, 0.975), axis=1), axis=0)
    return Estimate(float(np.diff(np.quantile(values, (0.025, 0.975)))[0]), float(spread.std(ddof=1)))


def _share(found: NDArray[np.bool_]) -> Estimate:
    n = len(found)
    if not n:
        return Estimate(np.nan, np.nan)
    # a share of none or all has an error too: one study more on either side (Agresti and Coull 1998, from memory)
    smoothed = (found.sum() + 1.0) / (n + 2.0)
    return Estimate(float(found.mean()), float(np.sqrt(smoothed * (1.0 - smoothed) / n)))


def checked_sizes(
    scenario: Scenario,
    eyes: Sequence[int] = EYES,
    *,
    studies: int = STUDIES,
    horizon: int = 2,
    penalty: FitPenalty = "prior",
    targets: Targets | None = None,
    seed: int = 1,
) -> tuple[int, ...]:
    """Sizes in rising order, after all arguments of :func:`simulate_size` were found right; nothing is simulated.

    Raises
    ------
    FitError
        If an argument is out of range; all of them at once.
    """
    targets = Targets() if targets is None else targets
    least = scenario.definition.gates.min_cases
    sizes = [whole("eyes", n, low=least, high=MOST_EYES) for n in eyes]
    faults: list[Fault | None] = [
        *sizes,
        whole("studies", studies, low=20, high=MOST_STUDIES),
        whole("seed", seed, low=0),
    ]
    faults.append(whole("horizon", horizon, low=1, high=max(scenario.most_sessions, 2)))
    if not len(eyes):
        faults.append(Fault("eyes", "no size", "at least one"))
    if not is_number(penalty) and choice_fault("penalty", penalty, ("prior", "firth")):
        faults.append(Fault("penalty", f"{penalty!r}", "'prior', 'firth' or a number from 0"))
    faults += [
        within(f"targets, {one.name}", getattr(targets, one.name), 0.0, _MOST_TARGET)
        for one in fields(targets)
    ]
    refuse(*faults)
    _refuse_certain(scenario)
    return tuple(sorted({int(n) for n in eyes}))


def _refuse_certain(scenario: Scenario) -> None:
    """Refuse a truth under which an end cannot happen at all: it would be no question."""
    if np.isneginf(scenario.truth.session_effects).all(axis=(0, 1, 3)).any():
        raise FitError(Fault("truth", "an end has no chance at any session", fix="take a model with priors"))


def _penalty_words(penalty: FitPenalty) -> str:
    if penalty == "prior":
        return "penalised by the definition's priors"
    if penalty == "firth":
        return "Firth's penalty"
    return "maximum likelihood" if penalty == 0 else f"ridge {float(penalty):g}"


def _notes(scenario: Scenario, penalty: FitPenalty, points: list[SizePoint]) -> tuple[str, ...]:
    notes = [
        "simulated under the assumptions of the scenario, not seen in patients: who comes and what holds may differ",
        "knots of splines and the case mix are taken as known, and no feature is missing",
    ]
    if penalty == "prior" and scenario.truth.n_draws == 1 and scenario.source.startswith("priors"):
        notes.append(
            "the truth stands where the priors are centred: slopes and widths flatter a fit by these priors; look at "
            "maximum likelihood (penalty 0 or firth) or at drawn effects too"
        )
    if penalty == "prior" and scenario.effect is not None:
        notes.append(
            "power is that of the fit with its prior, which pulls the effect towards the prior's centre"
        )
    if scenario.truth.n_draws > 1:
        notes.append(
            "numbers are averages over what the effects might be; single studies fare better or worse"
        )
    if any(one.failures for one in points):
        notes.append(
            "studies that gave no finite estimate count as failed, and as not having found the effect"
        )
    return tuple(notes)
