"""Options shared by commands; those of a case come from the schema, one a column."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import click

from retreat.tables.column import allowed_range
from retreat.tables.schema import find, parse_value

# columns of `cases` known before or during a course that a model may use
CASE_OPTIONS = (
    "opacity",
    "opacities",
    "size_mm",
    "lens_gap_mm",
    "retina_gap_mm",
    "zone",
    "eccentricity_deg",
    "cornea",
    "lens",
    "sphere_d",
    "axial_mm",
    "pupil_mm",
    "pvd",
    "eye",
    "age",
    "relief_before",
    "sessions",
)

FILE = click.Path(path_type=Path)

Command = Callable[..., None]


def model_option(command: Command) -> Command:
    """Add ``--model``: which definition."""
    return click.option(
        "--model",
        "definition",
        default="core",
        show_default=True,
        help="Shipped definition, or path of a TOML file.",
    )(command)


def method_option(command: Command) -> Command:
    """Add ``--method``: how it is fitted."""
    return click.option("--method", help="logistic, bayes or lifetable; default the definition's own.")(
        command
    )


def seed_option(command: Command) -> Command:
    """Add ``--seed``."""
    return click.option("--seed", default=1, show_default=True, help="Seed of everything random.")(command)


def json_option(command: Command) -> Command:
    """Add ``--json``."""
    return click.option("--json", "as_json", is_flag=True, help="Print JSON for a program to read.")(command)


def case_options(command: Command) -> Command:
    """Add one option a column of :data:`CASE_OPTIONS`, each passed on as text or None."""
    for name in reversed(CASE_OPTIONS):
        column = find(name)
        text = f"{column.meaning} ({allowed_range(column)})"
        command = click.option(_flag(name), name, metavar="VALUE", help=text)(command)
    return command


def one_case(values: Mapping[str, str | None]) -> dict[str, list[Any]]:
    """Columns of one case from text, checked by the schema; all faults at once.

    Parameters
    ----------
    values : mapping of str to str or None
        Columns as given; None where an option was not used.

    Raises
    ------
    TableError
        If a value is not allowed.
    """
    from retreat.errors import Fault, TableError

    case: dict[str, list[Any]] = {}
    faults: list[Fault] = []
    for name, text in values.items():
        if text is None:
            continue
        try:
            case[name] = [parse_value(name, text)]
        except TableError as error:
            faults += [
                Fault(_flag(name), f.what, f.allowed, f.fix, column=name, value=text) for f in error.faults
            ]
    if faults:
        raise TableError(faults)
    return case


def _flag(column: str) -> str:
    return "--" + column.replace("_", "-")
