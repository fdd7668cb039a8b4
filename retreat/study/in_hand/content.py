"""What a page says, apart from how it looks: headings, paragraphs, lines to copy, tables and pictures."""

from __future__ import annotations

from dataclasses import dataclass

# letters of a cell beyond which it is read as words
_LONGEST_NUMBER = 24


@dataclass(frozen=True)
class Grid:
    """A table of words; the first cell of a row names the row.

    Parameters
    ----------
    caption : str
        What it shows.
    columns : tuple of str
        Heads of the columns.
    rows : tuple of tuple of str
        As many cells as columns in each.

    Raises
    ------
    ValueError
        If a row has more or fewer cells than there are columns.
    """

    caption: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]

    def __post_init__(self) -> None:
        for row in self.rows:
            if len(row) != len(self.columns):
                raise ValueError(f"{self.caption}: {len(row)} cells in a row of {len(self.columns)} columns")

    @property
    def wordy(self) -> tuple[bool, ...]:
        """Of each column whether it holds words rather than numbers."""
        return tuple(
            any(len(row[i]) > _LONGEST_NUMBER for row in self.rows) for i in range(len(self.columns))
        )


@dataclass(frozen=True)
class Picture:
    """A picture in the two forms a page may need.

    Parameters
    ----------
    name : str
        Name of its file, without ending.
    svg, png : bytes
        The picture.
    alt : str
        What it shows, for a reader who cannot see it.
    """

    name: str
    svg: bytes
    png: bytes
    alt: str


@dataclass(frozen=True)
class Passage:
    """A heading and what stands below it, in this order: paragraphs, points, lines to copy, tables, pictures.

    Parameters
    ----------
    heading : str
        Heading.
    paragraphs, points : tuple of str
        Paragraphs, and entries of a list.
    lines : tuple of str
        Shown as they are, in letters of one width: formulas, LaTeX.
    grids : tuple of Grid
        Tables.
    pictures : tuple of Picture
        Pictures.
    """

    heading: str
    paragraphs: tuple[str, ...] = ()
    points: tuple[str, ...] = ()
    lines: tuple[str, ...] = ()
    grids: tuple[Grid, ...] = ()
    pictures: tuple[Picture, ...] = ()


@dataclass(frozen=True)
class Content:
    """A page.

    Parameters
    ----------
    title : str
        Title.
    cautions : tuple of str
        What must be read first.
    passages : tuple of Passage
        The page.
    """

    title: str
    cautions: tuple[str, ...]
    passages: tuple[Passage, ...]
