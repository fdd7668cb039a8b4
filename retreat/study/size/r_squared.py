"""How much a model can explain: Cox and Snell's R squared, its largest value, and what a concordance implies."""

from __future__ import annotations

from math import exp, log

import numpy as np

from retreat.study.size.arguments import above, inside, refuse

# nodes of the quadrature: the mean of a smooth function of a normal number to about 1e-12
_NODES = 200


def most_r_squared(share: float) -> float:
    r"""Largest Cox-Snell R squared of a yes-or-no outcome.

    :math:`1 - [\phi^\phi (1 - \phi)^{1 - \phi}]^2` for an overall share :math:`\phi` (Riley and others 2019 [1]_,
    equation 23).

    Parameters
    ----------
    share : float in (0, 1)
        Share with the outcome.

    Raises
    ------
    FitError
        If the share is out of range.

    References
    ----------
    .. [1] Riley RD, Snell KIE, Ensor J, et al. Minimum sample size for developing a multivariable prediction model:
       PART II. Stat Med 2019;38:1276-1296.

    Examples
    --------
    >>> [round(most_r_squared(share), 2) for share in (0.5, 0.1, 0.01)]
    [0.75, 0.48, 0.11]
    """
    refuse(inside("share", share))
    return 1.0 - exp(2.0 * (share * log(share) + (1.0 - share) * log(1.0 - share)))


def most_r_squared_of_rate(rate: float, follow_up: float) -> float:
    r"""Largest Cox-Snell R squared of a time to an event, from a constant rate.

    With E events a case, :math:`1 - \exp[2 (E \log E - E)]` (Riley and others 2019, as for :func:`most_r_squared`:
    the log likelihood of an exponential model without covariates).

    Parameters
    ----------
    rate : float, above 0
        Events a case and unit of time.
    follow_up : float, above 0
        Mean time followed, in that unit.

    Raises
    ------
    FitError
        If an argument is out of range.

    Examples
    --------
    >>> round(most_r_squared_of_rate(0.065, 2.07), 3)
    0.555
    """
    refuse(above("rate", rate), above("follow_up", follow_up))
    events = rate * follow_up
    # from e events a case on the log likelihood is above 0 and sets no bound
    return 1.0 - exp(min(2.0 * (events * log(events) - events), 0.0)) if events < exp(1.0) else 1.0


def r_squared_of_nagelkerke(nagelkerke: float, most: float) -> float:
    """Cox-Snell R squared of a share of its largest value.

    Parameters
    ----------
    nagelkerke : float in (0, 1)
        Nagelkerke's R squared; 0.15 is what Riley and others (BMJ 2020;368:m441) take where nothing is known.
    most : float in (0, 1]
        From :func:`most_r_squared`.

    Raises
    ------
    FitError
        If an argument is out of range.

    Examples
    --------
    >>> round(r_squared_of_nagelkerke(0.15, most_r_squared(0.05)), 3)
    0.049
    """
    refuse(inside("nagelkerke", nagelkerke), above("most", most))
    return nagelkerke * most


def r_squared_of_concordance(concordance: float, share: float) -> float:
    """Cox-Snell R squared that a concordance implies where predictors are normal with one spread in both groups.

    What Riley, Van Calster and Collins (2021 [1]_) simulate, here by quadrature: with a linear predictor normal of
    spread 1 in both groups and means apart by d, the concordance is the normal integral at d / sqrt(2), and
    logistic regression on it holds exactly.

    Parameters
    ----------
    concordance : float in (0.5, 1)
        Chance that of two cases the one with the outcome has the higher prediction.
    share : float in (0, 1)
        Share with the outcome.

    Raises
    ------
    FitError
        If an argument is out of range.

    References
    ----------
    .. [1] Riley RD, Van Calster B, Collins GS. A note on estimating the Cox-Snell R2 from a reported C statistic.
       Stat Med 2021;40:859-864 (method as in PyPI pmsampsize 0.1.0).

    Examples
    --------
    >>> round(r_squared_of_concordance(0.89, 0.174), 3)
    0.291
    """
    from statistics import NormalDist

    refuse(inside("concordance", concordance, low=0.5), inside("share", share))
    apart = 2.0**0.5 * NormalDist().inv_cdf(concordance)
    nodes, weights = np.polynomial.hermite_e.hermegauss(_NODES)
    weights = weights / weights.sum()
    odds = log(share / (1.0 - share))
    with_it = odds + apart * (nodes + apart) - apart**2 / 2.0  # log odds of cases with the outcome
    without = odds + apart * nodes - apart**2 / 2.0
    gain = -share * weights @ np.logaddexp(0.0, -with_it) - (1.0 - share) * weights @ np.logaddexp(
        0.0, without
    )
    return float(1.0 - exp(2.0 * (share * log(share) + (1.0 - share) * log(1.0 - share) - gain)))
