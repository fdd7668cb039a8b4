"""Open cases of a table, forecast by a model; those outside what it saw are set aside with the reason."""

from __future__ import annotations

from typing import TYPE_CHECKING

from retreat.errors import Fault, FitError

if TYPE_CHECKING:
    import pandas as pd

    from retreat.forecast import Forecast
    from retreat.model import Model


def forecast_open(
    model: Model, cases: pd.DataFrame, *, horizon: int, visits: pd.DataFrame | None = None
) -> tuple[Forecast, dict[str, str]]:
    """Forecast of the open cases, and why others were set aside, by case; visits tell what their sessions showed.

    Raises
    ------
    FitError
        If no open case is left, or the forecast refuses.
    """
    open_cases = cases[cases["ending"] == "ongoing"].reset_index(drop=True)
    if open_cases.empty:
        raise FitError(Fault("cases", "no open case", "at least one case with ending ongoing"))
    support = model.support_of(open_cases)
    refused = {
        str(case): "; ".join(one.refusals)
        for case, one in zip(open_cases["case"], support, strict=True)
        if one.refusals
    }
    inside = open_cases[~open_cases["case"].isin(list(refused))].reset_index(drop=True)
    if inside.empty:
        raise FitError([Fault(f"case {case}", why) for case, why in refused.items()])
    return model.forecast(inside, visits=visits, horizon=horizon), refused
