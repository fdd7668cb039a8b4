"""The cases an analysis of effects rests on, completed as often as asked, in one coding."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from numpy.typing import NDArray

from retreat.coding import Coding, learn
from retreat.definitions import Definition, read_definition
from retreat.errors import Fault, FitError
from retreat.fitting.arguments import is_whole
from retreat.fitting.design import CaseData, Design, read_data
from retreat.model.completion import is_missing
from retreat.model.support import SMALL_CELL
from retreat.validation.imputation import imputed

if TYPE_CHECKING:
    import pandas as pd

# completed tables by default: about one for each hundredth of cases with a gap serves (White, Royston and Wood 2011,
# from memory), and few clinics lack more than a fifth
IMPUTATIONS = 20
ASSOCIATION = (
    "Associations in one case series, given the other features: not proof that changing a feature changes the course, "
    "not a decision to treat, and not a promise."
)
_LEAST, _MOST = 2, 200


@dataclass(frozen=True)
class Analysed:
    """Cases of an analysis, each design complete; it lives only while effects are worked out.

    Parameters
    ----------
    designs : tuple of Design
        One a completed table, the same cases in the same coding.
    seen : mapping of str to ndarray, each of shape (cases,)
        Features of the definition as they were read, gaps included.
    notes : tuple of str
        What was filled or left out, in words.
    """

    designs: tuple[Design, ...]
    seen: Mapping[str, NDArray[Any]]
    notes: tuple[str, ...]

    @property
    def first(self) -> Design:
        """A design, for what is the same in all."""
        return self.designs[0]

    @property
    def definition(self) -> Definition:
        """What was asked of the cases."""
        return self.first.definition

    @property
    def coding(self) -> Coding:
        """How features become columns."""
        return self.first.coding

    @property
    def known_ends(self) -> tuple[int, ...]:
        """Positions of the ends that some case had: nothing is told of others."""
        return tuple(j for j in range(self.first.n_ends) if (self.first.ending == j + 1).any())


def analysed(
    cases: pd.DataFrame,
    definition: str | Path | Definition = "core",
    *,
    imputations: int | None = None,
    seed: int = 1,
) -> Analysed:
    """Cases of an analysis, gaps in the definition's features filled.

    Parameters
    ----------
    cases : DataFrame
        A case table; it is checked.
    definition : str, Path or Definition
        What is fitted.
    imputations : int, 0 or 2 to 200, optional
        Completed tables (chained equations, see :func:`retreat.validation.imputation.imputed`); 0 leaves cases with a
        gap out. Default: 20 where there are gaps. A table without gaps is taken once.
    seed : int, from 0
        Seed of what is filled in.

    Raises
    ------
    TableError, DefinitionError, FitError
        As for :func:`retreat.fit`; for a definition with strata, or a number of imputations out of range.
    """
    chosen = read_definition(definition)
    _check(chosen, imputations, seed)
    data = read_data(cases, chosen)
    begun = data.rows(data.begun)
    gaps = int((~begun.complete).sum())
    unfilled = () if data.begun.all() else (f"{_count(int((~data.begun).sum()))} not yet begun left out",)
    if not gaps or imputations == 0:
        left = (f"{_count(gaps)} with a gap left out: complete cases",) if gaps else ()
        data.design()  # refuses too few cases, and says which feature is to blame
        design = data.rows(data.complete).design()  # whose notes hold no small counts
        return Analysed(
            (design,), {name: design.features[name] for name in chosen.features}, (*unfilled, *left)
        )
    tables = imputed(begun, IMPUTATIONS if imputations is None else int(imputations), int(seed))
    # one coding for all tables, from what was seen: a coefficient must mean the same in each
    seen = {name: begun.features[name] for name in chosen.features}
    coding = learn(chosen.terms, seen)
    return Analysed(
        tuple(_in(coding, table) for table in tables), seen, (*unfilled, *_filled(seen, len(tables)))
    )


def of_design(design: Design) -> Analysed:
    """An analysis of a design as it stands."""
    names = design.definition.features
    return Analysed((design,), {name: design.features[name] for name in names}, ())


def _in(coding: Coding, table: CaseData) -> Design:
    design = table.design()
    return replace(design, coding=coding, X=coding.encode(design.features, n_cases=len(design.sessions)))


def _filled(seen: Mapping[str, NDArray[Any]], n_tables: int) -> tuple[str, ...]:
    gaps = {name: int(is_missing(values).sum()) for name, values in seen.items()}
    told = ", ".join(f"{name} in {_count(gap)}" for name, gap in gaps.items() if gap)
    return (
        f"gaps filled {n_tables} times by chained equations and joined by Rubin's rules, right where gaps do not hang "
        "on what is missing given the rest; the filling holds no interactions, so that those of the model are drawn "
        f"towards none: {told}",
    )


def _count(n: int) -> str:
    """A count that may leave the clinic."""
    cases = "case" if n == 1 else "cases"
    return f"fewer than {SMALL_CELL} cases" if 0 < n < SMALL_CELL else f"{n} {cases}"


def _check(definition: Definition, imputations: int | None, seed: int) -> None:
    faults = []
    if definition.strata:
        what = f"{definition.name} is a table by {definition.strata}: it has no effects"
        faults.append(Fault("definition", what, "a definition with terms", "take core"))
    elif not definition.terms:
        faults.append(
            Fault("definition", f"{definition.name} has no terms", "a definition with terms", "take core")
        )
    whole = is_whole(imputations) and (imputations == 0 or _LEAST <= imputations <= _MOST)
    if imputations is not None and not whole:
        faults.append(Fault("imputations", f"{imputations!r}", f"0, or a whole number {_LEAST} to {_MOST}"))
    if not is_whole(seed) or seed < 0:
        faults.append(Fault("seed", f"{seed!r}", "a whole number from 0"))
    if faults:
        raise FitError(faults)
