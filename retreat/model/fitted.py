"""A fitted model: draws of its parameters, the frozen coding, the case mix, and the forecast they give."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from retreat import features as feature_floor
from retreat.coding import Coding
from retreat.errors import Fault, FitError
from retreat.forecast import Forecast
from retreat.hazard import Link
from retreat.model import kernel
from retreat.model.card import ModelCard
from retreat.model.casemix import CaseMix
from retreat.model.kernel import Parameters
from retreat.model.support import CaseSupport, Support

if TYPE_CHECKING:
    import pandas as pd

FloatArray = NDArray[np.float64]
Features = dict[str, NDArray[Any]]

# completions of a case with missing features: 64 stratified values leave a Monte-Carlo error near 0.003
_N_COMPLETIONS = 64
MAX_HORIZON = 40
# values of a full forecast: 400 million doubles are 3.2 GB
_MAX_VALUES = 400_000_000


@dataclass(frozen=True)
class Model:
    """A fitted model of the number of sessions; it holds no patient's row and knows nothing of its fitting.

    Parameters
    ----------
    card : ModelCard
        What the model says of itself.
    coding : Coding
        How case features become columns.
    link : {"logit", "cloglog"}
        Link of the hazards.
    parameters : Parameters
        Draws of the parameters.
    strata : tuple of str
        Levels of `stratum_feature`, one table of session effects each; empty for a single table.
    stratum_feature : str
        Feature that picks the table; empty for a single table.
    case_mix : CaseMix
        Distribution of the features, for cases with a missing one.
    support : Support
        Counts and ranges of the fitted cases.
    """

    card: ModelCard
    coding: Coding
    link: Link
    parameters: Parameters
    strata: tuple[str, ...]
    stratum_feature: str
    case_mix: CaseMix
    support: Support

    @property
    def ends(self) -> tuple[str, ...]:
        """Ways a course can end."""
        return self.card.ends

    @cached_property
    def model_id(self) -> str:
        """Short fingerprint of everything the model holds."""
        from retreat.model.archive import fingerprint  # the archive imports this module

        return fingerprint(self)[:12]

    def save(self, path: str | Path) -> Path:
        """Write the model as one zip of JSON and npy arrays, atomically.

        Parameters
        ----------
        path : str or Path
            File to write, by custom ending in ``.retreat``.

        Raises
        ------
        ModelFileError
            If the file cannot be written; nothing is then left behind.
        """
        from retreat.model.archive import save  # the archive imports this module

        return save(self, path)

    def forecast(
        self, new_cases: Mapping[str, Any], *, horizon: int = 8, draws: int | None = None
    ) -> Forecast:
        """Forecast of each case, given the sessions it already had.

        Parameters
        ----------
        new_cases : DataFrame or mapping of str to array_like
            Columns of the `cases` table. `sessions` (done so far, default 0) conditions the forecast: the
            case is taken as still in treatment after them. A missing feature is averaged over the fitted
            case mix and noted.
        horizon : int, 1 to 40
            Largest session. Beyond the largest session fitted the last effect is carried on, and noted; a
            model of the first sessions only stops at its own last session.
        draws : int, optional
            Use only so many of the draws, evenly spaced (default: all).

        Returns
        -------
        Forecast

        Raises
        ------
        FitError
            If `horizon` or `draws` is out of range, the request would not fit in memory, or a case has
            had more sessions than the model gives any chance of.
        TableError
            If a value of a case is not allowed.
        """
        horizon = self._horizon(horizon)
        n = feature_floor.n_cases(new_cases)
        parameters = self.parameters if draws is None else self._thinned(draws)
        _check_size(parameters, n, horizon)
        done = _sessions_done(new_cases, n)
        needed = self._features(new_cases)
        complete, missing = self._missing(needed, n)
        probabilities = np.empty((parameters.n_draws, n, parameters.n_ends, horizon))
        probabilities[:, complete] = self._pmf(
            _take(needed, complete), int(complete.sum()), parameters, horizon
        )
        for i in np.flatnonzero(~complete):
            completed = self._complete(needed, int(i))
            averaged = self._pmf(completed, _N_COMPLETIONS, parameters, horizon).mean(axis=1)
            probabilities[:, i] = averaged
        probabilities = kernel.given_done(probabilities, done)
        _check_possible(probabilities, done)
        notes = tuple(
            (*self._horizon_notes(horizon), *missing[i], *_done_notes(int(done[i]), horizon))
            for i in range(n)
        )
        return Forecast(probabilities, done, _labels(new_cases, n), self.ends, notes, self.card.cautions)

    def expected(self, new_cases: Mapping[str, Any], *, horizon: int = 8) -> FloatArray:
        """Mean over draws of the cumulative incidence from before the first session, whatever has been done.

        For many cases: nothing of the size (draws, cases) is kept.

        Parameters
        ----------
        new_cases : DataFrame or mapping of str to array_like
            Columns of the `cases` table.
        horizon : int, 1 to 40
            Largest session.

        Returns
        -------
        ndarray of float, shape (cases, ends, horizon)

        Raises
        ------
        FitError, TableError
            As for :meth:`forecast`.
        """
        horizon = self._horizon(horizon)
        n = feature_floor.n_cases(new_cases)
        needed = self._features(new_cases)
        complete, _ = self._missing(needed, n)
        out = np.empty((n, self.parameters.n_ends, horizon))
        out[complete] = self._mean_pmf(_take(needed, complete), int(complete.sum()), horizon)
        for i in np.flatnonzero(~complete):
            out[i] = self._mean_pmf(self._complete(needed, int(i)), _N_COMPLETIONS, horizon).mean(axis=0)
        return np.cumsum(out, axis=-1)

    def support_of(self, new_cases: Mapping[str, Any]) -> tuple[CaseSupport, ...]:
        """How many like cases the model saw, with warnings and refusals, for each case."""
        wanted = dict.fromkeys((*self.support.ranges, *self.support.levels, *self.support.edges))
        found = feature_floor.features(new_cases, wanted)
        return self.support.of(found, n_cases=feature_floor.n_cases(new_cases))

    def effects(self, level: float = 0.9) -> pd.DataFrame:
        """Effects of the coded columns, given the others and being in treatment before a session.

        Parameters
        ----------
        level : float in (0, 1)
            Coverage of the equal-tailed interval over draws.

        Returns
        -------
        pandas.DataFrame
            Columns end, column, estimate and standard_error (link scale), and ratio, low, high: the odds of
            the end at a session against going on, multiplied by `ratio` for one unit of the column.
        """
        from retreat.model.effects import effects  # keeps pandas off the path of a sheet

        return effects(self.parameters, self.coding, self.ends, level)

    def associations(self, new_case: Mapping[str, Any], *, session: int) -> dict[str, float]:
        """How each known feature of one case moves its probability of the first end by a session.

        The forecast minus the forecast with that feature averaged over the fitted case mix. An
        association in the fitted cases, not an effect of changing the feature.

        Parameters
        ----------
        new_case : mapping of str to array_like
            One case; sessions already done are left aside.
        session : int, 1 to 40
            By which session.

        Returns
        -------
        dict of str to float
            Difference in probability by feature, only for features the case has and the model uses.
        """
        session = self._horizon(session)
        needed = self._features(new_case)
        here = self._expected_by(needed, session)
        differences = {}
        for name, values in needed.items():
            if _is_missing(values)[0]:
                continue
            blank = np.array([None], dtype=object) if values.dtype == object else np.array([np.nan])
            differences[name] = here - self._expected_by({**needed, name: blank}, session)
        return differences

    def _horizon(self, horizon: int) -> int:
        _check_horizon(horizon)
        return min(horizon, self.card.last_session) if self.card.last_session else horizon

    def _expected_by(self, needed: Features, session: int) -> float:
        complete, _ = self._missing(needed, 1)
        if complete[0]:
            return float(self._mean_pmf(needed, 1, session)[0, 0].sum())
        return float(
            self._mean_pmf(self._complete(needed, 0), _N_COMPLETIONS, session)[:, 0].sum() / _N_COMPLETIONS
        )

    def _features(self, columns: Mapping[str, Any]) -> Features:
        names = dict.fromkeys(
            (*self.coding.features, *((self.stratum_feature,) if self.stratum_feature else ()))
        )
        return {name: feature_floor.feature(columns, name) for name in names}

    def _missing(self, needed: Features, n: int) -> tuple[NDArray[np.bool_], list[list[str]]]:
        complete = np.ones(n, dtype=bool)
        notes: list[list[str]] = [[] for _ in range(n)]
        for name, values in needed.items():
            gone = _is_missing(values)
            complete &= ~gone
            for i in np.flatnonzero(gone):
                notes[i].append(f"{name} is not known; averaged over the fitted case mix")
        return complete, notes

    def _complete(self, needed: Features, case: int) -> Features:
        # one fixed stream a case and feature: the same case gives the same bytes every time
        completed: Features = {}
        for position, (name, values) in enumerate(needed.items()):
            value = values[[case]]
            if _is_missing(value)[0]:
                rng = np.random.default_rng([self.card.seed % 2**32, position])
                completed[name] = self._completions(name, rng)
            else:
                completed[name] = np.repeat(value, _N_COMPLETIONS)
        return completed

    def _completions(self, name: str, rng: np.random.Generator) -> NDArray[Any]:
        try:
            return self.case_mix.completions(name, _N_COMPLETIONS, rng)
        except KeyError:
            raise FitError(Fault(name, "missing, and no fitted case had it", fix="give a value")) from None

    def _coded(self, needed: Features, n: int) -> tuple[FloatArray, NDArray[np.intp]]:
        X = self.coding.encode(needed, n_cases=n)
        if not self.stratum_feature:
            return X, np.zeros(n, dtype=np.intp)
        levels = list(self.strata)
        found = needed[self.stratum_feature]
        unknown = sorted({str(v) for v in found} - set(levels))
        if unknown:
            raise FitError(
                Fault(
                    self.stratum_feature, f"no fitted case has level {', '.join(unknown)}", ", ".join(levels)
                )
            )
        return X, np.array([levels.index(v) for v in found], dtype=np.intp)

    def _pmf(self, needed: Features, n: int, parameters: Parameters, horizon: int) -> FloatArray:
        X, stratum = self._coded(needed, n)
        return kernel.pmf(parameters, X, stratum, horizon=horizon, link=self.link)

    def _mean_pmf(self, needed: Features, n: int, horizon: int) -> FloatArray:
        X, stratum = self._coded(needed, n)
        if self.link == "logit":
            try:
                return kernel.mean_pmf(self.parameters, X, stratum, horizon=horizon)
            except FloatingPointError:
                pass  # predictors too large for the short form; the stable one below serves
        return np.asarray(
            kernel.pmf(self.parameters, X, stratum, horizon=horizon, link=self.link).mean(axis=0)
        )

    def _thinned(self, draws: int) -> Parameters:
        p = self.parameters
        if not 1 <= draws <= p.n_draws:
            raise FitError(Fault("draws", f"{draws}", f"1 to {p.n_draws}"))
        kept = np.linspace(0, p.n_draws - 1, draws).astype(int)
        return replace(
            p,
            coefficients=p.coefficients[kept],
            session_effects=p.session_effects[kept],
            operator_effect=p.operator_effect[kept],
            patient_sd=p.patient_sd[kept],
        )

    def _horizon_notes(self, horizon: int) -> tuple[str, ...]:
        last = self.card.max_session
        if horizon <= last:
            return ()
        return (f"sessions after {last} go beyond the fitted cases; the last session's effect is carried on",)


def _take(needed: Features, rows: NDArray[np.bool_]) -> Features:
    return {name: values[rows] for name, values in needed.items()}


def _is_missing(values: NDArray[Any]) -> NDArray[np.bool_]:
    if values.dtype == object:
        return np.array([v is None for v in values], dtype=bool)
    return np.isnan(values)


def _sessions_done(columns: Mapping[str, Any], n: int) -> NDArray[np.int64]:
    if "sessions" not in columns:
        return np.zeros(n, dtype=np.int64)
    done = feature_floor.number(columns, "sessions")
    bad = np.flatnonzero(~(np.isnan(done) | ((done >= 0) & (done == np.rint(done)))))
    if bad.size:
        raise FitError(
            [Fault("sessions", f"case {i + 1}: {done[i]:g}", "a whole number from 0") for i in bad]
        )
    return np.nan_to_num(done).astype(np.int64)


def _labels(columns: Mapping[str, Any], n: int) -> tuple[str, ...]:
    if "case" in columns:
        return tuple(str(label) for label in np.asarray(columns["case"], dtype=object))
    return tuple(str(i + 1) for i in range(n))


def _done_notes(done: int, horizon: int) -> tuple[str, ...]:
    return (
        (f"{done} sessions done reach the horizon {horizon}: nothing left to forecast",)
        if done >= horizon
        else ()
    )


def _check_horizon(horizon: int) -> None:
    if (
        isinstance(horizon, bool)
        or not isinstance(horizon, int | np.integer)
        or not 1 <= horizon <= MAX_HORIZON
    ):
        raise FitError(
            Fault("horizon", f"{horizon!r}", f"a whole number of sessions from 1 to {MAX_HORIZON}")
        )


def _check_size(parameters: Parameters, n: int, horizon: int) -> None:
    if n * parameters.n_draws * parameters.n_ends * horizon > _MAX_VALUES:
        raise FitError(
            Fault(
                "new_cases",
                f"{n} cases x {parameters.n_draws} draws x {horizon} sessions do not fit in memory",
                fix="pass fewer cases at a time, draws=400, or use model.expected(...)",
            )
        )


def _check_possible(probabilities: FloatArray, done: NDArray[np.int64]) -> None:
    lost = np.flatnonzero(np.isnan(probabilities).any(axis=(0, 2, 3)))
    if lost.size:
        raise FitError(
            [
                Fault(
                    "sessions",
                    f"case {i + 1}: the model gives no chance of still being in treatment after {done[i]}",
                )
                for i in lost
            ]
        )
