"""The written format and its rules, spelled out once more for the tests of the invented clinic."""

from __future__ import annotations

import re
from collections import Counter, defaultdict

import numpy as np

MISSING = {"not_recorded", "not_applicable", "unknown"}
CASES = [
    "case", "patient", "eye", "operator", "site", "started", "sessions", "ending", "stop_reason", "opacity",
    "opacities", "size_mm", "lens_gap_mm", "retina_gap_mm", "zone", "eccentricity_deg", "cornea", "lens",
    "sphere_d", "axial_mm", "pupil_mm", "pvd", "age", "relief_before", "relief_after",
]  # fmt: skip
VISITS = [
    "case", "session", "day", "operator", "pulses", "energy_mj", "cleared", "fragments", "bother", "event",
    "missed",
]  # fmt: skip
WORDS = {
    "eye": {"right", "left"},
    "ending": {"relieved", "stopped", "ongoing"},
    "stop_reason": {"no_benefit", "side_effect", "surgery", "choice"},
    "opacity": {"ring", "strand", "cloud", "sheet"},
    "opacities": {"single", "few", "many"},
    "zone": {"anterior", "middle", "posterior"},
    "cornea": {"none", "myopic_ablation", "hyperopic_ablation", "incisional"},
    "lens": {"natural", "monofocal", "multifocal"},
    "pvd": {"complete", "partial", "none"},
    "fragments": {"none", "few", "many"},
    "event": {"none", "lens_hit", "retina_hit", "pressure", "other"},
    "missed": {"yes", "no"},
}
RANGES = {
    "sessions": (0, 40),
    "size_mm": (0.1, 15),
    "lens_gap_mm": (0, 25),
    "retina_gap_mm": (0, 25),
    "eccentricity_deg": (0, 60),
    "sphere_d": (-30, 20),
    "axial_mm": (18, 36),
    "pupil_mm": (2, 10),
    "age": (18, 90),
    "relief_before": (0, 10),
    "relief_after": (0, 10),
    "session": (1, 40),
    "day": (0, 5000),
    "pulses": (1, 2000),
    "energy_mj": (0.1, 15),
    "cleared": (0, 1),
    "bother": (0, 10),
}
MEASURED_AT_VISIT = ("pulses", "energy_mj", "cleared", "fragments", "bother", "event")


def numbers(column: list[str]) -> np.ndarray:
    """Return a column as floats, NaN where a missing code stands."""
    return np.array([np.nan if cell in MISSING else float(cell) for cell in column])


def words(column: list[str]) -> np.ndarray:
    """Return a column of words as an array."""
    return np.array(column)


def faults(cases: dict[str, list[str]], visits: dict[str, list[str]]) -> list[str]:
    """Return every rule of the format that the tables break, in words."""
    found = [f"columns of {name}" for name, table, wanted in (("cases", cases, CASES), ("visits", visits, VISITS))
             if list(table) != wanted]  # fmt: skip
    for table in (cases, visits):
        for name, column in table.items():
            real = [cell for cell in column if cell not in MISSING]
            if any(cell == "" or cell != cell.strip() for cell in column):
                found.append(f"{name}: blank")
                continue
            if name in WORDS and not set(real) <= WORDS[name]:
                found.append(f"{name}: {set(real) - WORDS[name]}")
            if name in RANGES and real:
                low, high = RANGES[name]
                if not all(low <= float(cell) <= high for cell in real):
                    found.append(f"{name}: outside {low} to {high}")
    return found + _case_faults(cases) + _visit_faults(cases, visits)


def _case_faults(cases: dict[str, list[str]]) -> list[str]:
    found = []
    rows = [dict(zip(cases, cells, strict=True)) for cells in zip(*cases.values(), strict=True)]
    if len(set(cases["case"])) < len(rows) or cases["case"] != sorted(cases["case"]):
        found.append("keys not unique or not sorted")
    if set(cases["case"]) & set(cases["patient"]):
        found.append("a key of a case is one of a patient")
    ongoing = Counter((row["patient"], row["eye"]) for row in rows if row["ending"] == "ongoing")
    if ongoing and max(ongoing.values()) > 1:
        found.append("two open cases of one eye")
    for row in rows:
        begun = row["sessions"] != "0"
        if not re.fullmatch(r"(?=.*[a-z].*[a-z])(?=.*[0-9])[a-z0-9]{8}", row["case"]):
            found.append(f"key {row['case']}")
        if not row["site"].startswith("invented_") or not row["operator"].startswith("op_"):
            found.append(f"site {row['site']}, operator {row['operator']}")
        if (row["ending"] == "stopped") != (row["stop_reason"] in WORDS["stop_reason"]):
            found.append(f"{row['ending']} with stop_reason {row['stop_reason']}")
        if row["ending"] != "stopped" and row["stop_reason"] != "not_applicable":
            found.append(f"stop_reason {row['stop_reason']} of a case that did not stop")
        if not begun and (row["ending"], row["relief_after"], row["started"]) != (
            "ongoing", "not_applicable", "not_applicable",
        ):  # fmt: skip
            found.append("a case not begun that has ended, a rating or a date")
        if begun and not re.fullmatch(r"20[12]\d-[01]\d-[0-3]\d", row["started"]):
            found.append(f"started {row['started']}")
        gaps = [row["lens_gap_mm"], row["retina_gap_mm"]]
        if MISSING & set(gaps) and row["zone"] in MISSING:
            found.append("neither both gaps nor a zone")
        measured = not MISSING & {*gaps, row["axial_mm"]}
        # back of the lens at 7.60 mm: O02, Escudero-Sanz and Navarro 1999
        if measured and abs(sum(map(float, gaps)) - (float(row["axial_mm"]) - 7.60)) > 0.051:
            found.append("gaps do not fit the axial length")
        if not MISSING & {*gaps, row["zone"]}:
            depth = float(gaps[0]) / sum(map(float, gaps))
            if row["zone"] != ("anterior", "middle", "posterior")[min(int(depth * 3), 2)]:
                found.append("zone does not fit the gaps")
    return found


def _visit_faults(cases: dict[str, list[str]], visits: dict[str, list[str]]) -> list[str]:
    found = []
    by_case = defaultdict(list)
    for cells in zip(*visits.values(), strict=True):
        row = dict(zip(visits, cells, strict=True))
        by_case[row["case"]].append(row)
        if row["missed"] == "yes" and any(row[name] != "not_applicable" for name in MEASURED_AT_VISIT):
            found.append("a missed booking with a measurement")
        if row["missed"] == "no" and "not_applicable" in row.values():
            found.append("not_applicable in a visit that took place")
    if visits["case"] != sorted(visits["case"]) or not set(visits["case"]) <= set(cases["case"]):
        found.append("visits not in the order of cases, or of no case")
    for case, sessions in zip(cases["case"], cases["sessions"], strict=True):
        rows = by_case[case]
        took_place = [int(row["session"]) for row in rows if row["missed"] == "no"]
        booked = [int(row["session"]) for row in rows]
        days = [int(row["day"]) for row in rows]
        if took_place != list(range(1, int(sessions) + 1)):
            found.append(f"{case}: visits {took_place} for {sessions} sessions")
        if booked != sorted(booked) or days != sorted(days) or (rows and days[0] != 0):
            found.append(f"{case}: order of bookings {list(zip(booked, days, strict=True))}")
        if booked and max(booked) > int(sessions) + 1:
            found.append(f"{case}: booked far ahead")
    return found
