"""Reading definition files: every fault of a file at once, each with its place and what is allowed there."""

from __future__ import annotations

import difflib
import hashlib
import re
import tomllib
from collections.abc import Mapping, Sequence, Set
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from retreat.coding import Term
from retreat.definitions.definition import ENDS, Definition
from retreat.definitions.entries import (
    Gates,
    Groups,
    PatientSpread,
    Prior,
    Reference,
    Sessions,
    Share,
    Spread,
    TermEntry,
    Verdict,
)
from retreat.definitions.faults import session_faults, strata_faults, support_faults, term_faults
from retreat.definitions.file import File
from retreat.definitions.histories import HistoryEntry, HistoryPrior, history_faults
from retreat.definitions.studies import BetweenStudies, Kind, LeftOut, Lost, Study
from retreat.definitions.study_faults import study_faults
from retreat.errors import DefinitionError, Fault
from retreat.features import FEATURES

# which entry stands under which key, to name the keys it may have
_ENTRIES: Mapping[str, type[BaseModel]] = {
    "terms": TermEntry,
    "prior": Prior,
    "sessions": Sessions,
    "first": Prior,
    "step": Spread,
    "groups": Groups,
    "operator": Spread,
    "patient": PatientSpread,
    "never": Share,
    "gates": Gates,
    "verdict": Verdict,
    "references": Reference,
    "kinds": Kind,
    "between_studies": BetweenStudies,
    "relieved": Spread,
    "lost": Lost,
    "studies": Study,
    "left_out": LeftOut,
    "history": HistoryEntry,
    "priors": HistoryPrior,
}
_ALLOWED = {
    "model_type": "a table of entries",
    "string_pattern_mismatch": "lower-case letters, digits and _, a letter first",
}
_ONE_BY_ONE = ("terms", "studies")
# stands in for a broken required entry while the rest of the file is checked
_STAND_IN = {"name": "x", "title": "title", "purpose": "the purpose", "outcome": "course"}


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
        data = tomllib.loads(payload.decode("utf-8-sig"))  # some editors write a mark first
    except FileNotFoundError:
        raise DefinitionError(Fault(str(source), "no such file", "a TOML file", "check the path")) from None
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise DefinitionError(Fault(str(source), f"not readable TOML ({error})", "UTF-8 TOML")) from None
    return _definition(_checked(str(source), data), hashlib.sha256(payload).hexdigest())


def _folder() -> Path:
    installed = Path(__file__).parent.parent / "models"
    return installed if installed.is_dir() else Path(__file__).parent.parent.parent / "models"


def _checked(source: str, data: Mapping[str, Any]) -> File:
    try:
        file = File.model_validate(data)
    except ValidationError as error:
        raise DefinitionError(
            [*_entry_faults(source, error), *_faults_of_the_rest(source, data, error)]
        ) from None
    written = [entry.features for entry in file.terms]
    studies = dict(enumerate(file.studies))
    faults = _faults(source, file, dict(enumerate(file.terms)), written, studies, broken=set())
    if faults:
        raise DefinitionError(faults)
    return file


def _faults(
    source: str,
    file: File,
    terms: Mapping[int, TermEntry],
    written: Sequence[tuple[str, ...]],
    studies: Mapping[int, Study],
    *,
    broken: Set[object],
) -> list[Fault]:
    ends = None if "outcome" in broken else ENDS[file.outcome]
    faults = term_faults(source, terms, written, ends)
    if not broken & {"sessions", "strata"}:
        faults += session_faults(source, file.sessions, ends, strata=file.strata)
    if "support" not in broken:
        faults += support_faults(source, file.support)
    if "strata" not in broken:
        faults += strata_faults(source, file.strata, has_terms=bool(written))
    if "history" not in broken:
        faults += history_faults(source, file.history, ends)
    return faults + study_faults(source, file, studies, terms, written, broken=broken)


def _faults_of_the_rest(source: str, data: Mapping[str, Any], error: ValidationError) -> list[Fault]:
    """Faults of the entries that are sound in themselves, so that one reading shows all."""
    places = [e["loc"] for e in error.errors()]
    # one broken term or study leaves the others to be looked at; any other entry stands or falls as a whole
    broken = {place[0] for place in places if place[0] not in _ONE_BY_ONE or len(place) == 1}
    listed = {key: [] if key in broken else data.get(key, []) for key in _ONE_BY_ONE}
    sound = {
        key: {i: one for i, one in enumerate(listed[key]) if (key, i) not in {p[:2] for p in places}}
        for key in _ONE_BY_ONE
    }
    terms = {i: TermEntry.model_validate(one) for i, one in sound["terms"].items()}
    studies = {i: Study.model_validate(one) for i, one in sound["studies"].items()}
    rest = {k: v for k, v in data.items() if k in File.model_fields and k not in {*broken, *_ONE_BY_ONE}}
    file = File.model_validate({**_STAND_IN, **rest})
    written = [_written_features(term) for term in listed["terms"]]
    return _faults(source, file, terms, written, studies, broken=broken)


def _written_features(term: object) -> tuple[str, ...]:
    feature = term.get("feature", ()) if isinstance(term, dict) else ()
    if isinstance(feature, str):
        return (feature,)
    return tuple(str(f) for f in feature) if isinstance(feature, list) else ()


def _entry_faults(source: str, error: ValidationError) -> list[Fault]:
    errors = error.errors()
    # a list with a broken entry is also told to be too short: only the entry is at fault
    echoes = {e["loc"][:k] for e in errors for k in range(1, len(e["loc"]))}
    return list(dict.fromkeys(_entry_fault(source, e) for e in errors if e["loc"] not in echoes))


def _entry_fault(source: str, error: ErrorDetails) -> Fault:
    place = list(error["loc"])
    if "feature" in place:  # a union: told once, not once a member
        place = place[: place.index("feature") + 1]
        return Fault(_where(source, place), "no feature", "one name, or a list of two for an interaction")
    where, kind = _where(source, place), error["type"]
    if kind == "missing":
        return Fault(where, "missing", fix="add it")
    if kind == "extra_forbidden":
        above = [part for part in place[:-1] if isinstance(part, str)]
        entry = _ENTRIES[above[-1]] if above else File
        return Fault(where, "unknown entry", ", ".join(entry.model_fields), "correct its name or drop it")
    value = repr(error["input"])[:60]
    return Fault(where, value, _ALLOWED.get(kind) or _allowed(error["msg"]), value=value)


def _where(source: str, place: Sequence[int | str]) -> str:
    """Place in words, entries of a list counted from 1: terms 3, prior 1, sd."""
    words: list[str] = []
    for part in place:
        if isinstance(part, int):
            words[-1] += f" {part + 1}"
        else:
            words.append(part)
    return f"{source}: {', '.join(words)}"


def _allowed(message: str) -> str:
    return re.sub(r"^\w+ should (be |have )?| after validation.*$", "", message)


def _definition(file: File, fingerprint: str) -> Definition:
    return Definition(
        name=file.name,
        title=file.title,
        purpose=" ".join(file.purpose.split()),
        outcome=file.outcome,
        basis=file.basis,
        link=file.link,
        sessions=file.sessions,
        strata=file.strata,
        pseudo_cases=file.pseudo_cases,
        terms=tuple(_term(entry) for entry in file.terms),
        entries=file.terms,
        groups=file.groups,
        history=file.history,
        gates=file.gates,
        verdict=file.verdict,
        likeness=dict(file.support),
        kinds=file.kinds,
        between_studies=file.between_studies,
        studies=file.studies,
        left_out=file.left_out,
        references=tuple(reference.text for reference in file.references),
        fingerprint=fingerprint,
    )


def _term(entry: TermEntry) -> Term:
    if entry.form == "category":
        levels = FEATURES[entry.features[0]].levels
        return Term(entry.features, "category", reference=entry.reference, levels=levels)
    if entry.form == "interaction":
        return Term(entry.features, "interaction")
    knots = entry.knots if entry.form == "spline" else 0
    centre = entry.centre if entry.centre is not None else (1.0 if entry.form == "log" else 0.0)
    return Term(entry.features, entry.form, centre=centre, scale=entry.scale, n_knots=knots)
