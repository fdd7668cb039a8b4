"""The part of a definition that takes in what the sessions of a course showed: its parameters and their priors."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import Field

from retreat.definitions.entries import Entry, Number, Whole, Why
from retreat.errors import Fault

HistoryKind = Literal["progress", "landmark"]

# parameters each kind needs a prior of; True where there is one for each end
PARAMETERS: Mapping[str, Mapping[str, bool]] = {
    "progress": {
        "clear_level": False,
        "clear_case": False,
        "clear_session": False,
        "clear_energy": False,
        "clear_pulses": False,
        "clear_operator": False,
        "clear_eye": False,
        "clear_luck": False,
        "grade": False,
        "bother_level": False,
        "bother_case": False,
        "bother_before": False,
        "bother_removed": False,
        "bother_share": False,
        "bother_slope": False,
        "bother_session": False,
        "bother_fragments": False,
        "bother_returning": False,
        "bother_pieces": False,
        "bother_eye": False,
        "bother_drift": False,
        "bother_fall": False,
        "bother_noise": False,
        "end_level": True,
        "end_case": True,
        "end_session": True,
        "end_removed": True,
        "end_share": True,
        "end_bother": True,
        "end_before": True,
        "end_worth": True,
        "end_fragments": True,
        "end_operator": True,
        "end_patient": True,
    },
    "landmark": {
        "level": True,
        "since": True,
        "landmark": True,
        "cleared": True,
        "fragments": True,
        "bother": True,
        "before": True,
        "not_recorded": True,
        "later": True,
    },
}


class HistoryPrior(Entry):
    """Normal prior of a parameter, or the scale of the half-normal prior of a spread; for one end or for all."""

    parameter: str
    end: str = ""
    mean: Number = 0.0
    sd: Annotated[Number, Field(gt=0, le=10)]
    why: Why


class HistoryEntry(Entry):
    """How what the sessions showed enters the forecast.

    `up_to` is the last session after which the next ones are forecast anew; only landmark reads it.
    """

    kind: HistoryKind
    up_to: Annotated[Whole, Field(ge=1, le=10)] = 4
    why: Why
    priors: Annotated[tuple[HistoryPrior, ...], Field(min_length=1)]

    def normal(self, parameter: str, end: str = "") -> tuple[float, float]:
        """Prior mean and standard deviation of a parameter; a later entry overrules an earlier one."""
        found = [p for p in self.priors if p.parameter == parameter and p.end in ("", end)]
        return found[-1].mean, found[-1].sd


def history_faults(source: str, history: HistoryEntry | None, ends: tuple[str, ...] | None) -> list[Fault]:
    """Priors of parameters there are not, or parameters without a prior.

    Parameters
    ----------
    source : str
        Name of the file.
    history : HistoryEntry or None
        The entry.
    ends : tuple of str or None
        Ends a prior may name; None while they cannot be told.
    """
    if history is None:
        return []
    known = PARAMETERS[history.kind]
    faults = []
    for i, prior in enumerate(history.priors):
        where = f"{source}: history, priors {i + 1}"
        if prior.parameter not in known:
            faults.append(Fault(where, f"unknown parameter {prior.parameter}", ", ".join(known)))
        elif prior.end and not known[prior.parameter]:
            faults.append(Fault(where, f"{prior.parameter} is not told by end", "no end", "drop the end"))
        elif prior.end and ends is not None and prior.end not in ends:
            faults.append(Fault(where, f"unknown end {prior.end}", ", ".join(ends)))
    for name, by_end in known.items():
        given = {p.end for p in history.priors if p.parameter == name}
        if not given or (by_end and ends is not None and "" not in given and not given >= set(ends)):
            faults.append(Fault(f"{source}: history", f"no prior of {name}", fix="add one, with its reason"))
    return faults
