"""What each file of a case series is, in a line."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from retreat.study.series import StudySeries

GUIDE = "README.txt"
# tables of numbers, as :meth:`SharedCohort.to_frames` and :meth:`Effects.to_frames` name them
_FRAMES = {
    "flow": "records in, left out and why, analysed",
    "baseline": "cases at the start, by group: counts, shares, means, quartiles",
    "differences": "standardised differences between groups",
    "follow_up": "how long cases were followed, and how they stood",
    "life_table": "life table of each kind by session: at risk, ended, hazards with intervals",
    "incidence": "share relieved, stopped and in treatment by kind and session, with intervals",
    "ratios": "ratios of each comparison for each end, with intervals",
    "averages": "average effects on chances and sessions, with intervals",
    "joint": "joint tests of terms",
    "curves": "ratios along each number, with intervals",
    "columns": "coefficients behind the ratios, by coded column",
    "confounding": "E-values for confounding that was not measured",
}
_OF = {"effects": "effects", "drawn": "effects from a posterior"}


def of_frame(name: str) -> str:
    """What a table of numbers holds.

    Examples
    --------
    >>> of_frame("effects_ratios")
    'effects: ratios of each comparison for each end, with intervals; numbers'
    >>> of_frame("flow")
    'records in, left out and why, analysed; numbers'
    """
    prefix, _, rest = name.partition("_")
    if prefix in _OF:
        return f"{_OF[prefix]}: {_FRAMES.get(rest, rest)}; numbers"
    return f"{_FRAMES.get(name, name)}; numbers"


def guide_text(series: StudySeries, files: Mapping[str, str]) -> str:
    """The guide: cautions, what is hidden, each file in a line, what could not be made.

    Parameters
    ----------
    series : StudySeries
        What the files tell.
    files : mapping of str to str
        What each file is, by name.
    """
    lines = [*series.cautions, series.cohort.rule, "", series.title, "", "Files", ""]
    wide = max(map(len, files))
    lines += [f"{name:<{wide}}  {what}" for name, what in files.items()]
    if series.refused:
        lines += ["", "Not in this folder", ""]
        lines += [f"{name}: {why}" for name, why in series.refused.items()]
    return "\n".join(lines) + "\n"
