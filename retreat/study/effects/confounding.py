"""How strong something unmeasured would have to be to explain an effect away."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from math import expm1, isfinite, log, sqrt
from typing import TYPE_CHECKING, Literal

from retreat.errors import Fault, FitError
from retreat.fitting.arguments import choice_fault, is_number

if TYPE_CHECKING:
    import pandas as pd

Outcome = Literal["common", "rare"]
# strengths and shares of a confounder that a table of biases goes through (our judgement)
RISK_RATIOS = (1.5, 2.0, 3.0)
SHARES = (0.2, 0.4, 0.6)


@dataclass(frozen=True)
class EValue:
    """How strong an unmeasured confounder must be.

    Parameters
    ----------
    ratio : float
        The risk ratio, or what stands for it, to which `point` belongs.
    point : float, from 1
        Least risk ratio of the confounder with both the feature and the outcome that could explain the estimate.
    limit : float, from 1
        The same for the limit of the interval nearer to 1; 1 where the interval holds 1.
    """

    ratio: float
    point: float
    limit: float


def e_value(ratio: float, low: float | None = None, high: float | None = None) -> EValue:
    r"""E-value of a risk ratio: :math:`RR + \sqrt{RR (RR - 1)}` (VanderWeele and Ding 2017 [1]_).

    Parameters
    ----------
    ratio : float, above 0
        Risk ratio; below 1 its inverse is taken.
    low, high : float, above 0, optional
        Limits of its interval.

    Returns
    -------
    EValue

    Raises
    ------
    FitError
        If a number is not above 0, or the limits do not hold the ratio.

    References
    ----------
    .. [1] VanderWeele TJ, Ding P. Sensitivity analysis in observational research: introducing the E-value. Ann Intern
       Med 2017;167:268-274 (from memory).

    Examples
    --------
    >>> found = e_value(3.9, 1.8, 8.7)
    >>> round(found.point, 2), round(found.limit, 2)
    (7.26, 3.0)
    """
    lower, upper = ratio if low is None else low, ratio if high is None else high
    faults = [_above_none(name, x) for name, x in (("ratio", ratio), ("low", lower), ("high", upper))]
    found = [fault for fault in faults if fault]
    if not found and not lower <= ratio <= upper:
        found.append(Fault("low, high", f"{lower:g} to {upper:g} do not hold {ratio:g}", "limits around it"))
    if found:
        raise FitError(found)
    nearer = lower if ratio >= 1.0 else upper
    crossed = lower <= 1.0 <= upper and low is not None
    return EValue(ratio, _strength(ratio), 1.0 if crossed else _strength(nearer))


def e_value_of_odds(
    ratio: float, low: float | None = None, high: float | None = None, *, outcome: Outcome = "common"
) -> EValue:
    """E-value of an odds ratio.

    Parameters
    ----------
    ratio, low, high
        Odds ratio and limits of its interval, as for :func:`e_value`.
    outcome : {"common", "rare"}
        Common (more than 15 of 100): the root of the odds ratio stands for the risk ratio (VanderWeele 2017 [1]_).
        Rare: the odds ratio itself.

    References
    ----------
    .. [1] VanderWeele TJ. On a square-root transformation of the odds ratio for a common outcome. Epidemiology
       2017;28:e58-e60 (from memory).

    Examples
    --------
    >>> round(e_value_of_odds(4.0).point, 3) == round(e_value(2.0).point, 3)
    True
    """
    return _standing_for_risk({"ratio": ratio, "low": low, "high": high}, outcome, sqrt)


def e_value_of_rate(
    ratio: float, low: float | None = None, high: float | None = None, *, outcome: Outcome = "common"
) -> EValue:
    r"""E-value of a rate (hazard) ratio.

    Parameters
    ----------
    ratio, low, high
        Rate ratio and limits of its interval, as for :func:`e_value`.
    outcome : {"common", "rare"}
        Common (more than 15 of 100): :math:`(1 - 0.5^{\sqrt{HR}}) / (1 - 0.5^{\sqrt{1/HR}})` stands for the risk ratio
        (VanderWeele 2017, as in VanderWeele and Ding 2017 [1]_). Rare: the rate ratio itself.

    References
    ----------
    .. [1] VanderWeele TJ, Ding P. Sensitivity analysis in observational research: introducing the E-value. Ann Intern
       Med 2017;167:268-274 (from memory).

    Examples
    --------
    >>> round(e_value_of_rate(2.0).ratio, 3), e_value_of_rate(2.0, outcome="rare").ratio
    (1.613, 2.0)
    """
    return _standing_for_risk({"ratio": ratio, "low": low, "high": high}, outcome, _risk_of_rate)


def bias_table(
    ratio: float,
    low: float,
    high: float,
    *,
    risk_ratios: Sequence[float] = RISK_RATIOS,
    shares: Sequence[float] = SHARES,
) -> pd.DataFrame:
    r"""A risk ratio corrected for a yes-or-no confounder of stated strength.

    The bias is :math:`(1 + p_1 (g - 1)) / (1 + p_0 (g - 1))`: `g` is the confounder's risk ratio with the outcome,
    :math:`p_1` and :math:`p_0` its shares at the two values of the feature (Bross 1966, Schneeweiss 2006 [1]_). The
    interval knows of chance alone: shares and strength are taken as given.

    Parameters
    ----------
    ratio, low, high : float, above 0
        Risk ratio and its interval.
    risk_ratios : sequence of float, above 0
        Strengths `g`.
    shares : sequence of float in [0, 1]
        Shares, each against each.

    Returns
    -------
    DataFrame
        Columns confounder_ratio, share_value, share_against, bias, ratio, low, high, explained: whether the corrected
        interval holds 1 or the corrected ratio lies beyond it.

    Raises
    ------
    FitError
        If a number is out of range.

    References
    ----------
    .. [1] Schneeweiss S. Sensitivity analysis and external adjustment for unmeasured confounders in epidemiologic
       database studies of therapeutics. Pharmacoepidemiol Drug Saf 2006;15:291-303 (from memory).

    Examples
    --------
    >>> found = bias_table(2.0, 1.5, 2.6, risk_ratios=[3.0], shares=[0.2, 0.6])
    >>> found.loc[found.share_value > found.share_against, ["bias", "ratio"]].round(3).values.tolist()
    [[1.571, 1.273]]
    """
    import pandas as pd  # heavy: only for tables

    faults = [_above_none(name, x) for name, x in (("ratio", ratio), ("low", low), ("high", high))]
    faults += [_above_none("risk_ratios", g) for g in risk_ratios]
    faults += [
        Fault("shares", f"{share!r}", "0 to 1") for share in shares if not (is_number(share) and share <= 1)
    ]
    if found := [fault for fault in faults if fault]:
        raise FitError(found)
    rows = []
    for g, one, other in product(risk_ratios, shares, shares):
        if one == other:
            continue  # a confounder as common at both values does not bias
        bias = (1.0 + one * (g - 1.0)) / (1.0 + other * (g - 1.0))
        corrected = [x / bias for x in (ratio, low, high)]
        away = corrected[1] > 1.0 if ratio >= 1.0 else corrected[2] < 1.0
        rows.append((g, one, other, bias, *corrected, not away))
    columns = [
        "confounder_ratio",
        "share_value",
        "share_against",
        "bias",
        "ratio",
        "low",
        "high",
        "explained",
    ]
    return pd.DataFrame(rows, columns=columns)


def _risk_of_rate(ratio: float) -> float:
    root = sqrt(ratio)
    # 1 - 0.5^x without loss where x is small
    return expm1(-log(2.0) * root) / expm1(-log(2.0) / root)


def _standing_for_risk(
    told: Mapping[str, float | None], outcome: Outcome, common: Callable[[float], float]
) -> EValue:
    """E-value of what stands for a risk ratio: the ratio itself where the end is rare."""
    if fault := choice_fault("outcome", outcome, ("common", "rare")):
        raise FitError(fault)
    given = {name: x for name, x in told.items() if x is not None}
    if faults := [fault for name, x in given.items() if (fault := _above_none(name, x))]:
        raise FitError(faults)
    return e_value(**{name: common(x) if outcome == "common" else float(x) for name, x in given.items()})


def _strength(ratio: float) -> float:
    away = max(ratio, 1.0 / ratio)
    return away + sqrt(away * (away - 1.0))


def _above_none(name: str, value: object) -> Fault | None:
    if is_number(value) and value > 0 and isfinite(value):
        return None
    return Fault(name, f"{value!r}", "a number above 0")
