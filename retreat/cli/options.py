"""Options shared by commands; those of a case come from the schema, one a column."""

from __future__ import annotations

import inspect
from collections.abc import Callable
from typing import Annotated, Any

import typer

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


def with_case_options(command: Callable[..., None]) -> Callable[..., None]:
    """Command with one option a column of :data:`CASE_OPTIONS`, handed to it as ``values``.

    Parameters
    ----------
    command : callable
        Takes ``values``, a dict of the columns given as text, besides its own parameters.
    """

    def called(**given: Any) -> None:
        values = {name: given.pop(name) for name in CASE_OPTIONS}
        command(values={name: text for name, text in values.items() if text is not None}, **given)

    own = [p for p in inspect.signature(command, eval_str=True).parameters.values() if p.name != "values"]
    added = [_parameter(name) for name in CASE_OPTIONS]
    called.__signature__ = inspect.Signature([*own, *added])  # type: ignore[attr-defined]  # read by typer
    called.__annotations__ = {p.name: p.annotation for p in (*own, *added)}
    called.__doc__ = command.__doc__
    return called


def one_case(values: dict[str, str]) -> dict[str, list[str | float | int]]:
    """Columns of one case from text, checked by the schema; all faults at once.

    Raises
    ------
    TableError
        If a value is not allowed.
    """
    from retreat.errors import Fault, TableError

    case: dict[str, list[str | float | int]] = {}
    faults: list[Fault] = []
    for name, text in values.items():
        try:
            case[name] = [parse_value(name, text)]
        except TableError as error:
            faults += [
                Fault("--" + name.replace("_", "-"), f.what, f.allowed, f.fix, column=name, value=text)
                for f in error.faults
            ]
    if faults:
        raise TableError(faults)
    return case


def _parameter(name: str) -> inspect.Parameter:
    column = find(name)
    text = f"{column.meaning} ({allowed_range(column)})"
    option = typer.Option(
        "--" + name.replace("_", "-"), help=text, rich_help_panel=None, metavar=name.upper()
    )
    return inspect.Parameter(
        name, inspect.Parameter.KEYWORD_ONLY, default=None, annotation=Annotated[str | None, option]
    )
