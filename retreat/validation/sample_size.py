"""How many cases a model needs before it is worth fitting: the criteria of Riley and others."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, exp, log, sqrt

from retreat.errors import Fault, FitError

# what the criteria ask for (Riley and others 2019, 2020, from memory)
SHRINKAGE, OPTIMISM, MARGIN = 0.9, 0.05, 0.05
_Z = 1.96


@dataclass(frozen=True)
class SampleSize:
    """Cases asked for by each criterion.

    Parameters
    ----------
    shrinkage : int
        For a uniform shrinkage of at least 0.9 (criterion 1).
    optimism : int
        For an optimism of Nagelkerke's R squared of at most 0.05 (criterion 2).
    overall : int
        For the overall share within 0.05 (criterion 3); 0 where not asked.
    events_per_parameter : float
        Events for each parameter at the largest of them.
    """

    shrinkage: int
    optimism: int
    overall: int
    events_per_parameter: float

    @property
    def cases(self) -> int:
        """The largest of the criteria."""
        return max(self.shrinkage, self.optimism, self.overall)


def minimum_sample_size(*, r_squared: float, parameters: int, share: float) -> SampleSize:
    r"""Least number of cases for a model of a yes-or-no outcome, such as a second session.

    With Cox-Snell :math:`R^2` and p parameters: :math:`n_1 = p / [(S - 1) \log(1 - R^2 / S)]` for a shrinkage S of
    0.9; :math:`n_2` the same with :math:`S = R^2 / (R^2 + 0.05 \max R^2)`; :math:`n_3 = (1.96 / 0.05)^2 \phi (1 -
    \phi)` for an overall share :math:`\phi` (Riley and others 2019 [1]_, 2020 [2]_).

    Parameters
    ----------
    r_squared : float
        Cox-Snell R squared expected of the model, above 0 and below its largest value at this share.
    parameters : int, at least 1
        Parameters of the model beyond the intercept.
    share : float in (0, 1)
        Share with the outcome.

    Raises
    ------
    FitError
        If an argument is out of range.

    References
    ----------
    .. [1] Riley RD, Snell KIE, Ensor J, et al. Minimum sample size for developing a multivariable prediction model:
       PART II. Stat Med 2019;38:1276-1296 (abstract read; formulas from memory).
    .. [2] Riley RD, Ensor J, Snell KIE, et al. Calculating the sample size required for developing a clinical
       prediction model. BMJ 2020;368:m441 (from memory).

    Examples
    --------
    >>> found = minimum_sample_size(r_squared=0.288, parameters=24, share=0.174)
    >>> found.shrinkage, found.optimism, found.overall, found.cases
    (623, 662, 221, 662)
    """
    faults = []
    if not 0.0 < share < 1.0:
        faults.append(Fault("share", f"{share!r}", "between 0 and 1"))
    if isinstance(parameters, bool) or not isinstance(parameters, int) or parameters < 1:
        faults.append(Fault("parameters", f"{parameters!r}", "a whole number from 1"))
    most = 1.0 - exp(2.0 * (share * log(share) + (1.0 - share) * log(1.0 - share))) if not faults else 1.0
    if not 0.0 < r_squared < most:
        faults.append(Fault("r_squared", f"{r_squared!r}", f"above 0 and below {most:.3g}"))
    if faults:
        raise FitError(faults)
    second = r_squared / (r_squared + OPTIMISM * most)
    cases = (
        _for_shrinkage(r_squared, parameters, SHRINKAGE),
        _for_shrinkage(r_squared, parameters, second),
        ceil((_Z / MARGIN) ** 2 * share * (1.0 - share)),
    )
    return SampleSize(*cases, max(cases) * share / parameters)


def minimum_sample_size_courses(
    *, r_squared: float, parameters: int, rate: float, follow_up: float, horizon: float
) -> SampleSize:
    """Least number of cases for a model of courses, from the rate of an end and how long cases are followed.

    Parameters
    ----------
    r_squared : float
        Cox-Snell R squared expected of the model, above 0.
    parameters : int, at least 1
        Parameters of the model.
    rate : float, above 0
        Ends a case and unit of time (a session, a year).
    follow_up : float, above 0
        Mean time followed, in that unit.
    horizon : float, above 0
        Time by which the end is predicted, in that unit.

    Raises
    ------
    FitError
        If an argument is out of range.

    References
    ----------
    Riley and others 2019, as for :func:`minimum_sample_size`.

    Examples
    --------
    >>> found = minimum_sample_size_courses(r_squared=0.051, parameters=30, rate=0.065, follow_up=2.07, horizon=2)
    >>> found.shrinkage, found.optimism, round(found.events_per_parameter, 2)
    (5143, 1039, 23.07)
    """
    faults = [
        Fault(name, f"{value!r}", "above 0")
        for name, value in (("rate", rate), ("follow_up", follow_up), ("horizon", horizon))
        if not value > 0
    ]
    if isinstance(parameters, bool) or not isinstance(parameters, int) or parameters < 1:
        faults.append(Fault("parameters", f"{parameters!r}", "a whole number from 1"))
    if faults:
        raise FitError(faults)
    # log likelihood of a constant rate, a case, in the largest R squared there can be
    events = rate * follow_up
    most = 1.0 - exp(min(2.0 * (events * log(events) - events), 0.0))
    if not 0.0 < r_squared < most:
        raise FitError(Fault("r_squared", f"{r_squared!r}", f"above 0 and below {most:.3g}"))
    second = r_squared / (r_squared + OPTIMISM * most)
    first, optimism = (_for_shrinkage(r_squared, parameters, s) for s in (SHRINKAGE, second))
    n = max(first, optimism)
    # the share by the horizon within 0.05: its interval at n cases must be narrower, else cases are added
    while _half_width(rate, n * follow_up, horizon) > MARGIN:
        n = ceil(n * 1.02) + 1
    return SampleSize(first, optimism, n, n * events / parameters)


def _for_shrinkage(r_squared: float, parameters: int, shrinkage: float) -> int:
    return ceil(parameters / ((shrinkage - 1.0) * log(1.0 - r_squared / shrinkage)))


def _half_width(rate: float, time: float, horizon: float) -> float:
    """Half the interval of the share ended by the horizon at a constant rate, followed so long in all."""
    error = sqrt(rate / time)
    low, high = (1.0 - exp(-(rate + side * _Z * error) * horizon) for side in (-1.0, 1.0))
    return (high - low) / 2.0
