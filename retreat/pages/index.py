"""Index of a folder of pages and files, grouped by who reads them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from retreat.pages.html import render
from retreat.pages.report import Link


def render_groups(
    title: str, intro: Sequence[str], groups: Mapping[str, Sequence[Link]], *, banners: Sequence[str] = ()
) -> str:
    """Index of a folder, a heading for each reader, each file with one sentence.

    Parameters
    ----------
    title : str
        Title of the page.
    intro : sequence of str
        Paragraphs before the first heading.
    groups : mapping of str to sequence of Link
        Headings in reading order, and what stands below each.
    banners : sequence of str
        What must be read first.

    Returns
    -------
    str
        The page.
    """
    return render("groups.html", title=title, intro=intro, groups=groups, banners=banners)
