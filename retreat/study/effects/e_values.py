"""E-values of whole tables, each end judged rare or common by its observed share."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Literal

from retreat.errors import Fault, FitError
from retreat.fitting.arguments import choice_fault, is_whole
from retreat.hazard import Link
from retreat.study.effects.analysis import Analysed
from retreat.study.effects.confounding import Outcome, e_value, e_value_of_odds, e_value_of_rate

if TYPE_CHECKING:
    import pandas as pd

OutcomeChoice = Literal["observed", "common", "rare"]
# an end that fewer have by the horizon is rare (VanderWeele and Ding 2017, from memory)
RARE_BELOW = 0.15


def outcomes_by(cases: Analysed, horizon: int, outcome: OutcomeChoice = "observed") -> dict[str, Outcome]:
    """Whether each end is rare or common.

    Parameters
    ----------
    cases : Analysed
        The cases.
    horizon : int, from 1
        By which session.
    outcome : {"observed", "common", "rare"}
        ``observed``: rare where fewer than 15 of 100 ended so by the horizon (Aalen and Johansen's estimate), the rule
        of VanderWeele and Ding 2017 (from memory). Otherwise all ends alike.

    Returns
    -------
    dict of str to {"common", "rare"}
        By end.

    Raises
    ------
    FitError
        If an argument is out of range.
    """
    whole = is_whole(horizon) and horizon >= 1
    fault = choice_fault("outcome", outcome, ("observed", "common", "rare"))
    if fault or not whole:
        raise FitError(fault or Fault("horizon", f"{horizon!r}", "a whole number from 1"))
    ends = {cases.definition.ends[j]: j + 1 for j in cases.known_ends}
    if outcome != "observed":
        return dict.fromkeys(ends, outcome)
    sessions, ending = cases.first.sessions, cases.first.ending
    staying, shares = 1.0, dict.fromkeys(ends, 0.0)
    for k in range(1, min(horizon, int(sessions.max())) + 1):
        here, at_risk = sessions == k, int((sessions >= k).sum())
        for end, number in ends.items():
            shares[end] += staying * int((here & (ending == number)).sum()) / at_risk
        staying *= 1.0 - int((here & (ending > 0)).sum()) / at_risk
    return {end: "rare" if share < RARE_BELOW else "common" for end, share in shares.items()}


def confounding_table(
    ratios: pd.DataFrame, averages: pd.DataFrame, *, outcomes: Mapping[str, Outcome], link: Link
) -> pd.DataFrame:
    """E-values of odds or rate ratios, by what stands for a risk ratio, and of averaged risk ratios as they are.

    Parameters
    ----------
    ratios, averages : DataFrame
        From :func:`~retreat.study.effects.ratios.comparison_table` and
        :func:`~retreat.study.effects.marginal.average_table`.
    outcomes : mapping of str to {"common", "rare"}
        By end, from :func:`outcomes_by`.
    link : {"logit", "cloglog"}
        Whether ratios are of odds or of rates.

    Returns
    -------
    DataFrame
        Columns of (``odds``, ``rate`` or ``risk``), end, session (0 but for risks), feature, value, against, held,
        ratio, low, high, outcome (``rare`` or ``common``: the rule taken; ``any`` for risks), risk_ratio (what stands
        for it), e_value, e_value_limit.
    """
    import pandas as pd  # heavy: only for tables

    scale = "odds" if link == "logit" else "rate"
    words = ["end", "session", "feature", "value", "against", "held", "ratio", "low", "high"]
    risks = averages[averages["measure"] == "incidence"].drop(columns=["low", "high"])
    risks = risks.rename(columns={"ratio_low": "low", "ratio_high": "high"})
    both = pd.concat(
        [
            ratios.assign(of=scale, session=0)[["of", *words]].assign(outcome=ratios["end"].map(outcomes)),
            risks.assign(of="risk")[["of", *words]].assign(outcome="any"),
        ],
        ignore_index=True,
    )
    limits = both[["ratio", "low", "high"]].to_numpy(dtype=float)
    of_ratio = e_value_of_odds if scale == "odds" else e_value_of_rate
    found = [
        e_value(*three) if of == "risk" else of_ratio(*three, outcome=outcome)
        for of, outcome, three in zip(both["of"], both["outcome"], limits.tolist(), strict=True)
    ]
    return both.assign(
        risk_ratio=[one.ratio for one in found],
        e_value=[one.point for one in found],
        e_value_limit=[one.limit for one in found],
    )
