"""Reading definition files: every fault of a file at once, each with its place and what is allowed there."""

from __future__ import annotations

import difflib
import hashlib
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from retreat.coding import Term
from retreat.definitions.definition import ENDS, Definition
from retreat.definitions.entries import (
    File,
    Gates,
    Groups,
    Prior,
    Reference,
    Sessions,
    Spread,
    TermEntry,
)
from retreat.definitions.faults import session_faults, strata_faults, support_faults, term_faults
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
    "patient": Spread,
    "gates": Gates,
    "references": Reference,
}
# stands in for a broken required entry while the rest of the file is checked
_STAND_IN = {"name": "x", "title": "title", "purpose": "a purpose", "outcome": "course"}


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
        broken = {(*e["loc"], None)[:2] if e["loc"][0] == "terms" else (e["loc"][0], None) for e in error.errors()}
        faults = _entry_faults(source, error)
        raise DefinitionError([*faults, *_faults_of_rest(source, data, broken)]) from None
    faults = _faults(source, file, dict(enumerate(file.terms)), [t.features for t in file.terms])
    if faults:
        raise DefinitionError(faults)
    return file
