"""The challenger: boosted trees on person-session rows, to show in validation what a simpler model leaves behind.

Never a forecast for a patient and never saved: trees have no effects to show, no intervals, and bin edges that are
values of cases.
"""

from __future__ import annotations

import warnings
from contextlib import AbstractContextManager
from typing import TYPE_CHECKING, Any, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from retreat import hazard
from retreat.counts import check_courses, person_sessions
from retreat.errors import ExtrapolationWarning, Fault, FitError
from retreat.fitting.arguments import is_number, is_whole, read_horizon

if TYPE_CHECKING:
    from retreat.fitting.design import Design

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


def boosted_incidence(train: Design, X_new: FloatArray, horizon: int, seed: int) -> FloatArray:
    """Cumulative incidence that boosted trees fitted to one design give other coded cases.

    Parameters
    ----------
    train : Design
        Cases to learn from.
    X_new : ndarray of float, shape (cases, columns)
        Other cases, coded by `train.coding`; NaN where missing.
    horizon : int, from 1
        Largest session; past the largest session of `train` the last hazard is carried on without a warning,
        since a held-out case may go further than the cases learned from.
    seed : int, from 0
        Seed of everything random.

    Returns
    -------
    ndarray of float, shape (cases, ends, horizon)
        Of all ends of the definition; 0 for an end that no case of `train` had.

    Raises
    ------
    FitError
        As for :meth:`BoostedHazard.fit` and :meth:`BoostedHazard.predict_hazard`.
    """
    made = BoostedHazard(random_state=seed)
    made.fit(train.X, train.sessions, train.ending, n_ends=train.n_ends)
    horizon = read_horizon(horizon, made.max_session_)
    return hazard.cumulative_incidence(made._hazard(made._read_fitted(X_new), horizon))


class BoostedHazard:
    """Discrete-time hazard by gradient boosting: trees find curves and interactions nobody wrote down.

    Each case gives one row a session it was in treatment before, the session number a further column; histogram
    gradient boosting (Friedman 2001 [1]_; histograms and leaf-wise growth as in Ke 2017 [2]_) of the multinomial
    log likelihood learns from these rows whether the case went on (0) or how it ended (1..K). The number of rounds
    is fixed and early stopping is off: it would hold out rows, so that one case is on both sides.

    scikit-learn's conventions are kept, not its base class, so that importing this module does not load it.

    Parameters
    ----------
    learning_rate : float in (0, 1], default 0.05
        Share of each tree's step that is taken.
    max_iter : int, from 1, default 50
        Rounds; one tree a round with two kinds of outcome, else one a kind.
    max_leaf_nodes : int, from 2, default 6
        Leaves of a tree.
    min_samples_leaf : int, from 1, default 20
        Fewest person-session rows in a leaf.
    l2_regularization : float, from 0, default 1.0
        Added to the curvature of a leaf, in rows times p (1 - p).
    random_state : int, from 0, default 0
        Seed; it only matters above 200,000 rows, where bin edges are taken from a sample of them.

    Attributes
    ----------
    n_ends_ : int
        Number of ends K.
    max_session_ : int
        Largest session seen.
    n_features_in_ : int
        Columns of X.
    classes_ : ndarray of int
        Kinds of outcome seen in the rows, 0 going on.

    Notes
    -----
    Censoring is taken as independent of the course given X. A missing value goes to the side of a split that served
    the log likelihood, or, where none was missing in the fit, to the side of most rows. The order of cases changed no
    bit where tried (to 184,000 rows), since single-precision gradients are added in double precision; above 200,000 it
    may. The order of columns may decide between equal splits.

    References
    ----------
    .. [1] Friedman JH. Greedy function approximation: a gradient boosting machine. Ann Stat 2001;29:1189-1232
       (from memory).
    .. [2] Ke G, et al. LightGBM: a highly efficient gradient boosting decision tree. Adv Neural Inf Process Syst
       2017;30 (from memory).

    Examples
    --------
    Of 400 invented cases 100 end at session 1 and 150 at session 2, that is by 0.25 and 0.625; small steps stop a
    little short of these counts:

    >>> sessions, ending = np.repeat([1, 2, 2], [100, 150, 150]), np.repeat([1, 1, 0], [100, 150, 150])
    >>> h = BoostedHazard().fit(np.zeros((400, 0)), sessions, ending)
    >>> h.predict_incidence(np.zeros((1, 0)), 2).round(2).tolist()
    [[[0.26, 0.62]]]
    """

    def __init__(
        self,
        *,
        # small steps of small trees learn less of noise (Friedman 2001, from memory). Tried on simulated courses (150,
        # 400, 900, 3,000 cases, 3 columns, log score of fresh cases, mean of 5 seeds): where effects add up, 100 rounds
        # were worse than 50 by 0.11, 0.05, 0.02, 0.003; where two columns interact, worse by 0.10 and 0.03, then
        # better by 0.02 and 0.03. 25 rounds of 0.1 scored like 50 of 0.05 within 0.01
        learning_rate: float = 0.05,
        max_iter: int = 50,
        # a tree of L leaves joins at most L - 1 columns; 4 to 8 leaves are common practice. In that trial 4 missed 0.05
        # to 0.07 of an interaction from 900 cases up; 8 gained 0.02 there and lost up to 0.03 where effects add up
        max_leaf_nodes: int = 6,
        # with few cases a leaf must not be one patient; 20 is the common default of the software
        min_samples_leaf: int = 20,
        # a leaf of 20 rows at a hazard of 0.05 has curvature 20 * 0.05 * 0.95, near 1: its step is halved
        l2_regularization: float = 1.0,
        random_state: int = 0,
    ) -> None:
        self.learning_rate = learning_rate
        self.max_iter = max_iter
        self.max_leaf_nodes = max_leaf_nodes
        self.min_samples_leaf = min_samples_leaf
        self.l2_regularization = l2_regularization
        self.random_state = random_state

    def fit(self, X: ArrayLike, sessions: ArrayLike, ending: ArrayLike, *, n_ends: int | None = None) -> Self:
        """Fit the trees.

        Parameters
        ----------
        X : array_like or DataFrame of float, shape (cases, columns)
            Covariates; NaN where missing; 0 columns are allowed.
        sessions : array_like of int, shape (cases,)
            Session of the end, or last session seen; from 1.
        ending : array_like of int, shape (cases,)
            0 still in treatment (censored after that session), 1..K the way of ending.
        n_ends : int, optional
            Number of ends K; default the largest ending. An end that no case had gets the hazard 0.

        Raises
        ------
        FitError
            If the input or a setting is not of that form, or nobody ended.
        """
        self._check_settings()
        matrix = _read_matrix(X)
        s, e = check_courses(sessions, ending)
        if len(s) != len(matrix):
            raise FitError(Fault("X", f"{len(matrix)} rows", f"{len(s)}, one for each of sessions"))
        if not e.any():
            raise FitError(Fault("ending", "no case has ended", fix="wait for courses to end"))
        K = _read_ends(n_ends, int(e.max()))
        # the software cannot bin a column without a value, and there is nothing to learn of it
        known = ~np.isnan(matrix).all(axis=0)
        case, session, how = person_sessions(s, e)
        rows = np.column_stack([matrix[case][:, known], session])
        self.n_ends_, self.max_session_, self.n_features_in_ = K, int(s.max()), matrix.shape[1]
        self.classes_, self._known = np.unique(how), known
        # one kind of outcome (all ended at session 1 in one way) is certain, and nothing for a classifier
        self._classifier = self._classify(rows, how) if len(self.classes_) > 1 else None
        return self

    def predict_hazard(self, X: ArrayLike, horizon: int | None = None) -> FloatArray:
        """Hazard of each end at each session, given that the case is in treatment before it.

        Parameters
        ----------
        X : array_like of float, shape (cases, columns)
            Covariates; NaN where missing.
        horizon : int, optional
            Largest session; default the largest seen. Beyond it the last hazard is carried on with an
            `ExtrapolationWarning`.

        Returns
        -------
        ndarray of float, shape (cases, ends, horizon)

        Raises
        ------
        FitError
            If there is no fit yet, or X or the horizon is not of that form.
        """
        matrix = self._read_fitted(X)
        last = self.max_session_
        horizon = read_horizon(horizon, last)
        if horizon > last:
            warnings.warn(
                f"sessions {last + 1} to {horizon} go beyond the largest session seen ({last}); "
                "the last session's hazard is carried on",
                ExtrapolationWarning,
                stacklevel=2,
            )
        return self._hazard(matrix, horizon)

    def predict_incidence(self, X: ArrayLike, horizon: int | None = None) -> FloatArray:
        """Cumulative incidence of each end by each session, shape (cases, ends, horizon).

        Parameters and errors as for :meth:`predict_hazard`.
        """
        return hazard.cumulative_incidence(self.predict_hazard(X, horizon))

    def _hazard(self, matrix: FloatArray, horizon: int) -> FloatArray:
        n, n_seen = len(matrix), min(horizon, self.max_session_)
        shares = np.zeros((n, self.n_ends_ + 1, n_seen))  # going on first
        if self._classifier is None:
            shares[:, self.classes_] = 1.0
        elif n:
            case = np.repeat(np.arange(n), n_seen)
            rows = np.column_stack([matrix[case][:, self._known], np.tile(np.arange(1, n_seen + 1), n)])
            with _one_thread():
                learned = self._classifier.predict_proba(rows)
            shares[:, self.classes_] = learned.reshape(n, n_seen, -1).transpose(0, 2, 1)
        return shares[:, 1:, np.minimum(np.arange(horizon), n_seen - 1)]

    def _classify(self, rows: FloatArray, how: IntArray) -> Any:
        from sklearn.ensemble import HistGradientBoostingClassifier  # heavy: only for a fit

        made = HistGradientBoostingClassifier(
            learning_rate=self.learning_rate,
            max_iter=self.max_iter,
            max_leaf_nodes=self.max_leaf_nodes,
            min_samples_leaf=self.min_samples_leaf,
            l2_regularization=self.l2_regularization,
            early_stopping=False,
            random_state=self.random_state % 2**32,  # no larger seed is taken there
        )
        with _one_thread():
            return made.fit(rows, how)

    def _read_fitted(self, X: ArrayLike) -> FloatArray:
        if not hasattr(self, "classes_"):
            raise FitError(Fault("BoostedHazard", "not fitted yet", fix="call fit first"))
        matrix = _read_matrix(X)
        if matrix.shape[1] != self.n_features_in_:
            raise FitError(Fault("X", f"{matrix.shape[1]} columns", f"{self.n_features_in_} as fitted"))
        return matrix

    def _check_settings(self) -> None:
        rate = self.learning_rate
        faults = []
        if not is_number(rate) or not 0 < rate <= 1:
            faults.append(Fault("learning_rate", f"{rate!r}", "a number above 0, at most 1"))
        for name, least in (
            ("max_iter", 1),
            ("max_leaf_nodes", 2),
            ("min_samples_leaf", 1),
            ("random_state", 0),
        ):
            value = getattr(self, name)
            if not is_whole(value) or value < least:
                faults.append(Fault(name, f"{value!r}", f"a whole number from {least}"))
        if not is_number(self.l2_regularization):
            faults.append(Fault("l2_regularization", f"{self.l2_regularization!r}", "a number from 0"))
        if faults:
            raise FitError(faults)


def _one_thread() -> AbstractContextManager[Any]:
    """Limit to one thread: on a case table more threads gain little, and wait for each other on a busy machine."""
    from threadpoolctl import threadpool_limits  # with scikit-learn: only for a fit and what follows it

    limits: AbstractContextManager[Any] = threadpool_limits(1, user_api="openmp")
    return limits


def _read_ends(n_ends: object, largest: int) -> int:
    if n_ends is None:
        return largest
    if not is_whole(n_ends) or n_ends < largest:
        raise FitError(Fault("n_ends", f"{n_ends!r}", f"a whole number from {largest}, the largest ending"))
    return int(n_ends)


def _read_matrix(X: ArrayLike | Any) -> FloatArray:
    """Matrix of numbers or NaN; infinite values are refused."""
    array = np.asarray(X)
    try:
        if array.dtype.kind not in "biufO":
            raise TypeError
        matrix = array.astype(float)
    except (TypeError, ValueError):
        raise FitError(Fault("X", "holds values that are not numbers", "a matrix of numbers")) from None
    if matrix.ndim != 2:
        raise FitError(Fault("X", f"{matrix.ndim} dimensions", "2: cases by columns", "reshape it"))
    bad = np.argwhere(np.isinf(matrix))
    if bad.size:
        shown = ", ".join(f"row {i} of column {j}" for i, j in bad[:3])
        raise FitError(Fault("X", f"{len(bad)} values are infinite ({shown})", "finite numbers, or NaN"))
    return matrix
