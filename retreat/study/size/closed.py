"""Closed criteria for developing a model: cases so that it is hardly overfitted and its overall level is known."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, exp, log, sqrt

from retreat.errors import Fault
from retreat.study.size.arguments import above, inside, refuse, whole
from retreat.study.size.r_squared import most_r_squared, most_r_squared_of_rate

# what the criteria ask for (Riley and others 2019, 2020)
SHRINKAGE, OPTIMISM, MARGIN = 0.9, 0.05, 0.05
Z = 1.96


@dataclass(frozen=True)
class Development:
    """Cases that each criterion asks for.

    Parameters
    ----------
    shrinkage : int
        (i) For a uniform shrinkage of at least the target.
    optimism : int
        (ii) For an optimism of Nagelkerke's R squared of at most the target.
    overall : int
        (iii) For the overall share, or the share by the horizon, within the margin on either side.
    events : float
        Expected events at the largest of the three.
    parameters : int
        Parameters beyond the intercept.
    r_squared, most_r_squared : float
        Cox-Snell R squared anticipated, and its largest value.
    expected_shrinkage : float
        Shrinkage expected at the largest of the three.
    """

    shrinkage: int
    optimism: int
    overall: int
    events: float
    parameters: int
    r_squared: float
    most_r_squared: float
    expected_shrinkage: float

    @property
    def cases(self) -> int:
        """The largest of the three."""
        return max(self.shrinkage, self.optimism, self.overall)

    @property
    def events_per_parameter(self) -> float:
        """Events for each parameter at that number of cases."""
        return self.events / self.parameters


def least_for_share(
    *,
    r_squared: float,
    parameters: int,
    share: float,
    shrinkage: float = SHRINKAGE,
    optimism: float = OPTIMISM,
    margin: float = MARGIN,
) -> Development:
    r"""Least number of cases for a model of a yes-or-no outcome.

    With Cox-Snell :math:`R^2` and p parameters, :math:`n = p / [(S - 1) \log(1 - R^2 / S)]`: (i) for the target S;
    (ii) for :math:`S = R^2 / (R^2 + \delta \max R^2)` with an optimism :math:`\delta`; (iii) :math:`n = (1.96 / m)^2
    \phi (1 - \phi)` for an overall share :math:`\phi` within m (Riley and others 2019 [1]_, 2020 [2]_).

    Parameters
    ----------
    r_squared : float
        Cox-Snell R squared anticipated, above 0, below the target shrinkage and below :func:`most_r_squared`.
    parameters : int, at least 1
        Parameters beyond the intercept: every column the model may use, also those that selection drops.
    share : float in (0, 1)
        Share with the outcome.
    shrinkage : float in (0, 1)
        Least shrinkage S of (i).
    optimism : float in (0, 1)
        Most optimism of Nagelkerke's R squared in (ii).
    margin : float in (0, 1)
        Half width of the 95% interval of the overall share in (iii).

    Raises
    ------
    FitError
        If an argument is out of range; all of them at once.

    References
    ----------
    .. [1] Riley RD, Snell KIE, Ensor J, et al. Minimum sample size for developing a multivariable prediction model:
       PART II. Stat Med 2019;38:1276-1296.
    .. [2] Riley RD, Ensor J, Snell KIE, et al. Calculating the sample size required for developing a clinical
       prediction model. BMJ 2020;368:m441.

    Examples
    --------
    >>> found = least_for_share(r_squared=0.288, parameters=24, share=0.174)
    >>> found.shrinkage, found.optimism, found.overall, found.cases, round(found.events_per_parameter, 1)
    (623, 662, 221, 662, 4.8)
    """
    refuse(inside("share", share), *_common(parameters, shrinkage, optimism, margin))
    most = most_r_squared(share)
    refuse(_explained(r_squared, min(most, shrinkage)))
    first, second = _first_two(r_squared, most, parameters, shrinkage, optimism)
    third = ceil((Z / margin) ** 2 * share * (1.0 - share))
    n = max(first, second, third)
    return Development(
        first, second, third, n * share, parameters, r_squared, most, shrinkage_at(n, r_squared, parameters)
    )


def least_for_rate(
    *,
    r_squared: float,
    parameters: int,
    rate: float,
    follow_up: float,
    horizon: float,
    shrinkage: float = SHRINKAGE,
    optimism: float = OPTIMISM,
    margin: float = MARGIN,
) -> Development:
    r"""Least number of cases for a model of the time to an event, from its rate and how long cases are followed.

    (i) and (ii) as for :func:`least_for_share`, with the largest R squared of a constant rate. (iii) the share by
    the horizon, :math:`1 - \exp(-\lambda t)`, within the margin above: :math:`\exp(-\lambda t) - \exp[-(\lambda + 1.96
    \sqrt{\lambda / T}) t]`, T the time followed in all; the side above is the one Riley and others 2019 judge by.

    Parameters
    ----------
    r_squared : float
        Cox-Snell R squared anticipated, above 0, below the target shrinkage and :func:`most_r_squared_of_rate`.
    parameters : int, at least 1
        Parameters beyond the baseline.
    rate : float, above 0
        Events a case and unit of time (a session, a year).
    follow_up : float, above 0
        Mean time followed, in that unit.
    horizon : float, above 0
        Time by which the share is predicted, in that unit.
    shrinkage, optimism, margin : float in (0, 1)
        As for :func:`least_for_share`.

    Raises
    ------
    FitError
        If an argument is out of range; all of them at once.

    References
    ----------
    Riley and others 2019, as for :func:`least_for_share`.

    Examples
    --------
    >>> found = least_for_rate(r_squared=0.051, parameters=30, rate=0.065, follow_up=2.07, horizon=2)
    >>> found.shrinkage, found.optimism, found.cases, round(found.events_per_parameter, 2)
    (5143, 1039, 5143, 23.07)
    """
    refuse(
        above("rate", rate),
        above("follow_up", follow_up),
        above("horizon", horizon),
        *_common(parameters, shrinkage, optimism, margin),
    )
    most = most_r_squared_of_rate(rate, follow_up)
    refuse(_explained(r_squared, min(most, shrinkage)))
    first, second = _first_two(r_squared, most, parameters, shrinkage, optimism)
    third = _for_share_by(horizon, rate, follow_up, margin)
    n = max(first, second, third)
    events = n * rate * follow_up
    return Development(
        first, second, third, events, parameters, r_squared, most, shrinkage_at(n, r_squared, parameters)
    )


def share_by(horizon: float, rate: float, time: float) -> tuple[float, float, float]:
    """Share with the event by the horizon at a constant rate, with its 95% interval.

    Parameters
    ----------
    horizon, rate : float, above 0
        As for :func:`least_for_rate`.
    time : float, above 0
        Time followed, over all cases.

    Examples
    --------
    >>> [round(x, 3) for x in share_by(2, 0.065, 5143 * 2.07)]
    [0.122, 0.113, 0.13]
    """
    away = Z * sqrt(rate / time)
    share, low, high = (1.0 - exp(-max(r, 0.0) * horizon) for r in (rate, rate - away, rate + away))
    return share, low, high


def shrinkage_at(cases: int, r_squared: float, parameters: int) -> float:
    r"""Shrinkage expected with so many cases: S with :math:`n = p / [(S - 1) \log(1 - R^2 / S)]`.

    Examples
    --------
    >>> round(shrinkage_at(623, 0.288, 24), 3)
    0.9
    """
    low, high = r_squared * (1.0 + 1e-12), 1.0
    for _ in range(100):  # the cases asked for rise with S
        middle = (low + high) / 2.0
        asked = (
            parameters / ((middle - 1.0) * log(1.0 - r_squared / middle)) if middle < 1.0 else float("inf")
        )
        low, high = (middle, high) if asked < cases else (low, middle)
    return low


def _for_share_by(horizon: float, rate: float, follow_up: float, margin: float) -> int:
    staying = exp(-rate * horizon)
    if staying <= margin:  # nothing lies more than the margin above it
        return 1
    # exp(-a) - exp(-a - x) = margin, with x = 1.96 sqrt(rate / time) horizon
    most = -log(1.0 - margin / staying)
    return ceil((Z * horizon / most) ** 2 * rate / follow_up)


def _first_two(
    r_squared: float, most: float, parameters: int, shrinkage: float, optimism: float
) -> tuple[int, int]:
    second = r_squared / (r_squared + optimism * most)
    asked = (parameters / ((s - 1.0) * log(1.0 - r_squared / s)) for s in (shrinkage, second))
    first, small = (ceil(n) for n in asked)
    return first, small


def _common(
    parameters: object, shrinkage: object, optimism: object, margin: object
) -> tuple[Fault | None, ...]:
    return (
        whole("parameters", parameters, low=1),
        inside("shrinkage", shrinkage),
        inside("optimism", optimism),
        inside("margin", margin),
    )


def _explained(r_squared: object, most: float) -> Fault | None:
    fault = inside("r_squared", r_squared, high=most)
    if fault is None:
        return None
    return Fault(fault.where, fault.what, fault.allowed, "take an R squared adjusted for optimism")
