"""Who comes to the invented clinic: patients, their eyes and the opacity in each.

Tables by age are published (rows named below); the kinds of opacity and the share with corneal surgery are
set by the scenario; every other number here is invented.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Self

import numpy as np

from synthetic import shadow
from synthetic.scenario import KINDS, Scenario

CORNEAS = ("none", "myopic_ablation", "hyperopic_ablation", "incisional")
LENSES = ("natural", "monofocal", "multifocal")
PVD = ("complete", "partial", "none")
OPACITIES = ("single", "few", "many")
ZONES = ("anterior", "middle", "posterior")

# E01: complete detachment in healthy eyes by decade 20-29 ... 90-99, ARVO abstract IOVS 2334269.
PVD_AGES, PVD_SHARE = [25, 35, 45, 55, 65, 75, 85, 95], [0, 0, 0.015, 0.198, 0.657, 0.737, 0.917, 1.0]
# E31: cataract surgery at 50-59 ... 80 and over, South India, Br J Ophthalmol; E30 (Erie et al. 2022): 53% of
# those operated have both eyes done, so (1 + 0.53) / 2 of their eyes. The share at 40 is invented.
LENS_AGES, LENS_SHARE, BOTH_EYES = [40, 55, 65, 75, 85], [0.0, 0.115, 0.288, 0.519, 0.609], (1 + 0.53) / 2
AXIAL_MM, AXIAL_SLOPE = (
    23.58,
    -0.299,
)  # O16: Atchison 2006, from memory; the spread about the line is invented
RING_MM, RING_SD, RING_RANGE = 1.92, 0.29, (0.96, 2.91)  # E50: vertical disc diameter, Jonas et al. 1988
MYOPIA_YEARS = 11.5  # E06: detachment 10-13 years earlier in myopia, Lin et al. 2023
SAFE_RETINA_MM, SAFE_LENS_MM, SAFE_NATURAL_MM = (
    2.0,
    2.0,
    3.0,
)  # L70 (2-3 mm); the natural lens rule: common practice

# Invented, by kind (ring, strand, cloud, sheet).
SIZE_MEDIAN, SIZE_SPREAD = np.array([RING_MM, 3.0, 3.8, 5.5]), np.array([0.0, 0.45, 0.40, 0.35])
DEPTH_A, DEPTH_B = np.array([4.0, 2.2, 2.0, 3.5]), np.array([2.2, 2.0, 2.2, 1.8])
COUNTS = np.array([[0.70, 0.25, 0.05], [0.35, 0.45, 0.20], [0.25, 0.40, 0.35], [0.60, 0.30, 0.10]])
PVD_GIVEN = {
    0: 0.94,
    3: 0.75,
}  # a ring or sheet comes from a detached cortex: complete in these, partial in the rest


@dataclass(frozen=True)
class Features:
    """What is true of each case, on the grid on which it is written; arrays of shape (cases,)."""

    patient: np.ndarray  # number of the patient, two eyes share it
    right: np.ndarray
    kind: np.ndarray  # index into KINDS
    opacities: np.ndarray
    size_mm: np.ndarray
    lens_gap_mm: np.ndarray
    retina_gap_mm: np.ndarray
    eccentricity_deg: np.ndarray
    cornea: np.ndarray
    lens: np.ndarray
    sphere_d: np.ndarray
    axial_mm: np.ndarray
    pupil_mm: np.ndarray
    pvd: np.ndarray
    age: np.ndarray
    bother: np.ndarray  # before the first session, 0 to 10

    @property
    def depth(self) -> np.ndarray:
        """Position along the vitreous, 0 at the lens and 1 at the retina, from the written distances."""
        return self.lens_gap_mm / (self.lens_gap_mm + self.retina_gap_mm)

    @property
    def vitreous_mm(self) -> np.ndarray:
        """Length of the vitreous, mm."""
        return self.lens_gap_mm + self.retina_gap_mm

    def take(self, index: np.ndarray) -> Self:
        """Return the cases of `index`, in that order."""
        return replace(self, **{field.name: getattr(self, field.name)[index] for field in fields(self)})


def draw(scenario: Scenario, rng: np.random.Generator) -> Features:
    """Return the features of as many cases as the scenario asks for, in random order."""
    n, mix = scenario.cases, scenario.values["mix"]
    patient, right, second = _eyes(n, mix["two_eyes"], rng)
    kind = _kinds(scenario, patient, second, rng)
    age = _ages(kind, second, patient, rng)
    cornea, sphere = _refraction(mix, patient, rng)
    axial = AXIAL_MM + AXIAL_SLOPE * sphere + rng.normal(0, 0.7, n)[patient] + rng.normal(0, 0.12, n)
    axial = np.round(np.clip(axial, 20.5, 32.0), 2)
    lens = _lenses(mix, age, patient, rng)
    pvd = _detachment(kind, age, sphere, rng)

    size = SIZE_MEDIAN[kind] * np.exp(SIZE_SPREAD[kind] * rng.normal(size=n))
    size = np.where(kind == 0, np.clip(RING_MM + RING_SD * rng.normal(size=n), *RING_RANGE), size)
    step = mix["size_step_mm"]
    size = np.round(np.maximum(np.round(np.clip(size, 0.4, 14.0) / step), 1) * step, 2)

    vitreous = axial - shadow.LENS_BACK_MM
    nearest = np.where(lens == 0, SAFE_NATURAL_MM, SAFE_LENS_MM)
    room = vitreous - nearest - SAFE_RETINA_MM
    lens_gap = np.round(nearest + room * rng.beta(DEPTH_A[kind], DEPTH_B[kind]), 1)
    retina_gap = np.round(vitreous - lens_gap, 1)
    eccentricity = np.round(np.clip(rng.gamma(2.0, np.where(kind == 0, 4.0, 5.5)), 0, 45))
    pupil = np.round(
        np.clip(rng.normal(7.0 - 0.02 * (age - 60), 0.7), 3.5, 9.0), 1
    )  # O23 note: 6-8 mm, from memory
    opacities = (rng.random(n)[:, None] > np.cumsum(COUNTS, axis=1)[kind][:, :2]).sum(axis=1)

    seen = shadow.load(
        kind=kind,
        size_mm=size,
        vitreous_mm=lens_gap + retina_gap,
        age=age,
        eccentricity_deg=eccentricity,
        depth=lens_gap / (lens_gap + retina_gap),
        material=np.ones(n),
        fragments=np.zeros(n),
    )
    # Patients who feel little do not come: a shadow counts by its cube root, and the rating is at least 3.
    felt = np.exp(0.45 + 0.5 * rng.normal(size=n)[patient] + 0.3 * rng.normal(size=n)) * np.cbrt(seen)
    bother = np.clip(np.round(10 * felt / (1 + felt)), 3, 9)
    made = Features(
        patient, right, kind, opacities, size, lens_gap, retina_gap, eccentricity,
        cornea, lens, sphere, axial, pupil, pvd, np.where(age > 89, 90, age), bother,
    )  # fmt: skip
    return made.take(rng.permutation(n))


def _eyes(n: int, two_eyes: float, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    counts = 1 + (rng.random(n) < two_eyes)
    patient = np.repeat(np.arange(n), counts)[:n]
    second = np.concatenate([[False], patient[1:] == patient[:-1]])
    right = (rng.random(n) < 0.5)[patient] ^ second
    return patient, right, second


def _kinds(
    scenario: Scenario, patient: np.ndarray, second: np.ndarray, rng: np.random.Generator
) -> np.ndarray:
    n, mix = scenario.cases, scenario.values["mix"]
    kind = rng.choice(4, n, p=[mix[name] for name in KINDS])
    same = second & (rng.random(n) < 0.5)  # invented: half of the second eyes hold the same kind as the first
    kind[same] = kind[np.flatnonzero(same) - 1]
    if scenario.exactly:  # a kind of an exact count is first replaced everywhere, then put into so many cases
        exact = [KINDS.index(name) for name in scenario.exactly]
        kind = np.where(np.isin(kind, exact), next(k for k in range(4) if k not in exact), kind)
        kind[rng.permutation(n)[: sum(scenario.exactly.values())]] = np.repeat(
            exact, list(scenario.exactly.values())
        )
    return kind


def _ages(kind: np.ndarray, second: np.ndarray, patient: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    n = len(kind)
    # E10, E09: means of 57 to 66 where the vitreous is detached, up to 20 years younger where not.
    first = kind[np.maximum.accumulate(np.where(second, 0, np.arange(n)))]
    older = (first == 0) | (rng.random(n)[patient] < 0.6)
    age = np.where(older, 63.0, 45.0) + np.where(older, 8.5, 10.5) * rng.normal(size=n)[patient]
    return np.round(np.clip(age, 19, 97))


def _refraction(
    mix: dict[str, float], patient: np.ndarray, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    n = len(patient)
    myopic, hyperopic = mix["myopic_ablation"], mix["hyperopic_ablation"]
    surgery = rng.choice(3, n, p=[myopic, hyperopic, 1 - myopic - hyperopic]) + 1
    cornea = np.where(rng.random(n) < mix["corneal_surgery"], surgery, 0)[patient]
    shape = rng.gamma(2.0, 1.0, n)[patient]
    hyperopes = 0.22  # invented, near the 25.2% of E25
    group = rng.choice(3, n, p=[mix["myopes"], hyperopes, max(0.0, 1 - mix["myopes"] - hyperopes)])[patient]
    unoperated = np.choose(group, [-0.75 - 1.5 * shape, 1.0 + 0.7 * shape, 0.1 + 0.3 * (shape - 2) / 1.4])
    sphere = np.choose(cornea, [unoperated, -2.0 - 1.6 * shape, 1.25 + 0.7 * shape, -1.5 - 1.2 * shape])
    sphere = np.round(np.clip(sphere + 0.3 * rng.normal(size=n), -16, 8) * 4) / 4
    return cornea, sphere + 0.0  # no minus zero


def _lenses(
    mix: dict[str, float], age: np.ndarray, patient: np.ndarray, rng: np.random.Generator
) -> np.ndarray:
    n = len(age)
    operated = np.interp(age, LENS_AGES, LENS_SHARE)
    implant = (rng.random(n)[patient] < operated) & (rng.random(n) < BOTH_EYES)
    return np.where(implant, 1 + (rng.random(n) < mix["multifocal"])[patient], 0)


def _detachment(
    kind: np.ndarray, age: np.ndarray, sphere: np.ndarray, rng: np.random.Generator
) -> np.ndarray:
    n = len(kind)
    seeming_age = age + MYOPIA_YEARS * np.clip(
        -sphere / 6, 0, 1
    )  # invented: the full lead is reached at -6 dioptres
    complete = np.interp(seeming_age, PVD_AGES, PVD_SHARE)
    chance = rng.random(n)
    free = np.where(chance < complete, 0, np.where(rng.random(n) < 0.3, 1, 2))
    tied = np.select(
        [kind == k for k in PVD_GIVEN], [np.where(chance < p, 0, 1) for p in PVD_GIVEN.values()], 0
    )
    return np.where(np.isin(kind, list(PVD_GIVEN)), tied, free)
