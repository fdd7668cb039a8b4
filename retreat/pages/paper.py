"""What the pictures of a case series are drawn on: letters, wrapped titles, and bytes that hold no date."""

from __future__ import annotations

import io
from collections.abc import Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Iterator

    from matplotlib.figure import Figure

Form = Literal["svg", "png"]

_DOTS_PER_INCH = 150
_LETTERS, _TITLE_LETTERS = 9.0, 10.0  # points
_FONT = "DejaVu Sans"  # comes with matplotlib: the same on every machine
_MARGIN = 0.15  # inches that a title keeps free of the width of its figure
_POINTS = 72.0  # of an inch


@contextmanager
def paper(letters: float = _LETTERS) -> Iterator[None]:
    """Settings of matplotlib while a picture is drawn and written.

    Parameters
    ----------
    letters : float, above 0
        Size of letters in points, where nothing else is said.
    """
    import matplotlib as mpl  # heavy: only a picture pays for it

    with mpl.rc_context(
        {
            "font.size": letters,
            "font.family": _FONT,
            "svg.hashsalt": "retreat",
            "hatch.linewidth": 0.5,
        }
    ):
        yield


def titled(figure: Figure, title: str, cautions: Sequence[str] = ()) -> None:
    """Put cautions and title above everything else, wrapped to the width of the figure.

    Parameters
    ----------
    figure : Figure
        Laid out as constrained, so that panels make room.
    title : str
        Title; its own line breaks are kept.
    cautions : sequence of str
        Lines above it.
    """
    lines = _lines(figure.get_figwidth(), title, cautions)
    figure.suptitle("\n".join(lines), x=0.01, ha="left", fontsize=_TITLE_LETTERS)


def title_lines(width: float, title: str, cautions: Sequence[str] = ()) -> int:
    """How many lines :func:`titled` takes on a figure so many inches wide.

    Examples
    --------
    >>> title_lines(4.6, "Ratios"), title_lines(4.6, "Ratios of those relieved " * 3)
    (1, 2)
    """
    return len(_lines(width, title, cautions))


def _lines(width: float, title: str, cautions: Sequence[str]) -> list[str]:
    """Cautions and title in lines, measured in the letters they are set in."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import text_to_path

    letters = FontProperties(family=_FONT, size=_TITLE_LETTERS)
    room = _POINTS * (width - _MARGIN)
    lines: list[str] = []
    for text in (*cautions, *title.splitlines()):
        line = ""
        for word in text.split():
            longer = f"{line} {word}".strip()
            wide, _, _ = text_to_path.get_text_width_height_descent(longer, letters, ismath=False)
            if line and wide > room:
                lines.append(line)
                longer = word
            line = longer
        lines.append(line)
    return lines


def picture(figure: Figure, form: Form) -> bytes:
    """The picture without a date: the same figure gives the same bytes.

    Parameters
    ----------
    figure : Figure
        What is drawn.
    form : {"svg", "png"}
        Form of the picture.
    """
    stream = io.BytesIO()
    metadata = {"Date": None} if form == "svg" else {"Software": None}
    figure.savefig(stream, format=form, dpi=_DOTS_PER_INCH, metadata=metadata)
    return stream.getvalue()
