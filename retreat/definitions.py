"""Model definitions: what a model predicts, its terms, priors and reasons, read from one TOML file each."""

from __future__ import annotations

import difflib
import hashlib
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from retreat.coding import Coding, Form, Term
from retreat.errors import DefinitionError, Fault
from retreat.features import FEATURES
from retreat.hazard import Link

FloatArray = NDArray[np.float64]

Outcome = Literal["course", "second_session"]
SessionEffect = Literal["free", "smooth", "linear"]

# ends of each outcome, in the order of every array
ENDS: Mapping[str, tuple[str, ...]] = {
    "course": ("relieved", "stopped"),
    "second_session": ("one_session",),
}
# largest session an outcome looks at; None is the whole course
LAST_SESSION: Mapping[str, int | None] = {"course": None, "second_session": 1}


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


Why = Annotated[str, Field(min_length=10)]


class Prior(_Strict):
    """Normal prior of a coefficient, for one level and end or for all; later entries overrule earlier ones."""

    mean: float = 0.0
    sd: Annotated[float, Field(gt=0, le=10)]
    why: Why
    level: str = ""
    end: str = ""


class Spread(_Strict):
    """Scale of a step or of a half-normal prior of a standard deviation."""

    sd: Annotated[float, Field(gt=0, le=5)]
    why: Why


class TermEntry(_Strict):
    """A term as written: its feature or pair of features, form, reason and priors."""

    feature: str | tuple[str, str]
    form: Form
    why: Why
    prior: Annotated[tuple[Prior, ...], Field(min_length=1)]
    reference: str = ""
    centre: float | None = None
    scale: Annotated[float, Field(gt=0)] = 1.0
    knots: Annotated[int, Field(ge=3, le=7)] = 4

    @property
    def features(self) -> tuple[str, ...]:
        """The features, one or two."""
        return (self.feature,) if isinstance(self.feature, str) else self.feature


class Sessions(_Strict):
    """How the chance of ending moves from session to session."""

    effect: SessionEffect = "smooth"
    pool_below: Annotated[int, Field(ge=0, le=100)] = 5
    first: tuple[Prior, ...] = ()
    step: Spread | None = None


class Groups(_Strict):
    """Half-normal priors of the spread between operators and between patients."""

    operator: Spread | None = None
    patient: Spread | None = None


class Gates(_Strict):
    """Least numbers below which the definition refuses a table."""

    min_cases: Annotated[int, Field(ge=1)] = 20
    min_ended: Annotated[int, Field(ge=1)] = 10
    why: Why = "Below this a table of what happened serves better (our judgement)."


class Reference(_Strict):
    """One reference."""

    text: Annotated[str, Field(min_length=10)]


class _File(_Strict):
    name: Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*$")]
    title: Annotated[str, Field(min_length=5)]
    purpose: Annotated[str, Field(min_length=10)]
    outcome: Outcome
    link: Link = "logit"
    sessions: Sessions = Sessions()
    strata: str = ""
    pseudo_cases: Annotated[float, Field(ge=0)] = 0.0
    terms: tuple[TermEntry, ...] = ()
    groups: Groups = Groups()
    gates: Gates = Gates()
    support: Mapping[str, tuple[float, ...]] = {}
    references: tuple[Reference, ...] = ()


@dataclass(frozen=True)
class Definition:
    """A model definition, checked; `entries` holds the file's words, `terms` what the coding needs.

    Parameters
    ----------
    name, title, purpose : str
        What it is called and for.
    outcome : {"course", "second_session"}
        Whole course with two competing ends, or only whether the first session is the last.
    link : {"logit", "cloglog"}
        Link of the hazards.
    sessions : Sessions
        Session effects and their priors.
    strata : str
        Feature that splits a life table; empty for a regression.
    pseudo_cases : float
        Weight, in cases, of the all-kinds table inside each stratum of a life table.
    terms : tuple of Term
        Terms for the coding.
    entries : tuple of TermEntry
        Terms with their reasons and priors.
    groups : Groups
        Priors of operator and patient spread.
    gates : Gates
        Least numbers.
    likeness : mapping of str to tuple of float
        Features that define "cases like this one", with band edges.
    references : tuple of str
        Sources.
    fingerprint : str
        SHA-256 of the file.
    """

    name: str
    title: str
    purpose: str
    outcome: Outcome
    link: Link
    sessions: Sessions
    strata: str
    pseudo_cases: float
    terms: tuple[Term, ...]
    entries: tuple[TermEntry, ...]
    groups: Groups
    gates: Gates
    likeness: Mapping[str, tuple[float, ...]]
    references: tuple[str, ...]
    fingerprint: str

    @property
    def ends(self) -> tuple[str, ...]:
        """Ways a course can end under this outcome."""
        return ENDS[self.outcome]

    @property
    def features(self) -> tuple[str, ...]:
        """Features the model needs, each once."""
        names = [f for term in self.terms for f in term.features]
        return tuple(dict.fromkeys((*names, *((self.strata,) if self.strata else ()))))

    def coefficient_priors(self, coding: Coding) -> tuple[FloatArray, FloatArray]:
        """Prior mean and standard deviation of each coefficient, two arrays of shape (ends, columns)."""
        shape = (len(self.ends), len(coding.names))
        mean, sd = np.zeros(shape), np.ones(shape)
        names = coding.names
        for position, entry in enumerate(self.entries):
            for column in coding.columns_of(position):
                for prior in entry.prior:
                    if prior.level and not names[column].endswith(f"={prior.level}"):
                        continue
                    rows = [e for e, end in enumerate(self.ends) if prior.end in ("", end)]
                    mean[rows, column], sd[rows, column] = prior.mean, prior.sd
        return mean, sd

    def first_session_priors(self) -> tuple[FloatArray, FloatArray]:
        """Prior mean and standard deviation of the first session's effect, two arrays of shape (ends,)."""
        mean, sd = np.zeros(len(self.ends)), np.full(len(self.ends), 1.5)
        for prior in self.sessions.first:
            rows = [e for e, end in enumerate(self.ends) if prior.end in ("", end)]
            mean[rows], sd[rows] = prior.mean, prior.sd
        return mean, sd


def shipped() -> tuple[str, ...]:
    """Names of the definitions that come with the package.

    Examples
    --------
    >>> "core" in shipped()
    True
    """
    return tuple(sorted(path.stem for path in _folder().glob("*.toml")))


def read_definition(source: str | Path | Definition) -> Definition:
    """Definition of a shipped name, of a TOML file, or itself.

    Parameters
    ----------
    source : str, Path or Definition
        ``"core"`` is models/core.toml; a path ends in ``.toml``.

    Raises
    ------
    DefinitionError
        If there is no such definition, or the file breaks the format; all faults at once.

    Examples
    --------
    >>> read_definition("core").ends
    ('relieved', 'stopped')
    """
    if isinstance(source, Definition):
        return source
    path = Path(source)
    if path.suffix != ".toml":
        path = _folder() / f"{source}.toml"
        if not path.is_file():
            near = difflib.get_close_matches(str(source), shipped(), 1)
            fix = f"did you mean {near[0]}?" if near else "name one of these, or a path ending in .toml"
            raise DefinitionError(Fault(str(source), "no such definition", ", ".join(shipped()), fix))
    try:
        payload = path.read_bytes()
        data = tomllib.loads(payload.decode("utf-8"))
    except FileNotFoundError:
        raise DefinitionError(Fault(str(source), "no such file", "a TOML file", "check the path")) from None
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise DefinitionError(Fault(str(source), f"not readable TOML ({error})", "UTF-8 TOML")) from None
    return _build(str(source), data, hashlib.sha256(payload).hexdigest())


def _folder() -> Path:
    installed = Path(__file__).parent / "models"
    return installed if installed.is_dir() else Path(__file__).parent.parent / "models"


def _build(source: str, data: Mapping[str, Any], fingerprint: str) -> Definition:
    try:
        file = _File.model_validate(data)
    except ValidationError as error:
        raise DefinitionError(
            [
                Fault(
                    f"{source}: {'.'.join(str(part) for part in e['loc'])}",
                    e["msg"],
                    value=str(e["input"])[:60],
                )
                for e in error.errors()
            ]
        ) from None
    faults = [*_term_faults(source, file), *_other_faults(source, file)]
    if faults:
        raise DefinitionError(faults)
    return Definition(
        name=file.name,
        title=file.title,
        purpose=" ".join(file.purpose.split()),
        outcome=file.outcome,
        link=file.link,
        sessions=file.sessions,
        strata=file.strata,
        pseudo_cases=file.pseudo_cases,
        terms=tuple(_term(entry) for entry in file.terms),
        entries=file.terms,
        groups=file.groups,
        gates=file.gates,
        likeness=dict(file.support),
        references=tuple(reference.text for reference in file.references),
        fingerprint=fingerprint,
    )


def _term(entry: TermEntry) -> Term:
    feature = FEATURES[entry.features[0]]
    if entry.form == "category":
        return Term(entry.features, "category", reference=entry.reference, levels=tuple(feature.levels))
    if entry.form == "interaction":
        return Term(entry.features, "interaction")
    knots = entry.knots if entry.form == "spline" else 0
    centre = entry.centre if entry.centre is not None else (1.0 if entry.form == "log" else 0.0)
    return Term(entry.features, entry.form, centre=centre, scale=entry.scale, n_knots=knots)


def _term_faults(source: str, file: _File) -> list[Fault]:
    faults = []
    for position, entry in enumerate(file.terms, start=1):
        where = f"{source}: term {position} ({' x '.join(entry.features)})"
        unknown = [f for f in entry.features if f not in FEATURES]
        faults += [Fault(where, f"unknown feature {f}", _known(f)) for f in unknown]
        if unknown:
            continue
        if (len(entry.features) == 2) != (entry.form == "interaction"):
            faults.append(Fault(where, "two features make an interaction, one feature does not"))
        feature = FEATURES[entry.features[0]]
        if entry.form == "category" and entry.reference not in (feature.levels or ()):
            faults.append(
                Fault(where, f"reference {entry.reference!r}", ", ".join(feature.levels or ("none",)))
            )
        if entry.form in ("linear", "log", "spline") and feature.kind != "number":
            faults.append(Fault(where, f"{entry.form} needs a number", fix='use form = "category"'))
        if entry.form == "log" and entry.centre is not None and entry.centre <= 0:
            faults.append(Fault(where, f"centre {entry.centre:g}", "above 0 for a log"))
        if entry.form == "interaction":
            earlier = {e.features for e in file.terms[: position - 1]}
            faults += [
                Fault(where, f"{f} has no term of its own before the interaction", fix="add it first")
                for f in entry.features
                if (f,) not in earlier
            ]
        faults += _prior_faults(where, entry.prior, ENDS[file.outcome], tuple(feature.levels or ()))
    return faults


def _prior_faults(
    where: str, priors: Sequence[Prior], ends: tuple[str, ...], levels: tuple[str, ...]
) -> list[Fault]:
    faults = [
        Fault(where, f"prior of unknown end {p.end}", ", ".join(ends))
        for p in priors
        if p.end not in ("", *ends)
    ]
    return faults + [
        Fault(where, f"prior of unknown level {p.level}", ", ".join(levels))
        for p in priors
        if p.level not in ("", *levels)
    ]


def _other_faults(source: str, file: _File) -> list[Fault]:
    faults = _prior_faults(f"{source}: sessions.first", file.sessions.first, ENDS[file.outcome], ())
    for feature, edges in file.support.items():
        where = f"{source}: support.{feature}"
        if feature not in FEATURES:
            faults.append(Fault(where, "unknown feature", _known(feature)))
        elif any(b <= a for a, b in pairwise(edges)):
            faults.append(Fault(where, f"band edges {edges}", "rising"))
        elif bool(edges) != (FEATURES[feature].kind == "number"):
            faults.append(Fault(where, "a number needs band edges, a category has none"))
    if file.strata and (file.strata not in FEATURES or FEATURES[file.strata].kind != "category"):
        faults.append(Fault(f"{source}: strata", f"{file.strata} is not a category", _known(file.strata)))
    if file.strata and file.terms:
        faults.append(
            Fault(f"{source}: strata", "a life table by strata takes no terms", fix="drop one of them")
        )
    if file.sessions.effect == "smooth" and not file.strata and file.sessions.step is None:
        faults.append(Fault(f"{source}: sessions.step", "missing", "a scale for smooth session effects"))
    return faults


def _known(name: str) -> str:
    near = difflib.get_close_matches(name, FEATURES, 3)
    return ", ".join(near) if near else ", ".join(FEATURES)
