"""The counselling sheet as plain text for the terminal: the same numbers and sentences, marks for figures."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from retreat.pages import course_words, figures, words
from retreat.pages.record import CourseRow, Sheet, UnderWay

WIDTH = 80
_NAME_WIDTH = 38
_CELL_WIDTH = 10
_COURSE_WIDTH = 16


def lines(sheet: Sheet, *, width: int = WIDTH) -> list[str]:
    """Lines of the sheet, none wider than `width`.

    Parameters
    ----------
    sheet : Sheet
        From `build_sheet`.
    width : int, at least 78
        Columns of the terminal.

    Returns
    -------
    list of str
    """
    told = [sheet.framing, sheet.likely, sheet.ends_mean]
    blocks = [
        *([_box(sheet.banners, width)] if sheet.banners else []),
        [sheet.title, "=" * len(sheet.title)],
        *(_wrapped(line, width) for line in sheet.warnings),
        _wrapped(f"{sheet.course} {sheet.headline}".strip(), width),
        *([_array(sheet), _table(sheet)] if sheet.rows else []),
        _wrapped(" ".join(text for text in told if text), width),
    ]
    if sheet.under_way:
        blocks += _course(sheet.under_way, width)
    if sheet.rows:
        blocks.append(_section(words.LIKE_HEADING, " ".join(sheet.like), width))
    if sheet.moved_lead:
        moved = [line for text in sheet.moved for line in _wrapped(f"- {text}.", width, "  ")]
        blocks.append([*_section(words.MOVED_HEADING, sheet.moved_lead, width), *moved])
    blocks += [
        _section(words.CAUTIONS_HEADING, " ".join(sheet.cautions), width),
        _box((sheet.urgent,), width),
        [line for name, text in sheet.about for line in _wrapped(f"{name}: {text}", width, "  ")],
    ]
    if sheet.for_clinic:
        clinic = [line for text in sheet.for_clinic for line in _wrapped(f"- {text}", width, "  ")]
        blocks.append([words.CLINIC_HEADING, *clinic])
    return [line for block in blocks for line in (*block, "")][:-1]


def render_text(sheet: Sheet, *, width: int = WIDTH) -> str:
    """All lines as one text."""
    return "\n".join(lines(sheet, width=width)) + "\n"


def _wrapped(sentence: str, width: int, indent: str = "") -> list[str]:
    return textwrap.wrap(sentence, width, subsequent_indent=indent, break_on_hyphens=False)


def _section(heading: str, sentence: str, width: int) -> list[str]:
    return [heading, *_wrapped(sentence, width)]


def _box(sentences: tuple[str, ...], width: int) -> list[str]:
    rule = "*" * width
    return [rule, *(line for sentence in sentences for line in _wrapped(sentence, width)), rule]


def _array(sheet: Sheet) -> list[str]:
    marks = list(figures.marks(sheet.states))
    wide = max(len(mark) for mark in marks)
    rows = [marks[i : i + figures.PER_ROW] for i in range(0, len(marks), figures.PER_ROW)]
    return ["  " + " ".join(mark.rjust(wide) for mark in row) for row in rows]


def _table(sheet: Sheet) -> list[str]:
    first, *others = words.HEADINGS
    head = first.ljust(_NAME_WIDTH) + "".join(name.rjust(_CELL_WIDTH) for name in others)
    body = []
    for state, name, cells in sheet.table:
        label = name if name == state.mark else f"{state.mark}  {name}"
        told = "".join(count.rjust(_CELL_WIDTH) for _, count in cells)
        body.append(label.ljust(len(head) - len(told)) + told)
    return [sheet.caption, head, "-" * len(head), *body]


def _course(course: UnderWay, width: int) -> list[list[str]]:
    return [
        _course_table(course.strip_caption, course_words.STRIP_HEADINGS, course.strip_rows),
        _course_table(course_words.COME, course.step_headings, course.step_rows),
        _section(course.go_on_heading, " ".join(course.go_on), width),
        _section(course_words.STOP_HEADING, " ".join(course.stop), width),
        _section(course_words.BEFORE_HEADING, f"{course.at_start} {course.used}", width),
    ]


def _course_table(caption: str, headings: Sequence[str], rows: Sequence[CourseRow]) -> list[str]:
    lines = [headings, *((name, *cells) for name, _, cells in rows)]
    head, *body = ("".join(text.ljust(_COURSE_WIDTH) for text in line).rstrip() for line in lines)
    return [caption, head, "-" * len(head), *body]
