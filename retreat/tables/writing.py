"""Tables, blank templates and their descriptions written to files, whole or not at all."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

from retreat.errors import Fault, TableError
from retreat.features import MISSING_CODES
from retreat.files import write_whole
from retreat.tables.column import Schema
from retreat.tables.dictionary import dictionary_rows, table_schema
from retreat.tables.schema import CASES, VISITS, name_of

if TYPE_CHECKING:
    import pandas as pd


def write_atomically(path: str | Path, content: bytes | str) -> None:
    """Write a file whole or not at all: beside its place first, then renamed.

    Parameters
    ----------
    path : str or Path
        Where; a file of that name is replaced.
    content : bytes or str
        What; text is written as UTF-8.

    Raises
    ------
    TableError
        If the folder is missing or cannot be written to; nothing is left behind.
    """
    path = Path(path)
    try:
        write_whole(path, content.encode("utf-8") if isinstance(content, str) else content)
    except OSError as error:
        what = f"the file cannot be written ({error.strerror})"
        raise TableError(
            Fault(str(path), what, "a folder you may write to", "choose another place")
        ) from None


def blank_template(schema: Schema) -> str:
    """A CSV file with the header of a table and nothing else.

    Parameters
    ----------
    schema : Schema
        `CASES` or `VISITS`.

    Returns
    -------
    str

    Examples
    --------
    >>> blank_template(VISITS).strip()
    'case,session,day,operator,pulses,energy_mj,cleared,fragments,bother,event,missed'
    """
    return ",".join(column.name for column in schema) + "\n"


def write_templates(folder: str | Path) -> tuple[Path, ...]:
    """Blank tables, their data dictionaries and their Table Schemas, for a clinic that starts.

    Parameters
    ----------
    folder : str or Path
        Made if it is not there.

    Returns
    -------
    tuple of Path
        The six files.

    Raises
    ------
    TableError
        If one of the files exists already, or the folder cannot be written to; then none is written.
    """
    folder = Path(folder)
    contents: dict[Path, str] = {}
    for schema in (CASES, VISITS):
        name = name_of(schema)
        contents[folder / f"{name}_template.csv"] = blank_template(schema)
        contents[folder / f"{name}_dictionary.csv"] = _csv(dictionary_rows(schema))
        contents[folder / f"{name}_schema.json"] = json.dumps(table_schema(schema), indent=2) + "\n"
    there = [path for path in contents if path.exists()]
    if there:
        raise TableError(
            Fault(str(path), "the file exists", "a new file", "choose another folder") for path in there
        )
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        what = f"the folder cannot be made ({error.strerror})"
        raise TableError(Fault(str(folder), what, "", "choose another place")) from None
    for path, content in contents.items():
        write_atomically(path, content)
    return tuple(contents)


def _csv(rows: Iterable[dict[str, str]]) -> str:
    rows = list(rows)
    text = io.StringIO()
    writer = csv.DictWriter(text, fieldnames=list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


def write_table(frame: pd.DataFrame, schema: Schema, path: str | Path) -> None:
    """Write a sound table to a file that `read_cases` or `read_visits` reads back as the same frame.

    A typed frame no longer knows which missing code each `nan` stood for: in a CSV file they are written as
    the one code the column held, or as not_recorded where it held several.

    Parameters
    ----------
    frame : DataFrame
        Typed, as from `read_cases`.
    schema : Schema
        `CASES` or `VISITS`.
    path : str or Path
        Ending in .csv or .parquet.

    Raises
    ------
    TableError
        If the frame has a fault, the ending is another, or the place cannot be written to.
    """
    # pandas is needed only to write a frame, not to write a template
    from retreat.tables.reading import as_cases, as_visits

    path = Path(path)
    typed = as_cases(frame) if schema == CASES else as_visits(frame)
    if path.suffix.lower() == ".csv":
        missing = typed.attrs["missing"]
        text = typed.assign(
            **{c.name: _number_text(typed[c.name], missing.get(c.name, {})) for c in schema if c.is_number}
        )
        write_atomically(path, text.to_csv(index=False, lineterminator="\n"))
    elif path.suffix.lower() == ".parquet":
        content = io.BytesIO()
        typed.to_parquet(content, index=False)
        write_atomically(path, content.getvalue())
    else:
        what = f"files ending in {path.suffix or 'nothing'} are not written"
        raise TableError(Fault(path.name, what, ".csv or .parquet", "choose one of these endings"))


def _number_text(numbers: pd.Series, missing: dict[str, int]) -> list[str]:
    """Numbers as the shortest text that reads back as the same number."""
    code = next(iter(missing)) if len(missing) == 1 else MISSING_CODES[0]
    return [code if n != n else repr(n).removesuffix(".0") for n in numbers.tolist()]
