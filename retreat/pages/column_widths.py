"""Shares of a page's width for the columns of a printed table."""

from __future__ import annotations

from collections.abc import Sequence

# letters of a cell that is still set in one line, and letters of a line of the page (9 points, A4)
LINE, _PAGE = 40, 100
# no word counts for more letters (a checksum, an address); letters beside a word, for the margins of a cell
_LONGEST_WORD, _MARGIN = 20, 4


def letters(columns: Sequence[str], rows: Sequence[Sequence[str]]) -> list[int]:
    """Letters of the longest cell of each column, its heading among them."""
    return [max(len(row[j]) for row in (columns, *rows)) for j in range(len(columns))]


def shares(columns: Sequence[str], rows: Sequence[Sequence[str]]) -> list[float]:
    """Shares of the width: each column holds its longest word, the rest goes by the root of the longest cells.

    Examples
    --------
    >>> found = shares(("item", "question"), (("3a", "What is the health context, and for whom is the model?"),))
    >>> [round(one, 2) for one in found]
    [0.08, 0.92]
    """
    least, more = [], []
    for j, n in enumerate(letters(columns, rows)):
        word = max(len(one) for row in (columns, *rows) for one in row[j].split() or [""])
        least.append(min(word, _LONGEST_WORD) + _MARGIN)
        more.append(max(n - word, 0) ** 0.5)
    rest = max(_PAGE - sum(least), 0) / (sum(more) or 1.0)
    wanted = [a + rest * b for a, b in zip(least, more, strict=True)]
    return [one / sum(wanted) for one in wanted]
