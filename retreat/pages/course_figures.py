"""A bar of 100 as inline SVG, filled as far as eyes finish at a session."""

from __future__ import annotations

from markupsafe import Markup

from retreat.pages.figures import BLACK, BLUE, WHITE


def bar(of_100: int) -> Markup:
    """A bar for one line of a table; the number beside it says the same.

    Parameters
    ----------
    of_100 : int, 0 to 100
        How much of it is filled.

    Examples
    --------
    >>> 'width="43"' in bar(43)
    True
    """
    return Markup(
        '<svg class="bar" aria-hidden="true" viewBox="-1 -1 102 18" preserveAspectRatio="none">'
        '<rect width="100" height="16" fill="{}" stroke="{}"/><rect width="{}" height="16" fill="{}"/></svg>'
    ).format(WHITE, BLACK, of_100, BLUE)
