"""Rules across the cells of `cases`; each looks only at rows whose own cells are sound."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from retreat.errors import Fault
from retreat.features import MISSING_CODES
from retreat.tables.random_keys import run_with_date
from retreat.tables.rules import fault_at, places
from retreat.tables.screening import BoolArray, Screened

# Back of the lens behind the front of the cornea, Navarro eye: Escudero-Sanz and Navarro 1999 (O02).
LENS_BACK_MM = 7.60
# Own definition: ultrasound reads a gap to about a millimetre, and lenses differ in place and thickness.
GAP_TOLERANCE_MM = 2.5
LONGEST_GAPS_MM = 25.0  # own definition, where no axial length says better


def case_faults(table: Screened) -> Iterator[Fault]:
    """All that is wrong across the cells of a case table.

    Parameters
    ----------
    table : Screened
        `cases` after its cells were checked.

    Yields
    ------
    Fault
        At the cell that should be changed.
    """
    yield from _doubled_keys(table)
    yield from _stop_reasons(table)
    yield from _ends_without_session(table)
    yield from _gaps_against_eye(table)
    yield from _open_cases(table)
    yield from _counted_keys(table)


def _doubled_keys(table: Screened) -> Iterator[Fault]:
    keys = table.typed["case"].where(table.sound("case"))
    for place in places((keys.duplicated() & keys.notna()).to_numpy(dtype=bool)):
        first = int(table.rows[int(np.argmax(keys == keys.iloc[place]))])
        what = f"the key {keys.iloc[place]} stands in row {first} already"
        yield fault_at(
            table, place, "case", what, "one row a case", "remove the row, or give it a key of its own"
        )


def _stop_reasons(table: Screened) -> Iterator[Fault]:
    sound = table.sound("ending", "stop_reason")
    stopped = table.typed["ending"].eq("stopped").to_numpy(dtype=bool)
    reason = table.typed["stop_reason"]
    # a column that is not recorded anywhere is a column the clinic does not keep
    kept = not reason[table.sound("stop_reason")].eq("not_recorded").all()
    silent = reason.isin(["not_applicable", "not_recorded"] if kept else ["not_applicable"]).to_numpy(
        dtype=bool
    )
    given = ~reason.isin(MISSING_CODES).to_numpy(dtype=bool)
    for place in places(sound & stopped & silent):
        yield fault_at(
            table, place, "stop_reason", f"a stopped case with {reason.iloc[place]} for its reason",
            "no_benefit, side_effect, surgery, choice; or unknown", "write why it was stopped, or unknown",
        )  # fmt: skip
    for place in places(sound & ~stopped & given):
        ending = table.typed["ending"].iloc[place]
        yield fault_at(
            table, place, "stop_reason", f"a reason to stop, in a case that is {ending}",
            "not_applicable where ending is not stopped", "write not_applicable, or correct ending",
        )  # fmt: skip


def _ends_without_session(table: Screened) -> Iterator[Fault]:
    ending = table.typed["ending"]
    ended = ending.isin(["relieved", "stopped"]).to_numpy(dtype=bool)
    none_yet = table.typed["sessions"].eq(0).to_numpy(dtype=bool)
    for place in places(table.sound("ending", "sessions") & ended & none_yet):
        what = f"a case that is {ending.iloc[place]} after 0 sessions"
        fix = "write how many sessions were done, or ongoing for a case not yet begun"
        yield fault_at(table, place, "sessions", what, "1 or more where a case has ended", fix)


def _gaps_against_eye(table: Screened) -> Iterator[Fault]:
    """The two gaps add to the length of the vitreous, less the thickness of the opacity between them."""
    typed = table.typed
    sound = table.sound("lens_gap_mm", "retina_gap_mm", "axial_mm", "size_mm")
    gaps = (typed["lens_gap_mm"] + typed["retina_gap_mm"]).to_numpy(dtype=float)
    vitreous = typed["axial_mm"].to_numpy(dtype=float) - LENS_BACK_MM
    thickness = typed["size_mm"].fillna(0.0).to_numpy(dtype=float)
    longest = np.where(np.isnan(vitreous), LONGEST_GAPS_MM, vitreous + GAP_TOLERANCE_MM)
    shortest = vitreous - GAP_TOLERANCE_MM - thickness
    with np.errstate(invalid="ignore"):
        too_long, too_short = gaps > longest, gaps < shortest
    for place in places(sound & (too_long | too_short)):
        eye = (
            f"no eye is known to hold more than {LONGEST_GAPS_MM:g} mm"
            if np.isnan(vitreous[place])
            else f"its vitreous is about {vitreous[place]:.1f} mm long (axial_mm less {LENS_BACK_MM} mm)"
        )
        what = f"lens_gap_mm and retina_gap_mm add to {gaps[place]:.4g} mm, but {eye}"
        allowed = (
            f"at most {longest[place]:.4g} mm together"
            if too_long[place]
            else f"at least {shortest[place]:.4g} mm together"
        )
        fix = "measure again, or write not_recorded for the doubtful one"
        yield fault_at(table, place, "retina_gap_mm", what, allowed, fix)


def _open_cases(table: Screened) -> Iterator[Fault]:
    """One open case an eye; the later rows are at fault."""
    is_open = table.sound("patient", "eye", "ending") & table.typed["ending"].eq("ongoing").to_numpy(
        dtype=bool
    )
    eyes = table.typed.loc[is_open, ["patient", "eye"]]
    repeated = eyes[eyes.duplicated()]
    first = (
        pd.Series(table.rows[eyes.index], index=eyes.index)
        .groupby([eyes["patient"], eyes["eye"]])
        .transform("first")
    )
    for place in repeated.index:
        what = f"a second ongoing case of this eye; the other is in row {first[place]}"
        fix = "write how the earlier case ended, or make one case of the two"
        yield fault_at(table, int(place), "ending", what, "one ongoing case an eye", fix)


def _counted_keys(table: Screened) -> Iterator[Fault]:
    """Keys that rise with the date of the first session come from a record system."""
    sound: BoolArray = table.sound("case", "patient", "started")
    for column in ("case", "patient"):
        firsts = table.typed.loc[sound].drop_duplicates(column)
        if run_with_date(firsts[column].tolist(), firsts["started"].tolist()):
            what = "the keys rise with the date of the first session, as the numbers of a record system do"
            yield Fault(
                column, what, "random keys such as k7f3q9zt", "draw new keys at random", column=column
            )
