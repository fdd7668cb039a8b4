"""The folder that may leave: de-identified tables, their descriptions, a twin, the model, a README, checksums."""

from __future__ import annotations

import csv
import io
import json
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from retreat.errors import Fault, TableError
from retreat.study.sharing import provenance
from retreat.study.sharing.crosswalk import read_crosswalk
from retreat.study.sharing.deidentified import Deidentified, deidentified
from retreat.study.sharing.disclosure import Disclosure, disclosure_of, identical_rows
from retreat.study.sharing.folder import check_places, place, with_sums
from retreat.study.sharing.leaks import Originals, leaks
from retreat.study.sharing.readme import Told, readme
from retreat.study.sharing.rule import Rule, check_seed
from retreat.study.sharing.shared_model import WITHOUT, names_hidden, rests_on_no_case, with_coarse_card
from retreat.study.sharing.twin import TwinLaw, drawn, learned
from retreat.tables import CASES, VISITS, as_cases, dictionary_rows, table_schema, write_table

if TYPE_CHECKING:
    import pandas as pd

    from retreat.model import Model
    from retreat.tables import Schema


@dataclass(frozen=True)
class Shared:
    """What was shared; for the clinic, since `changes` holds small counts.

    Parameters
    ----------
    folder : Path
        Where it is.
    crosswalk : Path
        What stays behind.
    files : tuple of str
        In the folder.
    is_new : bool
        False where the folder held exactly these bytes before.
    changes : DataFrame of int
        Cells changed: one row a column, one column a way.
    smallest : int
        Fewest patients who share a combination of what others may know.
    n_cases, n_patients : int
        Of the table.
    twin_shared : bool
        Whether the twin passed its check and is in the folder.
    model_shared : bool
        Whether the model is in the folder; not where it names values that the table hides.
    disclosure : Disclosure
        The check of the twin.
    notes : tuple of str
        What else to know.
    """

    folder: Path
    crosswalk: Path
    files: tuple[str, ...]
    is_new: bool
    changes: pd.DataFrame
    smallest: int
    n_cases: int
    n_patients: int
    twin_shared: bool
    model_shared: bool
    disclosure: Disclosure
    notes: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        """Plain lists and numbers."""
        changes = {
            str(column): {str(k): int(v) for k, v in row.items()} for column, row in self.changes.iterrows()
        }
        return {
            "folder": str(self.folder),
            "crosswalk": str(self.crosswalk),
            "files": list(self.files),
            "is_new": self.is_new,
            "cases": self.n_cases,
            "patients": self.n_patients,
            "smallest_group": self.smallest,
            "changes": changes,
            "twin_shared": self.twin_shared,
            "model_shared": self.model_shared,
            "twin_check": self.disclosure.to_json(),
            "notes": list(self.notes),
        }


def share(
    cases: pd.DataFrame,
    model: Model,
    folder: str | Path,
    *,
    crosswalk: str | Path,
    visits: pd.DataFrame | None = None,
    rule: Rule | None = None,
    seed: int = 1,
    inputs: Mapping[str, Path] | None = None,
) -> Shared:
    """Write a folder that may leave the clinic, whole or not at all.

    Parameters
    ----------
    cases, visits : DataFrame
        The clinic's tables, as from :func:`retreat.read_cases` and :func:`retreat.read_visits`.
    model : Model
        A saved model of the whole course (ends relieved and stopped); it holds no rows.
    folder : str or Path
        New, or as an earlier run left it.
    crosswalk : str or Path
        File that keeps who is who; made in the first run, read in later ones. It must lie outside the folder.
    rule : Rule, optional
        Who must look alike; default five patients.
    seed : int, from 0
        Of the twin and its check. Keys do not come from it.
    inputs : mapping of str to Path, optional
        Files that were read, so that none is written over.

    Returns
    -------
    Shared

    Raises
    ------
    TableError
        If a table, the crosswalk or a place is refused, a path stands where a table or the model is wanted, or
        something that must not leave is found in what would.
    FitError
        If the model is of another kind or failed its own checks, or the seed is out of range.

    Notes
    -----
    Identical bytes on a second run need the crosswalk: keys come from chance, never from the seed or the originals,
    so that who has the folder cannot compute them.
    """
    from retreat.errors import FitError

    _check_kinds(cases, visits, model)
    folder, crosswalk, rule = Path(folder), Path(crosswalk), rule or Rule()
    check_seed(seed)
    if model.card.failures:
        fix = "fit another, such as core; a twin drawn from this one would mislead"
        raise FitError(
            Fault("model", why, "a model that passed its own checks", fix) for why in model.card.failures
        )
    check_places(folder, crosswalk, inputs or {})
    own = as_cases(cases)
    links = read_crosswalk(crosswalk)
    tables = deidentified(own, visits, links, rule)
    law = learned(tables.cases)
    twin = as_cases(drawn(law, model, law.n_cases, np.random.default_rng(seed)))
    check = disclosure_of(tables.cases, model, rule.known, seed)
    identical = identical_rows(twin, tables.cases)
    twin_shared = check.passed and not identical
    files = _tables(tables, twin if twin_shared else None)
    hidden = names_hidden(model, own, tables.cases)
    told_model = with_coarse_card(model)
    if not hidden:
        files["model.retreat"] = _model_bytes(told_model)
    described = _descriptions("cases", CASES) | (
        _descriptions("visits", VISITS) if visits is not None else {}
    )
    notes = _notes(own, model, bool(hidden))
    account = tables.changes.shown()
    made = provenance.made_by()
    told = Told(
        len(tables.cases), int(tables.cases["patient"].nunique()), bool(own.attrs["invented"]), rule, tables.smallest,
        account, told_model, not hidden, law, check, identical, twin_shared, made, notes,
    )  # fmt: skip
    if account:
        files["changes.csv"] = _csv(account)
    files["provenance.json"] = _json(_provenance(made, rule, seed, told_model, law, check, twin_shared))
    files["README.md"] = readme(told, (*files, *described)).encode("utf-8")
    found = leaks(files, _originals(own, visits))
    if found:
        raise TableError(found)
    whole = with_sums(files | described)  # descriptions hold nothing of the clinic, but keys for example
    is_new = place(folder, whole, crosswalk, links.content())
    return Shared(
        folder, crosswalk, tuple(whole), is_new, tables.changes.frame(), tables.smallest, told.n_cases, told.n_patients,
        twin_shared, not hidden, check, (*notes, *_mend(hidden)),
    )  # fmt: skip


def _check_kinds(cases: object, visits: object, model: object) -> None:
    """Refuse a path where a table or model is wanted, and say what reads it."""
    from retreat.model import Model

    given = {"cases": cases} if visits is None else {"cases": cases, "visits": visits}
    faults = [
        Fault(name, f"a {type(table).__name__}", "a DataFrame", f"use retreat.read_{name}")
        for name, table in given.items()
        if not hasattr(table, "columns")
    ]
    if not isinstance(model, Model):
        faults.append(Fault("model", f"a {type(model).__name__}", "a Model", "use retreat.load"))
    if faults:
        raise TableError(faults)


def _tables(tables: Deidentified, twin: pd.DataFrame | None) -> dict[str, bytes]:
    """The tables as files."""
    files: dict[str, bytes] = {"cases.csv": _table_bytes(tables.cases, CASES)}
    if tables.visits is not None:
        files |= {"visits.csv": _table_bytes(tables.visits, VISITS)}
    if twin is not None:
        files["twin_cases.csv"] = _table_bytes(twin, CASES)
    return files


def _descriptions(name: str, schema: Schema) -> dict[str, bytes]:
    return {
        f"{name}_dictionary.csv": _csv(dictionary_rows(schema)),
        f"{name}_schema.json": _json(table_schema(schema)),
    }


def _table_bytes(table: pd.DataFrame, schema: Schema) -> bytes:
    """A table as `write_table` writes it."""
    with tempfile.TemporaryDirectory() as place_:
        path = Path(place_) / "table.csv"
        write_table(table, schema, path)
        return path.read_bytes()


def _model_bytes(model: Model) -> bytes:
    """The model saved anew: what else a file may carry stays behind."""
    with tempfile.TemporaryDirectory() as place_:
        return model.save(Path(place_) / "model.retreat").read_bytes()


def _csv(rows: Sequence[Mapping[str, str]]) -> bytes:
    text = io.StringIO()
    writer = csv.DictWriter(text, fieldnames=list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue().encode("utf-8")


def _json(value: object) -> bytes:
    return (json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False) + "\n").encode("utf-8")


def _notes(own: pd.DataFrame, model: Model, without: bool) -> tuple[str, ...]:
    """For whoever gets the folder: without counts, since their difference may be small."""
    notes: tuple[str, ...] = (f"{WITHOUT}.",) if without else ()
    if not rests_on_no_case(model) and model.card.n_cases + model.card.n_left_out != len(own):
        notes += ("The model was fitted to a table with another number of cases than this one.",)
    return notes


def _mend(hidden: tuple[str, ...]) -> tuple[str, ...]:
    """For the clinic: which features, and what to do."""
    if not hidden:
        return ()
    return (
        f"It names hidden values of {', '.join(hidden)}. To share a model, fit one to cases.csv of this folder, and "
        "share with it into a new folder, with the same crosswalk.",
    )


def _provenance(
    made: Mapping[str, Any],
    rule: Rule,
    seed: int,
    model: Model,
    law: TwinLaw,
    check: Disclosure,
    twin_shared: bool,
) -> dict[str, Any]:
    return {
        **made,
        "seed": seed,
        "rule": {"k": rule.k, "known": ["eye", *rule.known], "words": rule.words()},
        "model": {"id": model.model_id, "name": model.card.name, "method": model.card.method},
        "twin": {
            "shared": twin_shared,
            "invented": True,
            "cases": law.n_cases,
            "lost_after_a_session": law.lost,
            "longest_course": law.horizon,
            "check": check.to_json(),
        },
    }


def _originals(own: pd.DataFrame, visits: pd.DataFrame | None) -> Originals:
    of_visits = [] if visits is None else visits["operator"].tolist()
    return Originals.of(
        keys=[*own["case"], *own["patient"]], codes=[*own["operator"], *own["site"], *of_visits]
    )
