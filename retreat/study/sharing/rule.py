"""The rule by which a table is made hard to recognise anyone in: what others may know, and how many must look alike."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from retreat.errors import Fault, FitError, TableError
from retreat.fitting.arguments import is_whole

# Widest group of persons whose own numbers give way to one in their middle; wider, and the number goes (our judgement).
WIDEST: Mapping[str, float] = {"age": 10.0, "started": 3.0, "sphere_d": 3.0, "axial_mm": 1.5}
_CATEGORIES = ("cornea", "lens", "pvd", "site", "operator")
KNOWABLE = (*_CATEGORIES, *WIDEST)
# What relatives, employers and other practices know, the most useful to keep first (our judgement).
KNOWN = ("cornea", "lens", "age", "started", "site", "operator")
_LEAST_K, _MOST_K = 2, 100


@dataclass(frozen=True)
class Rule:
    """Every combination of what others may know of a patient is that of at least `k` patients, or it is not shown.

    Parameters
    ----------
    k : int, 2 to 100
        Fewest patients who look alike. Five is the usual least in published guidance on sharing health data
        (El Emam and Dankar 2008 [1]_, who name 5 as common practice).
    known : tuple of str
        Columns others may know (quasi-identifiers), the most useful to keep first; which eyes were treated is
        always one of them. Out of `cornea`, `lens`, `pvd`, `site`, `operator`, `age`, `started`, `sphere_d`,
        `axial_mm`.

    Raises
    ------
    TableError
        If `k` is out of range, or a column is not one of these or named twice.

    References
    ----------
    .. [1] El Emam K, Dankar FK. Protecting privacy using k-anonymity. J Am Med Inform Assoc 2008;15:627-637
       (from memory).

    Examples
    --------
    >>> Rule(known=("cornea", "age")).k
    5
    """

    k: int = 5
    known: tuple[str, ...] = KNOWN

    def __post_init__(self) -> None:
        faults = []
        if not is_whole(self.k) or not _LEAST_K <= self.k <= _MOST_K:
            faults.append(
                Fault("k", f"{self.k!r}", f"a whole number from {_LEAST_K} to {_MOST_K}", "5 is usual")
            )
        faults += [
            Fault("known", f"{name!r}", ", ".join(KNOWABLE), "name columns others may know")
            for name in self.known
            if name not in KNOWABLE
        ]
        if len(set(self.known)) < len(self.known):
            faults.append(Fault("known", "a column stands twice", "every column once"))
        if faults:
            raise TableError(faults)

    def words(self) -> str:
        """The rule for those who read the folder."""
        names = ", ".join(("eye", *self.known))
        return (
            f"Every combination of {names} that a patient shows, over all the patient's cases together, is shown by at "
            f"least {self.k} patients. Where it was not, numbers ({', '.join(n for n in self.known if n in WIDEST)}) "
            f"were replaced by one from the middle of a group of at least {self.k} patients, and what was left was set "
            "to not_recorded."
        )


def check_seed(seed: object) -> None:
    """Refuse a seed of the twin that is none.

    Raises
    ------
    FitError
        If it is not a whole number from 0.
    """
    if not is_whole(seed) or seed < 0:
        raise FitError(Fault("seed", f"{seed!r}", "a whole number from 0"))
