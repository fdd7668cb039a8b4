"""What is asked of a forecast, checked and read: horizon, draws, size, sessions done, labels, strata, notes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from retreat import features as feature_floor
from retreat.errors import Fault, FitError, TableError
from retreat.features import Columns
from retreat.features.columns import LEVELS, RANGES
from retreat.model.card import ModelCard
from retreat.model.history.records import Records
from retreat.model.kernel import Parameters
from retreat.model.support import CaseSupport

FloatArray = NDArray[np.float64]

MAX_HORIZON = 40
# share of the draws (Kish's effective number) that must explain what was noted, for it to be used, and without a word;
# ordinary records leave a tenth of them after six sessions, entries that contradict each other one in 200
DISAGREES, DISAGREES_SOMEWHAT = 0.015, 0.05
RECORDS_BADLY = "what was noted of its sessions fits this model badly: its ranges are not reliable"
RECORDS_DISAGREE = (
    "what was noted of its sessions does not fit this model: check the entries (share gone counts from the start of "
    "the course); only the number of sessions is used"
)
# values of a full forecast: 400 million doubles are 3.2 GB
_MAX_VALUES = 400_000_000
# columns of a case table that no feature is made of
_OTHER_COLUMNS = frozenset(
    (
        *("case", "patient", "operator", "site", "started", "sessions", "ending", "stop_reason"),
        *("relief_after", "depth_source"),
    )
)


def check_horizon(horizon: int) -> None:
    """Refuse a horizon that is not a whole number of sessions in range."""
    whole = isinstance(horizon, int | np.integer) and not isinstance(horizon, bool)
    if not whole or not 1 <= horizon <= MAX_HORIZON:
        raise FitError(
            Fault("horizon", f"{horizon!r}", f"a whole number of sessions from 1 to {MAX_HORIZON}")
        )


def sessions_done(columns: Columns, n: int) -> NDArray[np.int64]:
    """Sessions each case has had, 0 where the table lacks the column.

    Raises
    ------
    TableError
        If a number of sessions is missing, broken or out of range: taken as 0 it would mislead in silence.
    """
    if "sessions" not in columns:
        return np.zeros(n, dtype=np.int64)
    done = feature_floor.number(columns, "sessions")
    whole = (done >= 0) & (done <= MAX_HORIZON) & (done == np.rint(done))
    if not whole.all():
        raise TableError(_fault(int(i), float(done[i])) for i in np.flatnonzero(~whole))
    return done.astype(np.int64)


def _fault(case: int, done: float) -> Fault:
    shown = "missing" if np.isnan(done) else f"{done:g}"
    allowed = f"a whole number from 0 to {MAX_HORIZON}"
    fix = "write 0 for a case not yet begun" if np.isnan(done) else "correct it"
    # the header is row 1 of a spreadsheet, the first case row 2
    return Fault("sessions", f"value {shown}", allowed, fix, row=case + 2, column="sessions", value=shown)


def labels(columns: Columns, n: int) -> tuple[str, ...]:
    """Labels of the cases: the column case, else their numbers from 1."""
    if "case" in columns:
        return tuple(str(label) for label in np.atleast_1d(np.asarray(columns["case"], dtype=object)))
    return tuple(str(i + 1) for i in range(n))


def check_draws(draws: int, n_draws: int) -> None:
    """Refuse a number of draws that the model does not hold."""
    whole = isinstance(draws, int | np.integer) and not isinstance(draws, bool)
    if not whole or not 1 <= draws <= n_draws:
        raise FitError(Fault("draws", f"{draws!r}", f"a whole number from 1 to {n_draws}"))


def strata_of(found: NDArray[Any], strata: tuple[str, ...], *, feature: str) -> NDArray[np.intp]:
    """Position of each case's level among the strata of a life table.

    Raises
    ------
    FitError
        If a level has no table: no fitted case had it.
    """
    unknown = sorted({str(v) for v in found} - set(strata))
    if unknown:
        raise FitError(Fault(feature, f"no fitted case has level {', '.join(unknown)}", ", ".join(strata)))
    return np.array([strata.index(v) for v in found], dtype=np.intp)


def notes_of(
    missing: list[str], done: int, horizon: int, *, last: int, of: str = "fitted"
) -> tuple[str, ...]:
    """What the reader of one case's forecast must know.

    `last` is the last session that enough cases reached, `of` the cases: ``fitted`` or ``published``.
    """
    notes = [f"{name} is not known; averaged over the {of} case mix" for name in missing]
    if horizon > last:
        notes.insert(
            0,
            f"few or no {of} cases reached a session after {last}: its effect is carried on, and the ranges "
            "do not show how unsure that is",
        )
    if done >= horizon:
        notes.append(f"{done} sessions done reach the horizon {horizon}: nothing left to forecast")
    return tuple(notes)


def records_notes(
    records: Records, case: int, agreement: float, *, told: bool, given: bool
) -> tuple[str, ...]:
    """Whether what its sessions showed is in the forecast; `agreement` is the share of draws that explain it."""
    if not records.done[case]:
        return ()
    if not told:
        return ("this model does not use what was noted at the sessions",) if given else ()
    if not records.told[case]:
        return ("nothing is noted of its sessions: only their number is used",)
    if agreement < DISAGREES:
        return (RECORDS_DISAGREE,)
    if agreement < DISAGREES_SOMEWHAT:
        return (RECORDS_BADLY,)
    return ()


def ended_notes(columns: Columns, n: int) -> list[tuple[str, ...]]:
    """For each case, that it has ended where the table says so: its forecast is of one that goes on."""
    if "ending" not in columns:
        return [()] * n
    endings = np.broadcast_to(np.atleast_1d(np.asarray(columns["ending"], dtype=object)), (n,))
    return [_ended(str(ending)) for ending in endings]


def _ended(ending: str) -> tuple[str, ...]:
    return (
        (f"the case has ended ({ending}); told as if it went on",)
        if ending in ("relieved", "stopped")
        else ()
    )


def check_names(columns: Columns) -> None:
    """Refuse a column whose name is nearly that of one the case lacks: it would be averaged over without a word.

    Raises
    ------
    TableError
        Naming the column and the name it should have.
    """
    known = {*LEVELS, *RANGES}
    given = [str(name) for name in columns]
    unknown = [name for name in given if name not in known and name not in _OTHER_COLUMNS]
    if not unknown:
        return
    import difflib  # only a name that no table has pays for it

    absent = sorted(known - set(given))
    faults = []
    for name in unknown:
        near = [a for a in absent if a.startswith(f"{name}_")] or difflib.get_close_matches(
            name, absent, 1, 0.75
        )
        if near:
            faults.append(Fault(name, "no column of a case", near[0], f"rename it to {near[0]}"))
    if faults:
        raise TableError(faults)


def check_usable(card: ModelCard) -> None:
    """Refuse numbers of a model that failed its own gates."""
    if not card.for_counselling:
        fix = "fit again; model.card.diagnostics and model.effects() tell what went wrong"
        raise FitError(
            [
                Fault("model", why, "a model that passed its gates and validation", fix)
                for why in card.obstacles
            ]
        )


def check_supported(support: Sequence[CaseSupport]) -> None:
    """Refuse cases outside what the model saw, all at once."""
    fix = "check the value; if it is right, leave the case out: model.support_of tells which"
    faults = [
        Fault("new_cases", refusal, fix=fix, row=i + 2)
        for i, one in enumerate(support)
        for refusal in one.refusals
    ]
    if faults:
        raise FitError(faults)


def check_size(parameters: Parameters, n: int, horizon: int) -> None:
    """Refuse a forecast whose draws would not fit in memory."""
    if n * parameters.n_draws * parameters.n_ends * horizon > _MAX_VALUES:
        raise FitError(
            Fault(
                "new_cases",
                f"{n} cases x {parameters.n_draws} draws x {horizon} sessions do not fit in memory",
                fix="pass fewer cases at a time, draws=400, or use model.expected(...)",
            )
        )


def check_possible(probabilities: FloatArray, done: NDArray[np.int64]) -> None:
    """Refuse cases that have had more sessions than the model gives any chance of."""
    lost = np.flatnonzero(np.isnan(probabilities[:, :, 0, -1]).any(axis=0))
    if lost.size:
        raise FitError(
            [
                Fault(
                    "sessions",
                    f"case {i + 1}: the model gives no chance of still being in treatment after {done[i]}",
                )
                for i in lost
            ]
        )
