"""The 100 figures as inline SVG: one shape, fill and mark a state, so that colour carries nothing alone."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from markupsafe import Markup

from retreat.pages.record import State

if TYPE_CHECKING:
    from collections.abc import Iterator

PER_ROW = 10
BLACK = "#000000"
BLUE = "#0072B2"
WHITE = "#FFFFFF"
# units of the drawing; a cell prints 7.6 mm wide, so that a mark of 13 units is 14 pt
CELL_WIDTH, CELL_HEIGHT = 20, 16
_MARK_SIZE, _MARK_SIZE_TWO_DIGITS = 13, 11

# outlines in a cell: an eye for the finished, a circle, a square and a lozenge for the others
_EYE = "M1.4 8Q10-5.4 18.6 8Q10 21.4 1.4 8Z"
_OUTLINES = {
    "in_treatment": "M10 1.1a6.9 6.9 0 1 0 .01 0Z",
    "stopped": "M3.2 1.4h13.6v13.2H3.2Z",
    "surgery": "M10 0 19.2 8 10 16 .8 8Z",
}
_OTHER = "M4 1.4h12L19.2 8 16 14.6H4L.8 8Z"


def array(states: Sequence[State], *, name: str = "array") -> Markup:
    """Ten rows of ten figures, filled row by row in the order of the states.

    Parameters
    ----------
    states : sequence of State
        Counts sum to 100.
    name : str
        Start of the ids in the drawing, for a page with several.

    Returns
    -------
    Markup
        An ``svg`` element with a title and a description that holds the same counts.
    """
    shapes = Markup().join(
        Markup('<g id="{}-{}">{}</g>').format(name, state.mark, _shape(state)) for state in states
    )
    places = Markup().join(
        Markup('<use href="#{}-{}" x="{}" y="{}"/>').format(
            name, mark, CELL_WIDTH * (i % PER_ROW), CELL_HEIGHT * (i // PER_ROW)
        )
        for i, mark in enumerate(marks(states))
    )
    return Markup(
        '<svg class="array" role="img" aria-labelledby="{0}-title {0}-description" viewBox="0 0 {1} {2}">'
        '<title id="{0}-title">{3}</title><desc id="{0}-description">{4}</desc>'
        "<defs>{5}</defs>{6}</svg>"
    ).format(
        *(name, CELL_WIDTH * PER_ROW, CELL_HEIGHT * -(-sum(s.count for s in states) // PER_ROW)),
        *(TITLE, description(states), shapes, places),
    )


def key_figure(state: State, *, name: str = "array") -> Markup:
    """One figure of the array again, for its key; the words beside it say what it is."""
    return Markup(
        '<svg class="figure" aria-hidden="true" viewBox="0 0 {} {}"><use href="#{}-{}"/></svg>'
    ).format(CELL_WIDTH, CELL_HEIGHT, name, state.mark)


TITLE = "100 figures, one for each eye"


def description(states: Sequence[State]) -> str:
    """Text alternative: the label and count of each state."""
    return " ".join(f"{state.label}: {state.count}." for state in states)


def marks(states: Sequence[State]) -> Iterator[str]:
    """Mark of each figure, in the order drawn."""
    for state in states:
        yield from [state.mark] * state.count


def _shape(state: State) -> Markup:
    finished = state.mark.isdigit()
    if finished:  # two fills in turn show where one session ends and the next begins, in grey too
        fill, ink, outline = (BLUE if int(state.mark) % 2 else BLACK), WHITE, _EYE
    else:
        fill, ink, outline = WHITE, BLACK, _OUTLINES.get(state.end, _OTHER)
    size = _MARK_SIZE if len(state.mark) == 1 else _MARK_SIZE_TWO_DIGITS
    return Markup(
        '<path d="{}" fill="{}" stroke="{}" stroke-width="1.6"/>'
        '<text x="10" y="{}" font-size="{}" font-weight="bold" text-anchor="middle" fill="{}">{}</text>'
    ).format(outline, fill, fill if finished else BLACK, 8 + 0.36 * size, size, ink, state.mark)
