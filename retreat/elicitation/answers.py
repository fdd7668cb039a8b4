"""An operator's answers: of 100 eyes like this, how many are done after 1, 2, 3 sessions; asked, read, checked."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from retreat.coding import Coding
from retreat.definitions import LAST_SESSION, Definition
from retreat.elicitation.eyes import Eye, coded, columns_needed, eyes_to_ask
from retreat.errors import Fault, RetreatError, TableError
from retreat.features import FEATURES
from retreat.fitting.prior_draws import refuse_without_priors
from retreat.tables.nearest import nearest
from retreat.tables.schema import parse_value
from retreat.tables.writing import write_atomically

FloatArray = NDArray[np.float64]

# sessions an operator is asked about: by the third most courses are over in published series (values L01-L08)
_ASKED_TO = 3
_NAME = "description"
_LEAST_EYES = 2
_COUNT = "a number from 0 to 100"


@dataclass(frozen=True)
class Question:
    """Of 100 eyes like this, how many have ended so by this session; `end` counts from 0."""

    end: int
    session: int
    column: str
    optional: bool


@dataclass(frozen=True)
class Answers:
    """Checked answers.

    Parameters
    ----------
    eyes : tuple of Eye
        Eyes answered for.
    counts : ndarray of float, shape (eyes, questions)
        Of 100; NaN where an optional question was left open.
    questions : tuple of Question
        The first end by session 1, 2, ..., then the other ends by the last session asked.
    notes : tuple of str
        What was left out, in words.
    """

    eyes: tuple[Eye, ...]
    counts: FloatArray
    questions: tuple[Question, ...]
    notes: tuple[str, ...] = ()

    @property
    def n_sessions(self) -> int:
        """Last session asked about."""
        return max(question.session for question in self.questions)

    @property
    def alike(self) -> bool:
        """Whether the same was said of every eye, where anything was said."""
        given = [column[~np.isnan(column)] for column in self.counts.T]
        return all(len(column) == 0 or np.ptp(column) == 0.0 for column in given)


def questions_for(definition: Definition) -> tuple[Question, ...]:
    """What an operator is asked of each eye.

    Examples
    --------
    >>> from retreat.definitions import read_definition
    >>> [question.column for question in questions_for(read_definition("core"))]
    ['relieved_1', 'relieved_2', 'relieved_3', 'stopped_3']
    """
    last = min(_ASKED_TO, LAST_SESSION[definition.outcome] or _ASKED_TO)
    first, *others = definition.ends
    return (
        *(Question(0, k, f"{first}_{k}", optional=False) for k in range(1, last + 1)),
        *(Question(j, last, f"{end}_{last}", optional=True) for j, end in enumerate(others, start=1)),
    )


def template(definition: Definition) -> str:
    """An answers table to fill in, as CSV: described eyes that span the terms, answers left blank."""
    columns = columns_needed(definition)
    asked = [question.column for question in questions_for(definition)]
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow([_NAME, *columns, *asked])
    for eye in eyes_to_ask(definition):
        writer.writerow([eye.name, *(_cell(eye.columns[name]) for name in columns), *[""] * len(asked)])
    return text.getvalue()


def write_template(definition: Definition, path: str | Path) -> Path:
    """Write :func:`template` to a new file.

    Raises
    ------
    FitError
        If the definition has no priors.
    TableError
        If the file exists or cannot be written.
    """
    refuse_without_priors(definition)
    target = Path(path)
    if target.exists():
        raise TableError(Fault(str(path), "the file exists", "a new file", "choose another name"))
    write_atomically(target, template(definition))
    return target


def read_answers(path: str | Path, definition: Definition, coding: Coding) -> Answers:
    """Read a filled-in answers table.

    A row whose answers are all blank is left out. The answers of the other ends may be left blank one by one.

    Parameters
    ----------
    path : str or Path
        CSV, UTF-8, with the columns of the template; columns that describe an eye may be added.
    definition : Definition
        What the answers are for.
    coding : Coding
        Its coding, to see that every eye can be described.

    Raises
    ------
    TableError
        If the file or a value is refused; every fault with its row, column and value.
    """
    refuse_without_priors(definition)
    lines = _lines(Path(path))
    header = [name.strip() for name in lines[0]]
    questions = questions_for(definition)
    _check_header(header, questions, str(path))
    faults: list[Fault] = []
    eyes, counts, rows = [], [], []
    blank = 0
    for row, line in enumerate(lines[1:], start=2):
        if not any(cell.strip() for cell in line):
            continue
        if len(line) != len(header):
            what = f"{len(line)} cells under {len(header)} columns"
            faults.append(Fault("row", what, "one cell a column", "look for a comma too many", row=row))
            continue
        cells = {name: cell.strip() for name, cell in zip(header, line, strict=True)}
        answers = [cells.get(question.column, "") for question in questions]
        if not any(answers):
            blank += 1
            continue
        eye, wrong = _eye(cells, row)
        values, wrong_counts = _counts(answers, questions, row)
        found = wrong + (wrong_counts or _count_faults(values, questions, row))
        found += _undescribed([eye], [row], definition, coding) if not wrong else []
        faults += found
        eyes.append(eye)
        counts.append(values)
        rows.append(row)
    if faults:
        raise TableError(faults)
    notes = (f"{blank} eye{'s' if blank > 1 else ''} without answers left out",) if blank else ()
    array = np.array(counts, dtype=float).reshape(len(eyes), len(questions))
    return checked_answers(eyes, array, definition, coding, rows=rows, notes=notes)


def checked_answers(
    eyes: Sequence[Eye],
    counts: FloatArray,
    definition: Definition,
    coding: Coding,
    *,
    rows: Sequence[int] | None = None,
    notes: tuple[str, ...] = (),
) -> Answers:
    """Answers of described eyes, refused where they contradict themselves or the model cannot describe an eye.

    Refused too where every one is 0 or 100 of the first end: certainties are no opinion that cases could correct.

    Parameters
    ----------
    eyes : sequence of Eye
        At least two.
    counts : ndarray of float, shape (eyes, questions)
        Of 100, in the order of :func:`questions_for`; NaN where an optional question was left open.
    definition, coding
        What the answers are for.
    rows : sequence of int, optional
        Rows of a file; by default those of a table with one row an eye.
    notes : tuple of str
        What was left out before.

    Raises
    ------
    TableError
        If anything is refused; every fault at once.
    """
    questions = questions_for(definition)
    places = list(range(2, len(eyes) + 2)) if rows is None else list(rows)
    faults: list[Fault] = []
    for row, values in zip(places, counts, strict=True):
        faults += _count_faults(values, questions, row)
    if len(eyes) < _LEAST_EYES:
        what = f"{len(eyes)} eye{'' if len(eyes) == 1 else 's'} answered"
        fix = "answer for more eyes: from one alone nothing can be told of what makes courses long"
        faults.append(Fault("answers", what, f"at least {_LEAST_EYES}", fix))
    elif not faults:
        faults += _certain(counts, questions)
    faults += _undescribed(eyes, places, definition, coding)
    if faults:
        raise TableError(faults)
    return Answers(tuple(eyes), counts, questions, notes)


def _certain(counts: FloatArray, questions: tuple[Question, ...]) -> list[Fault]:
    """Refusal of answers that are all 0, all 100, or nothing else."""
    asked = [q for q, question in enumerate(questions) if question.end == 0]
    told = np.unique(counts[:, asked])
    if not np.isin(told, (0.0, 100.0)).all():
        return []
    names = ", ".join(questions[q].column for q in asked)
    what = f"every answer is {' or '.join(f'{value:g}' for value in told)}"
    fix = (
        "nobody is as sure of every kind of eye: say of how many of 100 it would be so, one or two if it is rare; "
        "leave all answers of an eye blank where you cannot say"
    )
    return [Fault(names, what, "a number between 0 and 100 for some kind of eye at least", fix)]


def _undescribed(
    eyes: Sequence[Eye], rows: Sequence[int], definition: Definition, coding: Coding
) -> list[Fault]:
    """Why the model cannot describe some of these eyes."""
    if not eyes:
        return []
    try:
        coded(eyes, definition, coding)
    except RetreatError as error:
        return [f if f.row is None else replace(f, row=rows[f.row - 2]) for f in error.faults]
    return []


def _lines(path: Path) -> list[list[str]]:
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise TableError(Fault(str(path), "no such file", "a CSV file", "check the path")) from None
    except (OSError, UnicodeDecodeError) as error:
        what = f"not readable ({getattr(error, 'strerror', None) or 'not UTF-8'})"
        raise TableError(Fault(str(path), what, "CSV in UTF-8", "save it as CSV UTF-8")) from None
    try:
        lines = list(csv.reader(io.StringIO(text), strict=True))
    except csv.Error as error:
        raise TableError(
            Fault(str(path), f"no sound CSV ({error})", "CSV", "look for an open quotation mark")
        ) from None
    if not lines or not any(cell.strip() for cell in lines[0]):
        fix = "begin with retreat elicit --template FILE"
        raise TableError(Fault(str(path), "the file is empty", "an answers table", fix))
    return lines


def _check_header(header: list[str], questions: tuple[Question, ...], path: str) -> None:
    describing = tuple(dict.fromkeys(column for feature in FEATURES.values() for column in feature.needs))
    asked = tuple(question.column for question in questions)
    known = (_NAME, *describing, *asked)
    if len(header) == 1 and ";" in header[0]:
        raise TableError(
            Fault(path, "columns separated by semicolons", "commas", "save it as CSV with commas", row=1)
        )
    faults = [
        Fault(name, "a second column of this name", "each once", "drop one", row=1, column=name, value=name)
        for place, name in enumerate(header)
        if name and name in header[:place]
    ]
    for place, name in enumerate(header, start=1):
        if name not in known:
            near = nearest(name, known)
            fix = f"write {near}" if near else "drop the column"
            where = name or f"column {place}"
            what = "unknown column" if name else "a column without a name"
            faults.append(Fault(where, what, ", ".join(known), fix, row=1, column=name, value=name))
    faults += [
        Fault(q.column, "the column is missing", ", ".join(asked), f"add {q.column}", row=1, column=q.column)
        for q in questions
        if not q.optional and q.column not in header
    ]
    if faults:
        raise TableError(faults)


def _eye(cells: Mapping[str, str], row: int) -> tuple[Eye, list[Fault]]:
    columns: dict[str, str | float] = {}
    faults: list[Fault] = []
    described = {column for feature in FEATURES.values() for column in feature.needs}
    for name in described & cells.keys():
        if not cells[name]:
            continue
        try:
            columns[name] = parse_value(name, cells[name])
        except TableError as error:
            faults += [replace(fault, row=row) for fault in error.faults]
    words = ", ".join(_cell(value) for value in columns.values())
    return Eye(cells.get(_NAME) or words or f"row {row}", columns), faults


def _counts(
    answers: Sequence[str], questions: tuple[Question, ...], row: int
) -> tuple[list[float], list[Fault]]:
    values, faults = [], []
    for text, question in zip(answers, questions, strict=True):
        value = math.nan
        if text:
            try:
                value = float(text.replace("_", "no digit"))  # Python would read 1_5 as 15
            except ValueError:
                value = math.inf
            if not math.isfinite(value):
                fix = "write how many of 100, digits alone"
                faults.append(_fault(question, row, text, _COUNT, fix))
                value = math.nan
        elif not question.optional:
            fix = "fill it in, or leave all answers of this eye blank"
            faults.append(_fault(question, row, "", _COUNT, fix))
        values.append(value)
    return values, faults


def _count_faults(
    values: Sequence[float] | FloatArray, questions: tuple[Question, ...], row: int
) -> list[Fault]:
    faults = [
        _fault(question, row, f"{value:g}", _COUNT, "write how many of 100 eyes")
        for value, question in zip(values, questions, strict=True)
        if not (math.isnan(value) and question.optional) and not 0 <= value <= 100
    ]
    if faults:
        return faults
    first = [(value, q) for value, q in zip(values, questions, strict=True) if q.end == 0]
    fix = "write how many are done in all by then, not how many more"
    for (before, earlier), (after, later) in pairwise(first):
        if after < before:
            allowed = f"{before:g} to 100, since {earlier.column} is {before:g}"
            faults.append(_fault(later, row, f"{after:g}", allowed, fix))
    total = first[-1][0]
    for value, question in zip(values, questions, strict=True):
        if question.end == 0 or math.isnan(value):
            continue
        if total + value > 100 and total <= 100:
            allowed = f"0 to {100 - total:g}, since {first[-1][1].column} is {first[-1][0]:g}"
            faults.append(_fault(question, row, f"{value:g}", allowed, "together at most 100 of 100 eyes"))
        total += value
    return faults


def _fault(question: Question, row: int, value: str, allowed: str, fix: str) -> Fault:
    what = f"value {value}" if value else "the cell is blank"
    return Fault(question.column, what, allowed, fix, row=row, column=question.column, value=value)


def _cell(value: str | float) -> str:
    return value if isinstance(value, str) else f"{value:g}"
