"""Model card: what a saved model says of itself."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field
from math import isfinite, nan
from typing import Any, Literal

NOT_FOR_COUNSELLING = "Not for counselling: this model failed its own checks."
INVENTED = "This model was made from invented demonstration data. It must never be used with a patient."


@dataclass(frozen=True)
class Validated:
    """What a validation of the recipe said of the model.

    Parameters
    ----------
    standing : str
        ``"fit for counselling"``, ``"usable with a warning"`` or ``"not fit"``.
    reasons : tuple of str
        Why, worst first.
    next_step : str
        What to do next.
    scheme, date : str
        How and when it was validated.
    """

    standing: str
    reasons: tuple[str, ...]
    next_step: str
    scheme: str
    date: str


@dataclass(frozen=True)
class Ancestor:
    """A model that another was made from.

    Parameters
    ----------
    model_id, name : str
        Fingerprint and definition of the model.
    created : str
        ISO date of its fit.
    n_cases : int
        Cases it was fitted to.
    data_fingerprint : str
        SHA-256 of their columns.
    step : str
        What was done to it to make the next one, in words.
    """

    model_id: str
    name: str
    created: str
    n_cases: int
    data_fingerprint: str
    step: str


Standing = Literal["fit for counselling", "usable with a warning", "not fit"]
NOT_FIT: Standing = "not fit"
WARNED: Standing = "usable with a warning"


@dataclass(frozen=True)
class ModelCard:
    """Facts about a fitted model that every output may print; no row of any patient.

    Parameters
    ----------
    name, title, method : str
        Name and title of the definition; method of the fit in words.
    ends : tuple of str
        Ways a course can end, in the order of the arrays.
    retreat_version, created : str
        Version of the package; ISO date of the fit.
    n_cases, n_patients, n_left_out : int
        Cases fitted, their patients, and cases left out for a missing feature.
    n_ended : mapping of str to int
        Cases ended in each way.
    max_session : int
        Largest session at which any fitted case was still at risk.
    supported_session : int
        Largest session at which enough fitted cases were at risk for an effect of its own (`pool_below` of
        the definition); later ones are carried on from it.
    last_session : int
        Largest session the model speaks of; 0 for a whole course.
    years : tuple of int
        First and last year of first sessions; empty when not known.
    seed : int
        Seed of the draws.
    invented : bool
        Whether the cases were invented for the demonstration.
    failures : tuple of str
        Gates the fit failed; empty for a model that passed.
    notes : tuple of str
        What a reader of any forecast should know (pooled sessions, features left out).
    diagnostics : mapping of str to float
        Convergence record: iterations, gradient, R-hat, effective draws; NaN where one cannot be told.
    data_fingerprint, definition_fingerprint : str
        SHA-256 of the fitted columns and of the definition.
    validated : Validated or None
        The verdict of a validation; None for a model not validated.
    basis : tuple of str
        What the model rests on besides the clinic's own cases, such as published averages; every output says so.
    lineage : tuple of Ancestor
        Models it was made from, oldest first.
    """

    name: str
    title: str
    method: str
    ends: tuple[str, ...]
    retreat_version: str
    created: str
    n_cases: int
    n_patients: int
    n_left_out: int
    n_ended: Mapping[str, int]
    max_session: int
    supported_session: int
    last_session: int
    years: tuple[int, ...]
    seed: int
    invented: bool
    failures: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    diagnostics: Mapping[str, float] = field(default_factory=dict)
    data_fingerprint: str = ""
    definition_fingerprint: str = ""
    validated: Validated | None = None
    basis: tuple[str, ...] = ()
    lineage: tuple[Ancestor, ...] = ()

    @property
    def obstacles(self) -> tuple[str, ...]:
        """Why the model must not be used with patients: gates it failed, or what its validation found."""
        found = self.validated
        return (*self.failures, *(found.reasons if found and found.standing == NOT_FIT else ()))

    @property
    def for_counselling(self) -> bool:
        """Whether the fit passed its own gates and its validation, if it had one, did not find it unfit."""
        return not self.obstacles

    @property
    def cautions(self) -> tuple[str, ...]:
        """Lines that every output of this model must show first."""
        lines: tuple[str, ...] = (INVENTED,) if self.invented else ()
        if self.obstacles:
            lines += (NOT_FOR_COUNSELLING, *self.obstacles)
        elif self.validated and self.validated.standing == WARNED:
            lines += tuple(f"Usable with a warning: {reason}." for reason in self.validated.reasons)
        return (*lines, *self.basis)

    def to_json(self) -> dict[str, Any]:
        """Plain lists and numbers, None for a diagnostic that is no number; :meth:`from_json` is the inverse."""
        plain = {key: list(v) if isinstance(v, tuple) else v for key, v in asdict(self).items()}
        if self.validated:
            plain["validated"] = asdict(self.validated) | {"reasons": list(self.validated.reasons)}
        for name in ("basis", "lineage"):  # a card without them stays what it was before there were any
            if not plain[name]:
                del plain[name]
        # a fit that failed its gates must still be saved, and strict JSON knows no NaN
        return plain | {"diagnostics": {k: v if isfinite(v) else None for k, v in self.diagnostics.items()}}

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> ModelCard:
        """Rebuild a card from :meth:`to_json`.

        Raises
        ------
        KeyError, TypeError, ValueError
            If the data are not of that form.
        """
        return cls(
            name=str(data["name"]),
            title=str(data["title"]),
            method=str(data["method"]),
            ends=_texts(data["ends"]),
            retreat_version=str(data["retreat_version"]),
            created=str(data["created"]),
            n_cases=int(data["n_cases"]),
            n_patients=int(data["n_patients"]),
            n_left_out=int(data["n_left_out"]),
            max_session=int(data["max_session"]),
            supported_session=int(data["supported_session"]),
            last_session=int(data["last_session"]),
            seed=int(data["seed"]),
            failures=_texts(data["failures"]),
            notes=_texts(data["notes"]),
            data_fingerprint=str(data["data_fingerprint"]),
            definition_fingerprint=str(data["definition_fingerprint"]),
            n_ended={str(k): int(v) for k, v in data["n_ended"].items()},
            years=tuple(int(v) for v in data["years"]),
            invented=bool(data["invented"]),
            validated=_validated(data.get("validated")),
            basis=_texts(data.get("basis", ())),
            lineage=tuple(_ancestor(one) for one in data.get("lineage", ())),
            diagnostics={str(k): nan if v is None else float(v) for k, v in data["diagnostics"].items()},
        )


def _validated(data: Mapping[str, Any] | None) -> Validated | None:
    if data is None:
        return None
    standing, next_step, scheme, date = (str(data[k]) for k in ("standing", "next_step", "scheme", "date"))
    return Validated(standing, _texts(data["reasons"]), next_step, scheme, date)


def _ancestor(data: Mapping[str, Any]) -> Ancestor:
    words = {name: str(data[name]) for name in ("model_id", "name", "created", "data_fingerprint", "step")}
    return Ancestor(n_cases=int(data["n_cases"]), **words)


def _texts(values: Iterable[object]) -> tuple[str, ...]:
    return tuple(str(value) for value in values)
