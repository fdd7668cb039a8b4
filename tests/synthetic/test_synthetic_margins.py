"""What the invented clinic looks like from afar, beside the published values it is anchored to.

Ids are rows of the table of published values. Where sources disagree the invented clinic must lie between them.
INVENTED_MARGINS lists what has no published value to compare with; those margins are free.
"""

from __future__ import annotations

import datetime as dt
import re
from collections import defaultdict

import numpy as np
import pytest
from clinic_rules import numbers, words

INVENTED_MARGINS = (
    "shares of strand, cloud and sheet",
    "sizes of strand, cloud and sheet",
    "depth and eccentricity",
    "number of opacities",
    "bother before the first session",
    "operators and sites: their number, sizes and spread",
    "loss to follow-up, missed bookings, missing values",
    "reasons for stopping other than surgery",
    "effect of corneal surgery, of the lens and of depth on the course (signs only, common practice)",
    "sessions of strands and sheets",
)


@pytest.fixture(scope="module")
def margins(registry) -> dict[str, float]:
    """Everything the table below compares, as one number each."""
    cases, visits, truth = registry.cases, registry.visits, registry.truth
    kind, ending, sessions = words(cases["opacity"]), words(cases["ending"]), numbers(cases["sessions"])
    ended, age, sphere = ending != "ongoing", numbers(cases["age"]), numbers(cases["sphere_d"])
    pvd, lens, size = words(cases["pvd"]), words(cases["lens"]), numbers(cases["size_mm"])
    before, axial = numbers(cases["relief_before"]), numbers(cases["axial_mm"])
    took_place = words(visits["missed"]) == "no"
    first = took_place & (words(visits["session"]) == "1")
    by_case = dict(zip(visits["case"], numbers(visits["bother"]), strict=True))
    first_bother = dict(zip(words(visits["case"])[first], numbers(visits["bother"])[first], strict=True))
    assert len(by_case) == len(first_bother)
    drop = before - np.array([first_bother.get(case, np.nan) for case in cases["case"]])
    known = (pvd != "unknown") & np.isfinite(sphere)
    emmetropic = known & (sphere > -0.75) & np.isin(kind, ["strand", "cloud"])
    measured = np.isfinite(axial) & np.isfinite(sphere)
    seen = lens != "not_recorded"
    days = defaultdict(list)
    for case, day, missed in zip(visits["case"], visits["day"], visits["missed"], strict=True):
        if missed == "no":
            days[case].append(int(day))
    gaps = np.concatenate([np.diff(each) for each in days.values()])

    def decade(start: int) -> np.ndarray:
        return (age >= start) & (age < start + 10)

    return {
        "one session": np.mean(sessions[ended] == 1),
        "three sessions or more": np.mean(sessions[ended] >= 3),
        "mean sessions": sessions[ended].mean(),
        "mean sessions, ring": sessions[ended & (kind == "ring")].mean(),
        "mean sessions, cloud": sessions[ended & (kind == "cloud")].mean(),
        "relieved": np.mean(ending[ended] == "relieved"),
        "relieved by session 1, ring": truth["relieved_1"][kind == "ring"].mean(),
        "fall of bother at session 1, ring": np.nanmean(drop[kind == "ring"]),
        "surgery instead": np.mean(words(cases["stop_reason"])[ended] == "surgery"),
        "adverse events": np.mean(words(visits["event"])[took_place] != "none"),
        "ring": np.mean(kind == "ring"),
        "eyes of a patient": len(kind) / len(set(cases["patient"])),
        "corneal surgery": np.mean(words(cases["cornea"]) != "none"),
        "mean age": age.mean(),
        "youngest": age.min(),
        "complete detachment": np.mean(pvd[pvd != "unknown"] == "complete"),
        "detached at 50-59": np.mean(pvd[emmetropic & decade(50)] == "complete"),
        "detached at 60-69": np.mean(pvd[emmetropic & decade(60)] == "complete"),
        "implant at 60-69": np.mean(lens[seen & decade(60)] != "natural"),
        "ring length": np.nanmean(size[kind == "ring"]),
        "ring length, spread": np.nanstd(size[kind == "ring"]),
        "axial length at 0 D": np.polyfit(sphere[measured], axial[measured], 1)[1],
        "axial length per dioptre": np.polyfit(sphere[measured], axial[measured], 1)[0],
        "energy": np.nanmean(numbers(visits["energy_mj"])),
        "lowest energy": np.nanmin(numbers(visits["energy_mj"])),
        "highest energy": np.nanmax(numbers(visits["energy_mj"])),
        "pulses": np.nanmean(numbers(visits["pulses"])),
        "days between sessions, median": np.median(gaps),
        "days between sessions, share 6 to 84": np.mean((gaps >= 6) & (gaps <= 84)),
    }


PUBLISHED = [
    ("one session", 0.33, 0.738, "L04: 31 of 42 eyes, Ernest et al. 2023; L08: 45.3% of 86 needed 3 or 4, Bessa 2019, "
     "0.33 a session if the hazard is constant"),
    ("three sessions or more", 0.024, 0.453, "L06: at most 1 of 42, Ernest et al. 2023; L08: 39 of 86, Bessa 2019"),
    ("mean sessions", 1.29, 2.0, "L07: 1.29, Ernest et al. 2023; L03: 1.87 a patient, Singh 2017, and up to 2.0 as "
     "stated tolerance"),
    ("mean sessions, ring", 1.14, 1.6, "L01: 1.14, Singh 2016; 1.6 is a stated tolerance: one practice, no censoring "
     "rule given"),
    ("mean sessions, cloud", 2.1, 3.2, "L02: 3.2, Singh 2016; at least 0.5 above the ring's is a stated tolerance"),
    ("relieved", 0.385, 0.93, "L34: 15 of 39, Delaney et al. 2002; L43: 93% of patients, Singh 2016"),
    ("relieved by session 1, ring", 0.355, 0.696, "L30: 19 of 36 after one session, interval, Shah and Heier 2017"),
    ("fall of bother at session 1, ring", 2.4, 4.0, "L33: 3.2 points of 10, Shah and Heier 2017; 0.8 points is a "
     "stated tolerance"),
    ("surgery instead", 0.005, 0.282, "L50: 11 of 39, Delaney et al. 2002, a high-side anchor (old equipment)"),
    ("adverse events", 0.004, 0.014, "L60: 10 of 1272 procedures, interval, Singh 2017"),
    ("ring", 0.355, 0.569, "L37: 46% of 89 eyes (41), interval, Janekova et al. 2022"),
    ("eyes of a patient", 89 / 84, 296 / 198, "L37: Janekova et al. 2022; L01: Singh 2016"),
    ("corneal surgery", 0.074, 0.093, "E38: 281 of 3382, interval, University of Colorado registry"),
    ("mean age", 56.8, 66.0, "E10: 56.8, Lin et al. 2022; E09: 66, Singh 2016"),
    ("youngest", 18, 38, "E09: 38 to 89, Singh 2016; E10: from 15, Tang et al. 2021; tables begin at 18"),
    ("complete detachment", 0.422, 0.707, "E12: 29 of 51, interval, Lin et al. 2022"),
    ("detached at 50-59", 0.198 - 0.12, 0.198 + 0.17, "E01: 19.8%, ARVO abstract 2334269; tolerance: the decade is "
     "not filled evenly and the rise is steep"),
    ("detached at 60-69", 0.657 - 0.12, 0.657 + 0.12, "E01: 65.7%, ARVO abstract 2334269; same tolerance"),
    ("implant at 60-69", 0.288 * 0.765 - 0.05, 0.288 * 0.765 + 0.05, "E31: 28.8% of people, Theni study; E30: 53% of "
     "them in both eyes, Erie et al. 2022"),
    ("ring length", 1.92 - 0.03, 1.92 + 0.03, "E50: disc diameter 1.92 mm, Jonas et al. 1988"),
    ("ring length, spread", 0.29 - 0.03, 0.29 + 0.03, "E50: 0.29 mm, Jonas et al. 1988"),
    ("axial length at 0 D", 23.58 - 0.08, 23.58 + 0.08, "O16: 23.58 mm, Atchison 2006, from memory"),
    ("axial length per dioptre", -0.299 - 0.02, -0.299 + 0.02, "O16: -0.299 mm, Atchison 2006, from memory"),
    ("energy", 3.8, 6.0, "L21: 3.8 mJ, Ernest et al. 2023; L24: 6 mJ, Singh 2017"),
    ("lowest energy", 2.0, 2.8, "L21: 2.2 mJ, Ernest et al. 2023; L23: 2.8 mJ, Singh 2016"),
    ("highest energy", 7.0, 9.0, "L27: 7 mJ, ISRCTN12191616; L21: 9 mJ, Ernest et al. 2023"),
    ("pulses", 118, 315, "L20: 118, Ernest et al. 2023; L22: 315, Singh 2016"),
    ("days between sessions, median", 21, 35, "P02: about 4 weeks, from memory; P01: 3 weeks, CRST Europe 2018"),
    ("days between sessions, share 6 to 84", 0.999, 1.0, "P02: 1 to 8 weeks, from memory, and up to 4 more after a "
     "missed booking"),
]  # fmt: skip


@pytest.mark.parametrize(("name", "low", "high", "source"), PUBLISHED, ids=[row[0] for row in PUBLISHED])
def test_a_margin_lies_where_the_published_values_put_it(margins, name, low, high, source):
    assert low <= margins[name] <= high, (
        f"{name}: {margins[name]:.3f} outside {low:.3f} to {high:.3f} ({source})"
    )


def test_every_margin_names_its_source_and_every_number_is_compared(margins):
    assert set(margins) == {row[0] for row in PUBLISHED}
    for name, low, high, source in PUBLISHED:
        assert low < high, name
        assert re.match(r"[LOEP]\d\d: ", source), name
    assert not set(margins) & set(INVENTED_MARGINS)


def test_starts_lie_in_a_fixed_window_of_the_past(registry):
    started = [dt.date.fromisoformat(cell) for cell in registry.cases["started"] if cell != "not_applicable"]
    assert dt.date(2014, 1, 1) < min(started)
    assert max(started) <= dt.date(2024, 12, 30)


def test_a_young_group_without_detachment_stands_beside_the_older_one(registry):
    # E10: series with eyes without detachment are up to 20 years younger; E14: mean 34.7 in one of surgery.
    age, pvd = numbers(registry.cases["age"]), words(registry.cases["pvd"])
    assert np.median(age[pvd == "complete"]) - np.median(age[pvd == "none"]) > 8
    assert np.median(age[words(registry.cases["opacity"]) == "ring"]) == pytest.approx(
        62, abs=2
    )  # E08: mean 62
