"""The two tables of a clinic as data: `cases`, one row a case, and `visits`, one row a session."""

from __future__ import annotations

from retreat.errors import Fault, TableError
from retreat.features import MISSING_CODES
from retreat.tables.cells import fault_of, number_of
from retreat.tables.column import Column, Schema, allowed_range, allowed_values
from retreat.tables.nearest import nearest

__all__ = [
    "CASES",
    "MISSING_CODES",
    "VISITS",
    "Column",
    "Schema",
    "allowed_range",
    "allowed_values",
    "find",
    "name_of",
    "parse_value",
]

# Ranges are our own definition: wide enough that only a slip of the pen falls outside.
CASES: Schema = (
    Column(
        "case",
        "key",
        "random key of the case, never derived from a record number",
        required=True,
        may_be_missing=False,
        unique=True,
    ),
    Column(
        "patient",
        "key",
        "random key of the patient; two eyes of one patient share it",
        required=True,
        may_be_missing=False,
    ),
    Column("eye", "category", "which eye", levels=("right", "left"), required=True, may_be_missing=False),
    Column("operator", "text", "code of the operator"),
    Column("site", "text", "code of the site; invented data begin with invented_"),
    Column("started", "date", "first session: date or year; not_applicable before it", required=True),
    Column(
        "sessions",
        "integer",
        "sessions done so far; 0 only for a case not yet begun",
        low=0,
        high=40,
        required=True,
        may_be_missing=False,
    ),
    Column(
        "ending",
        "category",
        "how the case stands after the last session; ongoing also when lost to follow-up",
        levels=("relieved", "stopped", "ongoing"),
        required=True,
        may_be_missing=False,
    ),
    Column(
        "stop_reason",
        "category",
        "why the case was stopped; only with ending stopped",
        levels=("no_benefit", "side_effect", "surgery", "choice"),
    ),
    Column(
        "opacity",
        "category",
        "the dominant kind of opacity",
        levels=("ring", "strand", "cloud", "sheet"),
        required=True,
    ),
    Column("opacities", "category", "how many opacities", levels=("single", "few", "many")),
    Column("size_mm", "number", "longest dimension of the opacity", unit="mm", low=0.1, high=15),
    Column("lens_gap_mm", "number", "distance from the back of the lens", unit="mm", low=0, high=25),
    Column("retina_gap_mm", "number", "distance from the retina", unit="mm", low=0, high=25),
    Column(
        "zone",
        "category",
        "third of the vitreous; used when the gaps are not measured",
        levels=("anterior", "middle", "posterior"),
    ),
    Column(
        "eccentricity_deg",
        "number",
        "angle from the line of sight; 0 is central",
        unit="degrees",
        low=0,
        high=60,
    ),
    Column(
        "cornea",
        "category",
        "corneal refractive surgery",
        levels=("none", "myopic_ablation", "hyperopic_ablation", "incisional"),
    ),
    Column("lens", "category", "the lens in the eye", levels=("natural", "monofocal", "multifocal")),
    Column(
        "sphere_d",
        "number",
        "spherical equivalent before any corneal surgery",
        unit="dioptres",
        low=-30,
        high=20,
    ),
    Column("axial_mm", "number", "axial length of the eye", unit="mm", low=18, high=36),
    Column("pupil_mm", "number", "diameter of the dilated pupil", unit="mm", low=2, high=10),
    Column("pvd", "category", "posterior vitreous detachment", levels=("complete", "partial", "none")),
    Column("age", "number", "age at the first session", unit="years", low=18, high=100, top_code=90),
    Column("relief_before", "number", "how much it bothers before, patient's rating", low=0, high=10),
    Column("relief_after", "number", "how much it bothers after, patient's rating", low=0, high=10),
)

VISITS: Schema = (
    Column("case", "key", "key of the case", required=True, may_be_missing=False, refers_to="cases.case"),
    Column(
        "session",
        "integer",
        "number of the session, from 1; a missed row carries the number it was booked for",
        low=1,
        high=41,  # one beyond the most a case may have: a booking missed after the last session
        required=True,
        may_be_missing=False,
    ),
    # 1990 to today is some 13,000 days
    Column("day", "integer", "days since the first session", unit="days", low=0, high=15000),
    Column("operator", "text", "code of the operator"),
    # published means lie at 118 to 315 pulses and 3.8 to 6 mJ (values L20-L26); the ranges are generous
    Column("pulses", "integer", "pulses in the session", low=0, high=5000),
    Column("energy_mj", "number", "mean energy of a pulse", unit="mJ", low=0, high=50),
    Column("cleared", "number", "share of the original opacity judged gone so far", low=0, high=1),
    Column("fragments", "category", "fragments seen", levels=("none", "few", "many")),
    Column("bother", "number", "how much it bothers, patient's rating", low=0, high=10),
    Column(
        "event",
        "category",
        "what went wrong",
        levels=("none", "lens_hit", "retina_hit", "pressure", "other"),
    ),
    Column("missed", "category", "booked, not attended", levels=("yes", "no")),
)


def name_of(schema: Schema) -> str:
    """Name of a table from its schema.

    Parameters
    ----------
    schema : Schema
        `CASES` or `VISITS`.

    Returns
    -------
    str
        `cases` or `visits`.

    Raises
    ------
    ValueError
        If the schema is neither.

    Examples
    --------
    >>> name_of(VISITS)
    'visits'
    """
    for name, known in (("cases", CASES), ("visits", VISITS)):
        if schema == known:
            return name
    raise ValueError("schema must be CASES or VISITS")


def find(name: str, schema: Schema = CASES) -> Column:
    """The column of that name.

    Parameters
    ----------
    name : str
        As written in the header.
    schema : Schema
        The table to look in.

    Returns
    -------
    Column

    Raises
    ------
    TableError
        If the table has no such column; the fault names the nearest.

    Examples
    --------
    >>> find("size_mm").unit
    'mm'
    """
    for column in schema:
        if column.name == name:
            return column
    names = [column.name for column in schema]
    near = nearest(name, names)
    fix = f"write {near}" if near else "use one of these names"
    raise TableError(Fault(name, f"{name_of(schema)} has no such column", ", ".join(names), fix, column=name))


def parse_value(column: Column | str, text: str) -> str | float | int:
    """One value given as text, checked and typed as the typed table would hold it.

    Parameters
    ----------
    column : Column or str
        A column, or the name of a column of `cases`.
    text : str
        As it would stand in a cell.

    Returns
    -------
    str, float or int
        A number for number columns (an int where the column is whole and never missing, `nan` for a
        missing code), the text itself otherwise.

    Raises
    ------
    TableError
        If the text is not allowed; the fault says what is, and the nearest allowed value.

    Examples
    --------
    >>> parse_value("size_mm", "2.5"), parse_value("opacity", "ring"), parse_value("sessions", "2")
    (2.5, 'ring', 2)
    >>> parse_value("opacity", "Ring ")
    Traceback (most recent call last):
    ...
    retreat.errors.TableError: opacity: value 'Ring '; allowed: ring, strand, cloud, sheet; or \
not_recorded, not_applicable, unknown; to mend: write ring
    """
    known = find(column) if isinstance(column, str) else column
    fault = fault_of(known, text)
    if fault is not None:
        raise TableError(fault)
    if not known.is_number:
        return text
    number = number_of(text)
    return int(number) if known.kind == "integer" and not known.may_be_missing else number
