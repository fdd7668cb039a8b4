"""The word that was probably meant."""

from __future__ import annotations

import difflib
import re
from collections.abc import Sequence


def tidied(text: str) -> str:
    """Lower case, no spaces round it, underscores inside.

    Parameters
    ----------
    text : str
        As somebody wrote it.

    Returns
    -------
    str

    Examples
    --------
    >>> tidied(" Myopic ablation")
    'myopic_ablation'
    """
    return re.sub(r"[\s-]+", "_", text.strip().lower())


def nearest(text: str, words: Sequence[str], likeness: float = 0.6) -> str:
    """The word that was probably meant: the only one that begins so, else the most alike.

    Parameters
    ----------
    text : str
        As somebody wrote it.
    words : sequence of str
        The words that are allowed.
    likeness : float, from 0 to 1
        Least ratio of matching characters (`difflib`).

    Returns
    -------
    str
        Empty if no word is like it.

    Examples
    --------
    >>> nearest("R", ["right", "left"]), nearest("Size", ["site", "size_mm"]), nearest("clowd", ["ring", "cloud"])
    ('right', 'size_mm', 'cloud')
    """
    tidy = tidied(text)
    if tidy in words:
        return tidy
    begun = [word for word in words if tidy and word.startswith(tidy)]
    if len(begun) == 1:
        return begun[0]
    alike = difflib.get_close_matches(tidy, words, n=1, cutoff=likeness)
    return alike[0] if alike else ""
