"""A fitted model: draws of its parameters, the frozen coding, the case mix, and the forecast they give."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from retreat import features as feature_floor
from retreat.coding import Coding
from retreat.errors import Fault, FitError
from retreat.features import Columns
from retreat.forecast import Forecast
from retreat.hazard import Link
from retreat.model import kernel
from retreat.model.card import ModelCard
from retreat.model.casemix import CaseMix
from retreat.model.completion import (
    N_COMPLETIONS,
    Features,
    blanked,
    completed,
    is_missing,
    missing_features,
    take,
)
from retreat.model.history import History, Records, read_records
from retreat.model.history.ahead import outlook_of
from retreat.model.history.outlook import Outlook
from retreat.model.kernel import Parameters
from retreat.model.request import (
    DISAGREES,
    check_draws,
    check_horizon,
    check_names,
    check_possible,
    check_size,
    check_supported,
    check_usable,
    ended_notes,
    labels,
    notes_of,
    records_notes,
    sessions_done,
    strata_of,
)
from retreat.model.support import CaseSupport, Support

if TYPE_CHECKING:
    import pandas as pd

FloatArray = NDArray[np.float64]


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
    history : History, optional
        What takes in what the sessions of a course showed; None for a model that only knows how many there were.
    """

    card: ModelCard
    coding: Coding
    link: Link
    parameters: Parameters
    strata: tuple[str, ...]
    stratum_feature: str
    case_mix: CaseMix
    support: Support
    history: History | None = None

    def __repr__(self) -> str:
        """One line, not the arrays."""
        return f"<Model {self.card.name} {self.model_id}: {self.card.method}, {self.card.n_cases} cases>"

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
        self,
        new_cases: Columns,
        *,
        visits: Columns | None = None,
        horizon: int = 8,
        draws: int | None = None,
    ) -> Forecast:
        """Forecast of each case, given the sessions it already had.

        Parameters
        ----------
        new_cases : DataFrame or mapping of str to array_like
            Columns of the `cases` table. `sessions` (done so far, default 0) conditions the forecast: the
            case is taken as still in treatment after them. A missing feature is averaged over the fitted
            case mix and noted; so is whatever :meth:`support_of` warns of.
        visits : DataFrame or mapping of str to array_like, optional
            Columns of the `visits` table. A model with a history takes in what they tell of a case; a case of
            which they tell nothing is forecast from its features and its number of sessions alone, as by any
            other model.
        horizon : int, 1 to 40
            Largest session. Beyond the last session that enough fitted cases reached, its effect is carried
            on, and noted; a model of the first sessions only stops at its own last session.
        draws : int, optional
            Use only so many of the draws, evenly spaced (default: all).

        Returns
        -------
        Forecast

        Raises
        ------
        FitError
            If the model failed its own gates; if the support of a case has refusals (all of them at once);
            if `horizon` or `draws` is out of range, the request would not fit in memory, or a case has had
            more sessions than the model gives any chance of.
        TableError
            If a value of a case is not allowed; all of them at once.
        """
        check_usable(self.card)
        horizon = self._horizon(horizon)
        n = feature_floor.n_cases(new_cases)
        parameters = self._draws(draws)
        check_size(parameters, n, horizon)
        done = sessions_done(new_cases, n)
        needed = self._features(new_cases)
        records = read_records(new_cases, visits, done)
        support = self.support_of(new_cases)
        check_supported(support)
        missing = missing_features(needed, n)
        probabilities = np.empty((parameters.n_draws, n, parameters.n_ends, horizon))
        fit_of_records, untold = np.ones(n), np.ones(n, dtype=bool)
        if self.history is not None and records.told.any():
            told = np.flatnonzero(records.told & (done < horizon))
            history = self.history if draws is None else self.history.thinned(_evenly(draws, self.history))
            found, agreement = self._pmf_told(history, take(needed, told), records.rows(told), horizon)
            agreeing = agreement >= DISAGREES
            probabilities[:, told[agreeing]] = found[:, agreeing]
            fit_of_records[told] = agreement
            untold[told[agreeing]] = False
        if untold.any():
            probabilities[:, untold] = self._pmf_given(
                take(needed, untold), done[untold], parameters, horizon
            )
        check_possible(probabilities, done)
        last = self.card.supported_session
        ended = ended_notes(new_cases, n)
        notes = tuple(
            (
                *ended[i],
                *support[i].warnings,
                *notes_of(missing[i], int(done[i]), horizon, last=last, of=self.support.source),
                *records_notes(
                    records,
                    i,
                    float(fit_of_records[i]),
                    told=self.history is not None,
                    given=visits is not None,
                ),
            )
            for i in range(n)
        )
        return Forecast(probabilities, done, labels(new_cases, n), self.ends, notes, self.card.cautions)

    def outlook(
        self,
        new_case: Columns,
        visits: Columns | None = None,
        *,
        horizon: int | None = None,
        level: float = 0.9,
        predictive: float = 0.8,
    ) -> Outlook:
        """Further sessions of one eye in its course and ending it now, side by side: information, not advice.

        Parameters
        ----------
        new_case : mapping of str to array_like, or DataFrame
            One case; its `sessions` done are those it stands after.
        visits : DataFrame or mapping of str to array_like, optional
            What was noted at them, as for :meth:`forecast`. What is not known for want of it is said to be so.
        horizon : int, above the sessions done, at most 40
            Last session looked at (default: four further ones, fewer where few fitted cases got so far).
        level, predictive : float in (0, 1)
            Coverage of the ranges of chances, and of the predictive interval of bother.

        Returns
        -------
        Outlook

        Raises
        ------
        FitError, TableError
            As for :meth:`forecast`; for more than one case, a horizon that leaves no session, or a model
            that does not forecast relief.
        """
        return outlook_of(self, new_case, visits, horizon=horizon, level=level, predictive=predictive)

    def expected(self, new_cases: Columns, *, horizon: int = 8) -> FloatArray:
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
        return self.expected_of(
            self._features(new_cases), horizon=horizon, n=feature_floor.n_cases(new_cases)
        )

    def expected_of(
        self, features: Mapping[str, NDArray[Any]], *, horizon: int, n: int | None = None
    ) -> FloatArray:
        """As :meth:`expected`, of cases whose features have been read before.

        Parameters
        ----------
        features : mapping of str to ndarray, each of shape (cases,)
            At least the features of the model, in the form of :func:`retreat.features.features`.
        horizon : int, 1 to 40
            Largest session.
        n : int, optional
            How many cases, where the model has no features.
        """
        horizon = self._horizon(horizon)
        stratum = (self.stratum_feature,) if self.stratum_feature else ()
        needed = {name: features[name] for name in dict.fromkeys((*self.coding.features, *stratum))}
        size = len(next(iter(needed.values()))) if n is None else n
        return np.cumsum(self._mean_pmf(needed, size, horizon), axis=-1)

    def support_of(self, new_cases: Columns) -> tuple[CaseSupport, ...]:
        """How many like cases the model saw, with warnings and refusals, for each case.

        Like cases are counted among those still in treatment after the sessions the case has had.

        Parameters
        ----------
        new_cases : DataFrame or mapping of str to array_like
            Columns of the `cases` table.

        Returns
        -------
        tuple of CaseSupport

        Raises
        ------
        TableError
            If a value of a case is not allowed.
        """
        wanted = dict.fromkeys((*self.support.ranges, *self.support.levels, *self.support.edges))
        found = feature_floor.features(new_cases, wanted)
        done = sessions_done(new_cases, feature_floor.n_cases(new_cases))
        support = self.support.of(found, done)
        if self.card.last_session:  # a model of the first sessions only has nothing to say of later ones
            return support
        return tuple(
            one.with_course(int(k), self.card.supported_session) for one, k in zip(support, done, strict=True)
        )

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
            the end at a session against going on, multiplied by `ratio` for one unit of the column. A model
            that was made from invented cases or failed its gates says so in a column `caution`.
        """
        from retreat.model.effects import effects  # keeps pandas off the path of a sheet

        found = effects(self.parameters, self.coding, self.ends, level)
        return found.assign(caution=" ".join(self.card.cautions)) if self.card.cautions else found

    def associations(self, new_case: Columns, *, session: int) -> dict[str, float]:
        """How each known feature of one case moves its probability of the first end by a session.

        The forecast minus the forecast with that feature averaged over the fitted case mix, both given the
        sessions the case has had. An association in the fitted cases, not an effect of changing the feature.

        Parameters
        ----------
        new_case : mapping of str to array_like
            One case; its `sessions` done condition both forecasts.
        session : int, 1 to 40
            By which session.

        Returns
        -------
        dict of str to float
            Difference in probability by feature, only for features the case has and the model uses.

        Raises
        ------
        FitError, TableError
            As for :meth:`forecast`, and for more than one case.
        """
        check_usable(self.card)
        session = self._horizon(session)
        n = feature_floor.n_cases(new_case)
        if n != 1:
            raise FitError(Fault("new_case", f"{n} cases", "one case"))
        done = int(sessions_done(new_case, 1)[0])
        needed = self._features(new_case)
        here = self._first_end_by(needed, session, done)
        return {
            name: here - self._first_end_by(blanked(needed, name), session, done)
            for name, values in needed.items()
            if not is_missing(values)[0]
        }

    def _horizon(self, horizon: int) -> int:
        check_horizon(horizon)
        return min(horizon, self.card.last_session) if self.card.last_session else horizon

    def _features(self, columns: Columns) -> Features:
        check_names(columns)
        stratum = (self.stratum_feature,) if self.stratum_feature else ()
        return feature_floor.features(columns, dict.fromkeys((*self.coding.features, *stratum)))

    def _first_end_by(self, needed: Features, session: int, done: int) -> float:
        if not done:
            return float(self._mean_pmf(needed, 1, session)[0, 0].sum())
        given = self._pmf_given(needed, np.array([done]), self.parameters, session)
        return float(given[:, 0, 0].sum(axis=-1).mean())

    def _coded(self, needed: Features, n: int) -> tuple[FloatArray, NDArray[np.intp]]:
        X = self.coding.encode(needed, n_cases=n)
        if not self.stratum_feature:
            return X, np.zeros(n, dtype=np.intp)
        return X, strata_of(needed[self.stratum_feature], self.strata, feature=self.stratum_feature)

    def _pmf_given(
        self, needed: Features, done: NDArray[np.int64], parameters: Parameters, horizon: int
    ) -> FloatArray:
        """Probabilities given the sessions done, missing features averaged, (draws, cases, ends, horizon)."""
        n = len(done)
        complete = np.array([not names for names in missing_features(needed, n)], dtype=bool)
        to_come = np.empty((parameters.n_draws, n, parameters.n_ends, horizon))
        left = np.empty((parameters.n_draws, n))
        to_come[:, complete], left[:, complete] = self._pmf_after(
            take(needed, complete), done[complete], parameters, horizon
        )
        for i in np.flatnonzero(~complete):
            filled, weights = completed(needed, int(i), self.case_mix, seed=self.card.seed)
            some, staying = self._pmf_after(filled, np.repeat(done[i], N_COMPLETIONS), parameters, horizon)
            to_come[:, i] = np.einsum("n,dnek->dek", weights, some)
            left[:, i] = np.einsum("n,dn->d", weights, staying)
        probabilities = kernel.given_done(to_come, left)
        if parameters.of_many_kinds:
            probabilities = kernel.reweighted(probabilities, left, done)
        return probabilities

    def _pmf_told(
        self, history: History, needed: Features, records: Records, horizon: int
    ) -> tuple[FloatArray, FloatArray]:
        """Probabilities given what the sessions showed, missing features averaged, and the share of draws that count.

        By Kish's effective number over draws: where few explain what was noted, the model and the record disagree.
        """
        n = records.n_cases
        ends = len(self.ends)
        complete = np.array([not names for names in missing_features(needed, n)], dtype=bool)
        to_come = np.empty((history.n_draws, n, ends, horizon))
        left = np.empty((history.n_draws, n))
        X, _ = self._coded(take(needed, complete), int(complete.sum()))
        to_come[:, complete], left[:, complete] = history.pmf_after(
            X, records.rows(complete), horizon=horizon, n_ends=ends
        )
        for i in np.flatnonzero(~complete):
            filled, weights = completed(needed, int(i), self.case_mix, seed=self.card.seed)
            X, _ = self._coded(filled, N_COMPLETIONS)
            alike = records.rows(np.repeat(i, N_COMPLETIONS))
            some, well = history.pmf_after(X, alike, horizon=horizon, n_ends=ends, alike=N_COMPLETIONS)
            to_come[:, i] = np.einsum("n,dnek->dek", weights, some)
            left[:, i] = np.einsum("n,dn->d", weights, well)
        share = left.sum(axis=0) ** 2 / np.maximum((left**2).sum(axis=0), 1e-300) / len(left)
        return kernel.reweighted(kernel.given_done(to_come, left), left, records.done), share

    def _pmf_after(
        self, needed: Features, done: NDArray[np.int64], parameters: Parameters, horizon: int
    ) -> tuple[FloatArray, FloatArray]:
        X, stratum = self._coded(needed, len(done))
        return kernel.pmf_after(parameters, X, stratum, done, horizon=horizon, link=self.link)

    def _mean_pmf(self, needed: Features, n: int, horizon: int) -> FloatArray:
        complete = np.array([not names for names in missing_features(needed, n)], dtype=bool)
        out = np.empty((n, self.parameters.n_ends, horizon))
        out[complete] = self._mean_pmf_of(take(needed, complete), int(complete.sum()), horizon)
        for i in np.flatnonzero(~complete):
            filled, weights = completed(needed, int(i), self.case_mix, seed=self.card.seed)
            out[i] = np.einsum("n,nek->ek", weights, self._mean_pmf_of(filled, N_COMPLETIONS, horizon))
        return out

    def _mean_pmf_of(self, needed: Features, n: int, horizon: int) -> FloatArray:
        X, stratum = self._coded(needed, n)
        if self.link == "logit":
            try:
                return kernel.mean_pmf(self.parameters, X, stratum, horizon=horizon)
            except FloatingPointError:
                pass  # predictors too large for the short form; the stable one below serves
        return np.asarray(
            kernel.pmf(self.parameters, X, stratum, horizon=horizon, link=self.link).mean(axis=0)
        )

    def _draws(self, draws: int | None) -> Parameters:
        if draws is None:
            return self.parameters
        check_draws(draws, self.parameters.n_draws)
        return self.parameters.thinned(draws)


def _evenly(draws: int, history: History) -> NDArray[np.intp]:
    """So many of the draws, evenly spaced, as :meth:`Parameters.thinned` takes them."""
    return np.linspace(0, history.n_draws - 1, draws).astype(np.intp)
