"""Follow-up: sessions, how cases stand, how long they were followed, years of first sessions."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from retreat.study.cohort.keys import Key
from retreat.study.cohort.last_contact import last_contact
from retreat.study.cohort.leaving import STANDING, Leaving, leaving_counts, leaving_relations, reached
from retreat.study.cohort.life_table import followed_keys, followed_past
from retreat.study.cohort.studied import Studied
from retreat.study.suppression.linked import Relation, adds_up
from retreat.study.suppression.sourced import Sourced

if TYPE_CHECKING:
    import pandas as pd

_QUARTILES = ("low_quartile", "median", "high_quartile")
_COLUMNS = ("what", "level", "n", "of", "share", *_QUARTILES, "value")


def follow_up_table(
    seen: Studied, found: Leaving, begun: pd.DataFrame, visits: pd.DataFrame | None, *, lost_after: int
) -> Sourced:
    """Sessions done, cases by how they stand, sessions followed by the reverse life table, and calendar years.

    Parameters
    ----------
    seen : Studied
        Cases that have begun.
    found : Leaving
        The same by last session.
    begun : DataFrame
        Their rows of the case table.
    visits : DataFrame or None
        With them, and full dates, cases in treatment are told from those lost.
    lost_after : int
        Days without a visit before the last date of the table after which a case in treatment is called lost.

    Returns
    -------
    Sourced
        Columns: what, level, n, of, share, low_quartile, median, high_quartile, value. `what` is sessions, followed,
        ending, standing (of those ongoing), started (first and last year).
    """
    import pandas as pd

    whole = Key("cases")
    counts: dict[Key, int] = {whole: len(seen.sessions), Key("sessions"): int(seen.sessions.sum())}
    counts |= leaving_counts(found)
    relations: list[Relation] = list(leaving_relations(found))
    past = _past_horizon(seen, found, counts)
    until = [reached(whole, k) for k in range(1, found.horizon + 1)]
    relations.append(adds_up(Key("sessions"), [k.counted_in("cases") for k in until] + past))
    ended = [whole.and_("ending", s) for s in STANDING]
    n, half = len(seen.sessions), _median_followed(found)
    low, middle, high = np.quantile(seen.sessions, (0.25, 0.5, 0.75)).tolist()
    # a quartile is decided by those at risk up to the session after it
    deciding = tuple(until[: int(np.ceil(high)) + 1])
    rows: list[tuple[dict[str, Any], dict[str, tuple[Key, ...]]]] = [
        (
            {"what": "sessions", "n": n, "low_quartile": low, "median": middle, "high_quartile": high,
             "value": counts[Key("sessions")]},
            {"n": (whole,), "value": (Key("sessions"),), **dict.fromkeys(_QUARTILES, deciding)},
        ),
        (
            {"what": "followed", "n": n, "median": half},
            {"n": (whole,), "median": followed_keys(whole, found.horizon if np.isnan(half) else int(half))},
        ),
    ]  # fmt: skip
    rows += [_share("ending", s, key, whole, counts) for s, key in zip(STANDING, ended, strict=True)]
    standing = last_contact(begun, visits, lost_after=lost_after) if visits is not None else {}
    if standing:
        parts = {name: ended[0].and_("standing", name) for name in standing}
        counts |= {parts[name]: int(rows_.sum()) for name, rows_ in standing.items()}
        relations.append(adds_up(ended[0], parts.values()))
        rows += [_share("standing", name, key, ended[0], counts) for name, key in parts.items()]
    rows += [({"what": "started", "level": word, "value": year}, {}) for word, year in _years(begun)]
    frame = pd.DataFrame([row for row, _ in rows], columns=list(_COLUMNS)).fillna({"level": ""})
    columns = ("n", "of", "share", *_QUARTILES, "value")
    sources = {column: tuple(keys.get(column, ()) for _, keys in rows) for column in columns}
    frame[["n", "of"]] = frame[["n", "of"]].astype("Int64")
    return Sourced(frame, sources, dict(counts), tuple(relations))


def _share(
    what: str, level: str, key: Key, whole: Key, counts: dict[Key, int]
) -> tuple[dict[str, Any], dict[str, tuple[Key, ...]]]:
    n, of = counts[key], counts[whole]
    row = {"what": what, "level": level, "n": n, "of": of, "share": n / of if of else np.nan}
    return row, {"n": (key,), "of": (whole,), "share": (key, whole)}


def _past_horizon(seen: Studied, found: Leaving, counts: dict[Key, int]) -> list[Key]:
    """Sessions after the last one told, as a count of its own, so that the sum of all gives nothing away."""
    beyond = Key("sessions").and_("after", found.horizon)
    counts[beyond] = int(np.maximum(seen.sessions - found.horizon, 0).sum())
    return [beyond]


def _median_followed(found: Leaving) -> float:
    """First session that at most half would be followed past; NaN where more are."""
    followed = followed_past(found.counts[0])
    reached_half = np.flatnonzero(followed <= 0.5)
    return float(reached_half[0] + 1) if len(reached_half) else float("nan")


def _years(begun: pd.DataFrame) -> list[tuple[str, int]]:
    years = [int(str(text)[:4]) for text in begun["started"] if str(text)[:4].isdigit()]
    return [("first year", min(years)), ("last year", max(years))] if years else []
