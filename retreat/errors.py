"""The family of errors, each built from faults that say where, what, what is allowed and the way out."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True)
class Fault:
    """One thing wrong, told so that its owner can mend it.

    Parameters
    ----------
    where : str
        The place: an argument, a column, a file, a term of a definition.
    what : str
        What was found there.
    allowed : str
        What is allowed there; may be empty.
    fix : str
        What to do; may be empty.
    row : int or None
        Row of a table as a spreadsheet shows it: the header is row 1, the first case row 2.
    column : str or None
        Column of a table.
    value : str or None
        The offending value as text.

    Examples
    --------
    >>> str(Fault("size_mm", "value 99", "0.1 to 15 mm", "correct it or write not_recorded", row=4))
    'row 4, size_mm: value 99; allowed: 0.1 to 15 mm; to mend: correct it or write not_recorded'
    """

    where: str
    what: str
    allowed: str = ""
    fix: str = ""
    row: int | None = None
    column: str | None = None
    value: str | None = None

    def __str__(self) -> str:
        place = self.where if self.row is None else f"row {self.row}, {self.where}"
        text = f"{place}: {self.what}"
        if self.allowed:
            text += f"; allowed: {self.allowed}"
        if self.fix:
            text += f"; to mend: {self.fix}"
        return text


class RetreatError(Exception):
    """Base of every error the package raises on purpose.

    Parameters
    ----------
    faults : iterable of Fault, Fault or str
        All that is wrong, not only the first.

    Examples
    --------
    >>> error = FitError([Fault("ending", "no case has ended")])
    >>> error.faults[0].where
    'ending'
    >>> print(error)
    ending: no case has ended
    """

    def __init__(self, faults: Iterable[Fault] | Fault | str) -> None:
        if isinstance(faults, str):
            faults = [Fault("input", faults)]
        elif isinstance(faults, Fault):
            faults = [faults]
        self.faults: tuple[Fault, ...] = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))

    def __reduce__(self) -> tuple[type[RetreatError], tuple[tuple[Fault, ...]]]:
        """Pickle by faults, so that an error of a worker process arrives whole."""
        return type(self), (self.faults,)


class TableError(RetreatError, ValueError):
    """A case or visit table, or a value of a case, was refused."""


class DefinitionError(RetreatError, ValueError):
    """A model definition file was refused."""


class FitError(RetreatError, ValueError):
    """A model cannot be fitted, or asked for a forecast it cannot give."""


class ModelFileError(RetreatError, ValueError):
    """A saved model file was refused."""


class ExtrapolationWarning(UserWarning):
    """A forecast goes beyond the largest session the model has seen."""
