"""The demonstration's sheet of a course under way: an open eye of the invented clinic, by what its sessions showed."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from retreat.pages.report import Link

if TYPE_CHECKING:
    import pandas as pd

    from retreat.model import Model

SHEET = "sheet-under-way.html"
# sessions that tell what a sheet of a course under way is for
_DONE = 2


def write_course(cases: pd.DataFrame, visits: pd.DataFrame, out: Path, *, seed: int) -> str:
    """Fit `landmark` to both tables, and write it and the sheet of one open eye.

    Returns
    -------
    str
        One line on what was made; a clinic too small for it, or without such an eye, says so.
    """
    from datetime import date

    import retreat
    from retreat.errors import FitError
    from retreat.pages.html import render_sheet, write_page
    from retreat.pages.sheet import build_sheet

    try:
        model = retreat.fit(cases, "landmark", visits=visits, seed=seed)
    except FitError as error:
        return f"no model of courses under way: {error}"
    model.save(out / "landmark.retreat")
    eye = _open_eye(model, cases, visits)
    if eye is None:
        return f"no open eye has had {_DONE} sessions"
    sheet = build_sheet(
        model,
        eye,
        visits=visits,
        done=_DONE,
        horizon=_DONE + 3,
        date=date.today().isoformat(),
        practice="An invented clinic",
    )
    write_page(render_sheet(sheet), out / SHEET)
    return f"{SHEET}, of an open eye after {_DONE} sessions"


def links(out: Path) -> list[Link]:
    """Entries of the index for what was made."""
    found = [
        Link(
            SHEET,
            "sheet of a course under way",
            "An open eye of the clinic after two sessions: what they showed is in the numbers, beside ending now.",
        ),
    ]
    return [link for link in found if (out / link.address).exists()]


def _open_eye(model: Model, cases: pd.DataFrame, visits: pd.DataFrame) -> dict[str, list[Any]] | None:
    """The latest open eye after so many sessions of which each was noted, inside what the model saw."""
    noted = visits[visits["cleared"].notna() & visits["bother"].notna() & (visits["missed"] != "yes")]
    told = noted.groupby("case").size()
    open_cases = cases[(cases["ending"] == "ongoing") & (cases["sessions"] == _DONE)]
    open_cases = open_cases[open_cases["case"].map(told).fillna(0) >= _DONE].sort_values("started")
    for _, row in open_cases.iloc[::-1].iterrows():
        eye = {name: [row[name]] for name in cases.columns}
        support = model.support_of(eye)[0]
        if not (support.refusals or support.warnings):
            return {name: value for name, value in eye.items() if name != "sessions"}
    return None
