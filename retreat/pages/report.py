"""Report pages: headings, paragraphs, figures and tables put into one self-contained HTML file."""

from __future__ import annotations

import base64
import math
from collections.abc import Sequence
from dataclasses import dataclass

from retreat.pages.html import render

Cell = str | int | float | None


@dataclass(frozen=True)
class Figure:
    """A picture in a report.

    Parameters
    ----------
    image : str
        An SVG document, or a data URI of an image.
    alt : str
        What the picture shows, for a reader who cannot see it.
    caption : str
        Text below it; may be empty.
    """

    image: str
    alt: str
    caption: str = ""

    @property
    def source(self) -> str:
        """The picture as a data URI.

        Raises
        ------
        ValueError
            If the image is neither SVG nor a data URI of an image.
        """
        image = self.image.strip()
        if image.startswith("data:image/"):
            return image
        if image.startswith(("<svg", "<?xml")):
            return "data:image/svg+xml;base64," + base64.b64encode(image.encode()).decode()
        raise ValueError("a figure needs an SVG document or a data URI of an image")


@dataclass(frozen=True)
class Table:
    """A table in a report; the first cell of a row names the row.

    Parameters
    ----------
    caption : str
        What the table shows.
    columns : sequence of str
        Names of the columns.
    rows : sequence of sequence of str, int, float or None
        Floats are shown with three decimals, NaN as "not available", None as an empty cell.
    """

    caption: str
    columns: Sequence[str]
    rows: Sequence[Sequence[Cell]]

    @property
    def texts(self) -> list[list[str]]:
        """Cells as shown.

        Raises
        ------
        ValueError
            If a row has more or fewer cells than there are columns.
        """
        for row in self.rows:
            if len(row) != len(self.columns):
                raise ValueError(f"{self.caption}: {len(row)} cells in a row of {len(self.columns)} columns")
        return [[_shown(cell) for cell in row] for row in self.rows]


@dataclass(frozen=True)
class Section:
    """A heading and what stands below it, in this order: paragraphs, figures, tables."""

    heading: str
    paragraphs: Sequence[str] = ()
    figures: Sequence[Figure] = ()
    tables: Sequence[Table] = ()


@dataclass(frozen=True)
class Link:
    """A page beside the index: relative address, name, one sentence."""

    address: str
    name: str
    sentence: str


def render_report(
    title: str, intro: Sequence[str], sections: Sequence[Section], *, banners: Sequence[str] = ()
) -> str:
    """Report as one HTML page; nothing is computed here.

    Parameters
    ----------
    title : str
        Title of the page.
    intro : sequence of str
        Paragraphs before the first section.
    sections : sequence of Section
        The report.
    banners : sequence of str
        What must be read first, such as the cautions of a model card.

    Returns
    -------
    str
        The page.
    """
    return render("calibration.html", title=title, intro=intro, sections=sections, banners=banners)


def _shown(cell: Cell) -> str:
    if cell is None:
        return ""
    if isinstance(cell, float):
        return "not available" if math.isnan(cell) else f"{cell:.3f}".replace("-0.000", "0.000")
    return str(cell)
