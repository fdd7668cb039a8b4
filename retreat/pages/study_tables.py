"""Tables of a case series as people read them: counts with shares, estimates with intervals, what is hidden said."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import isfinite
from typing import TYPE_CHECKING, Any

from retreat.study.in_hand.content import Grid

if TYPE_CHECKING:
    import pandas as pd

HIDDEN = "hidden"
_UNITS = ("cases", "eyes", "patients", "operators", "sites")
_STATES = ("relieved", "stopped", "in_treatment")
# p values below it are told as smaller
_LEAST_P = 0.001


def flow_grid(flow: pd.DataFrame) -> Grid:
    """Records in, left out and why, analysed."""
    rows = [
        (f"{row['step']}{_of(row['reason'])}", *(count(row[unit]) for unit in _UNITS)) for row in _rows(flow)
    ]
    return Grid("Records in, left out and why, analysed", ("step", *_UNITS), tuple(rows))


def baseline_grid(baseline: pd.DataFrame, by: str) -> Grid:
    """The first table: one row a level or number, one column a group."""
    groups = list(dict.fromkeys(baseline["group"]))
    told: dict[tuple[str, str, str], dict[str, str]] = {}
    for row in _rows(baseline):
        key = (str(row["feature"]), str(row["level"]), str(row["unit"]))
        told.setdefault(key, {})[str(row["group"])] = _baseline_cell(row)
    rows = []
    for (feature, level, unit), cells in told.items():
        name = f"number of {unit}" if feature == "all" else f"{_spaced(feature)}{_of(_level(level))}"
        counted = "" if feature == "all" else unit
        rows.append((name, counted, *(cells.get(group, "") for group in groups)))
    heads = (_spaced(group) for group in groups)
    return Grid(
        f"Cases at the start, by {_spaced(by)}: count (share of the known), or median (quartiles)",
        ("feature", "counted in", *heads),
        tuple(rows),
    )


def differences_grid(differences: pd.DataFrame) -> Grid:
    """Standardised differences: one row a feature, one column a pair."""
    pairs = list(dict.fromkeys(zip(differences["first"], differences["second"], strict=True)))
    told: dict[str, dict[Any, str]] = {}
    for row in _rows(differences):
        told.setdefault(_spaced(str(row["feature"])), {})[row["first"], row["second"]] = number(
            row["difference"], 2
        )
    rows = [(name, *(cells.get(pair, "") for pair in pairs)) for name, cells in told.items()]
    columns = ("feature", *(f"{_spaced(a)} and {_spaced(b)}" for a, b in pairs))
    return Grid("Standardised differences between groups", columns, tuple(rows))


def follow_up_grid(follow_up: pd.DataFrame) -> Grid:
    """How long cases were followed, and how they stood at the end."""
    rows = [
        (f"{_spaced(str(row['what']))}{_of(_spaced(str(row['level'])))}", _followed_cell(row))
        for row in _rows(follow_up)
    ]
    return Grid("How long cases were followed, and how they stood", ("what", "found"), tuple(rows))


def life_table_grids(life_table: pd.DataFrame) -> tuple[Grid, ...]:
    """One life table a kind, up to the last session with a count that is told."""
    grids = []
    columns = ("session", "at risk", "relieved", "stopped", "lost", "hazard of relief", "hazard of stopping")
    for kind, own in life_table.groupby("kind", sort=False):
        told = [row for row in _rows(own) if _known(row["at_risk"]) and row["at_risk"] > 0]
        last = max((row["session"] for row in told), default=1)
        rows = [
            (
                str(row["session"]),
                *(count(row[name]) for name in ("at_risk", "relieved", "stopped", "censored")),
                *(_interval(row, f"hazard_{end}", f"hazard_{end}_", percent) for end in _STATES[:2]),
            )
            for row in _rows(own)
            if row["session"] <= last
        ]
        grids.append(Grid(f"Life table, {_spaced(str(kind))}", columns, tuple(rows)))
    return tuple(grids)


def incidence_grid(incidence: pd.DataFrame) -> Grid:
    """Incidence of each end, and share in treatment, by kind and session; sessions wholly hidden are left out."""
    told: dict[tuple[str, Any], dict[str, str]] = {}
    for row in _rows(incidence):
        told.setdefault((str(row["kind"]), row["session"]), {})[str(row["state"])] = _interval(
            row, "incidence", "", percent
        )
    rows = [
        (_spaced(kind), str(session), *(cells[state] for state in _STATES))
        for (kind, session), cells in told.items()
        if any(cells[state] != HIDDEN for state in _STATES)
    ]
    columns = ("kind", "by session", "relieved", "stopped", "in treatment")
    return Grid("Incidence by kind", columns, tuple(rows))


def ratio_grid(ratios: pd.DataFrame, scale: str) -> Grid:
    """Comparisons of two values; of drawn ones the probability of direction and of the region stand beside them."""
    last, cells = _evidence(ratios)
    rows = [
        (compared(row), str(row["end"]), _interval(row, "ratio", "", _two), *cells(row))
        for row in _rows(ratios)
    ]
    return Grid(f"{scale.capitalize()}s", ("comparison", "end", scale, *last), tuple(rows))


def average_grid(averages: pd.DataFrame) -> Grid:
    """Average effects on chances and on sessions."""
    last, cells = _evidence(averages)
    rows = []
    for row in _rows(averages):
        of_chance = row["measure"] != "sessions"
        shown = _points if of_chance else _two
        rows.append((compared(row), _measure(row), _interval(row, "difference", "", shown), *cells(row)))
    caption = "Average effects: differences of chances in percentage points, and of mean sessions"
    return Grid(caption, ("comparison", "measure", "difference", *last), tuple(rows))


def joint_grid(joint: pd.DataFrame) -> Grid:
    """Joint tests."""
    rows = [
        (
            f"{row['test']}: {_spaced(str(row['term']))}",
            str(row["end"]),
            number(row["chi_square"], 1),
            str(row["df"]),
            p_value(row["p"]),
        )
        for row in _rows(joint)
    ]
    return Grid("Joint tests", ("test", "end", "chi-square", "df", "p"), tuple(rows))


def confounding_grid(confounding: pd.DataFrame) -> Grid:
    """E-values of odds ratios and of averaged risk ratios."""
    rows = [
        (
            compared(row),
            f"{row['of']}, {row['end']}{f' by {row["session"]}' if row['session'] else ''}",
            number(row["ratio"], 2),
            number(row["e_value"], 2),
            number(row["e_value_limit"], 2),
        )
        for row in _rows(confounding)
    ]
    columns = ("comparison", "ratio of", "ratio", "E-value", "E-value of the limit")
    return Grid("E-values for confounding that was not measured", columns, tuple(rows))


def compared(row: Mapping[str, Any]) -> str:
    """What against what."""
    held = f" ({_spaced(str(row['held']))})" if row["held"] else ""
    return f"{_spaced(str(row['feature']))}: {row['value']} against {row['against']}{held}"


def count(value: Any) -> str:
    """A whole number, or that it is hidden."""
    return f"{int(value)}" if _known(value) else HIDDEN


def number(value: Any, decimals: int) -> str:
    """A number, or that it is hidden; with a true minus sign."""
    if not _known(value):
        return HIDDEN
    text = f"{float(value):.{decimals}f}"
    return (text[1:] if not float(text) and text[0] == "-" else text).replace("-", "\N{MINUS SIGN}")


def percent(value: float) -> str:
    """A share as a percentage."""
    return f"{number(100.0 * value, 1)}%"


def p_value(value: Any) -> str:
    """A p value."""
    if not _known(value):
        return HIDDEN
    return f"below {_LEAST_P:g}" if value < _LEAST_P else number(value, 3)


def _two(value: float) -> str:
    return number(value, 2)


def _points(value: float) -> str:
    return number(100.0 * value, 1)


def _interval(row: Mapping[str, Any], name: str, ends: str, shown: Any) -> str:
    if not _known(row[name]):
        return HIDDEN
    if not (_known(row[f"{ends}low"]) and _known(row[f"{ends}high"])):
        return f"{shown(row[name])}"
    return f"{shown(row[name])} ({shown(row[f'{ends}low'])} to {shown(row[f'{ends}high'])})"


def _evidence(frame: pd.DataFrame) -> tuple[tuple[str, ...], Any]:
    """Last columns of a table of effects, and their cells."""
    if "p" in frame:
        return ("p",), lambda row: (p_value(row["p"]),)
    return ("probability of direction", "too small to matter"), lambda row: (
        percent(row["direction"]),
        percent(row["equivalent"]),
    )


def _measure(row: Mapping[str, Any]) -> str:
    if row["measure"] == "incidence":
        return f"{row['end']} by session {row['session']}"
    if row["measure"] == "hazard":
        return f"{row['end']} at the next session"
    return f"mean sessions, at most {row['session']}"


def _baseline_cell(row: Mapping[str, Any]) -> str:
    if row["level"] == "known":
        middle, low, high = (row[name] for name in ("median", "low_quartile", "high_quartile"))
        if not _known(middle):
            return HIDDEN
        return f"{_brief(middle)} ({_brief(low)} to {_brief(high)})"
    if row["feature"] == "all":
        return count(row["n"])
    if not _known(row["n"]):
        return HIDDEN
    return f"{count(row['n'])} ({percent(row['share'])})" if _known(row["share"]) else count(row["n"])


def _brief(value: float) -> str:
    return f"{value:.3g}".replace("-", "\N{MINUS SIGN}")


def _followed_cell(row: Mapping[str, Any]) -> str:
    if _known(row["value"]) and row["what"] == "started":
        return count(row["value"])
    parts = []
    if _known(row["n"]) and _known(row["share"]):
        parts.append(f"{count(row['n'])} ({percent(row['share'])})")
    if _known(row["median"]):
        quartiles = (
            f" ({row['low_quartile']:g} to {row['high_quartile']:g})" if _known(row["low_quartile"]) else ""
        )
        parts.append(f"median {row['median']:g}{quartiles}")
    if _known(row["value"]):
        parts.append(f"{count(row['value'])} in all")
    return ", ".join(parts) or HIDDEN


def _level(level: str) -> str:
    return {"known": "", "missing": "missing"}.get(level, _spaced(level))


def _of(text: Any) -> str:
    return f", {_spaced(str(text))}" if text else ""


def _spaced(name: str) -> str:
    return name.replace("_", " ")


def _known(value: Any) -> bool:
    import pandas as pd  # a frame brings it with it

    return value is not None and not pd.isna(value) and isfinite(float(value))


def _rows(frame: pd.DataFrame) -> Sequence[dict[str, Any]]:
    return [{str(name): value for name, value in row.items()} for row in frame.to_dict("records")]
