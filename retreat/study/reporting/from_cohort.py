"""Entries that the tables of a cohort fill, in what of them may leave the clinic."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from retreat.study.reporting.known import Filled, Known, counted, shown

Words = Callable[[Known], str]


def _flow(k: Known) -> str:
    lines = []
    for row in k.rows("flow"):
        reason = f" ({row['reason']})" if row.get("reason") else ""
        counts = ", ".join(counted(row[unit], unit) for unit in ("cases", "eyes", "patients") if unit in row)
        lines.append(f"{row.get('step', '')}{reason}: {counts}")
    return _joined(lines)


def _ended(k: Known) -> str:
    rows = [*k.rows("follow_up", what="ending"), *k.rows("follow_up", what="standing")]
    lines = [f"{row['level']} {shown(row.get('n'))}" for row in rows]
    sessions = k.rows("follow_up", what="sessions")
    if sessions:
        row = sessions[0]
        quartiles = ", ".join(shown(row.get(c)) for c in ("low_quartile", "median", "high_quartile"))
        lines.append(f"sessions, quartiles {quartiles}")
    followed = k.rows("follow_up", what="followed")
    if followed:
        lines.append(f"sessions half were followed for, {shown(followed[0].get('median'))}")
    return _joined(lines)


def _flow_and_ended(k: Known) -> str:
    return " ".join(part for part in (_flow(k), _ended(k)) if part)


def _years(k: Known) -> str:
    return _joined(
        [
            f"first session, {row['level']}: {shown(row.get('value'))}"
            for row in k.rows("follow_up", what="started")
        ]
    )


def _baseline(k: Known) -> str:
    lines = [_level(row) for row in k.rows("baseline", group="all")]
    return _joined([line for line in lines if line])


def _left_out(k: Known) -> str:
    rows = k.rows("flow", step="left out")
    return _joined(
        [f"left out, {row.get('reason', '')}: {counted(row.get('cases'), 'cases')}" for row in rows]
    )


def _clusters(k: Known) -> str:
    found = k.rows("flow", step="analysed") or k.rows("flow", step="begun")
    if not found:
        return ""
    row = found[0]
    units = [counted(row[u], u) for u in ("cases", "eyes", "patients", "operators", "sites") if u in row]
    return _joined([f"{row['step']}: {', '.join(units)}"])


def _level(row: dict[str, Any]) -> str:
    name, level = str(row.get("feature", "")), str(row.get("level", ""))
    if name == "all":
        return counted(row.get("n"), str(row.get("unit", "")))
    if level == "known":
        statistics = ", ".join(
            f"{c.replace('_', ' ')} {shown(row[c])}" for c in ("mean", "sd", "median") if c in row
        )
        return f"{name}: {statistics or shown(row.get('n'))}"
    return f"{name} {level}: {shown(row.get('n'))}"


def _joined(lines: list[str]) -> str:
    return "; ".join(lines) + "." if lines else ""


COHORT: dict[str, dict[str, tuple[Words, str]]] = {
    "tripod_ai": {
        "5b": (_years, "follow-up of the cohort"),
        "11": (_left_out, "flow of records"),
        "20a": (_flow_and_ended, "flow of records and follow-up of the cohort, small counts hidden"),
        "20b": (_baseline, "first table of the cohort, small counts hidden"),
        "21": (_flow, "flow of records, small counts hidden"),
    },
    "tripod_cluster": {"size": (_clusters, "flow of records")},
    "probast_ai": {"D3.4": (_ended, "follow-up of the cohort"), "E3.4": (_ended, "follow-up of the cohort")},
}


def from_cohort(k: Known, checklist: str, entry: str) -> Filled | None:
    """What the tables say of an entry; None where there are none or they say nothing."""
    found = COHORT[checklist].get(entry)
    if found is None or not k.tables:
        return None
    words, source = found
    text = words(k)
    return Filled(text, source) if text else None
