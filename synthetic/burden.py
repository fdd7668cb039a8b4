"""The law `burden`: an opacity that shrinks by chance, and a patient who decides by what is still seen.

No regression model holds for it. Each session removes a share of the material, pushes the rest back and
throws fragments; the bother follows the shadow; relief, going on, stopping and loss follow from bother,
progress and patience. Apart from the settings that name a published row, every number here is invented.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from synthetic import beam, shadow
from synthetic.courses import ONGOING, RELIEVED, STOPPED, Courses
from synthetic.patients import SAFE_LENS_MM, SAFE_NATURAL_MM, SAFE_RETINA_MM, SIZE_MEDIAN, Features
from synthetic.scenario import KINDS, Scenario

EVENT_SHARE = np.array([2, 1, 7]) / 10  # L60: two lens hits, one retinal haemorrhage, seven pressure rises
COUNT_EFFECT = np.array([1.0, 0.85, 0.70])  # removal rate: single, few, many
FRAGMENT_EFFECT = np.array([1.0, 0.7, 0.5, 0.3])  # share thrown, by kind
REFERENCE_MJ = 2.8  # energy arriving at an ordinary target


@dataclass(frozen=True)
class Eyes:
    """What the mechanism needs of each case; arrays of shape (cases,)."""

    features: Features
    focus: np.ndarray  # energy that breaks down over energy fired, from the cone and the cornea, 0 to 1
    narrowed: np.ndarray  # how the lens narrows the room to work, mm
    full_load: np.ndarray  # shadow before the first session


class Effects(NamedTuple):
    """Effects of operators and patients; arrays that broadcast against (repeats, cases)."""

    skill: np.ndarray  # operator, on the log removal rate
    policy: np.ndarray  # operator and site, on calling relief, logits
    healing: np.ndarray  # patient, on the log removal rate
    patience: np.ndarray  # patient, on going on, logits
    demand: np.ndarray  # patient, on the bother accepted, points


class State(NamedTuple):
    """An opacity under treatment; arrays of shape (cases,) or (repeats, cases)."""

    material: np.ndarray  # share left, 0 to 1
    depth: np.ndarray
    hidden: np.ndarray  # fragments thrown out of sight
    drifting: np.ndarray  # fragments where they are seen
    bother: np.ndarray


class Session(NamedTuple):
    """What a session did, and the chances of what follows; arrays like those of the state."""

    energy_mj: np.ndarray
    relieved: np.ndarray  # chance of relief
    stopped: np.ndarray  # chance of stopping, not counting an adverse event
    reasons: np.ndarray  # (3, ...) chances of no benefit, surgery, choice among those who stop
    lost: np.ndarray  # chance of loss among those who go on


def prepare(features: Features, scenario: Scenario, rng: np.random.Generator) -> Eyes:
    """Return the cases with the light that reaches their opacities worked out."""
    s, n = scenario.values["burden"], len(features.kind)
    spots = beam.footprint(
        lens_gap_mm=features.lens_gap_mm,
        eccentricity_deg=features.eccentricity_deg,
        pupil_mm=features.pupil_mm,
        zone_mm=np.clip(rng.normal(s["zone_mm"], 0.67, n), 3.0, 7.0),  # spread of the functional zone: O40
        outer_mm=s["outer_mm"],
        off_centre_mm=rng.normal(0, s["decentring_mm"], (n, 2)),
        rng=rng,
    )
    dioptres = np.where(features.cornea == 0, 0.0, np.abs(features.sphere_d))
    uneven = 0.03 + spots.mixing  # the treated centre by itself is not quite smooth
    waves = s["waves_per_dioptre"] * dioptres * uneven
    focus = np.maximum(spots.through, 0.1) / beam.threshold(waves, s["threshold_18_waves"])
    focus = focus * np.where(features.lens == 2, s["multifocal_light"], 1.0)
    focus = focus * np.exp(-((features.eccentricity_deg / 45) ** 2))
    start = _load(features, features.depth, np.ones(n), np.zeros(n))
    narrowed = np.where(features.lens == 0, SAFE_NATURAL_MM, SAFE_LENS_MM)
    return Eyes(features, focus, narrowed, start)


def draw_patients(
    scenario: Scenario, shape: tuple[int, ...], rng: np.random.Generator
) -> tuple[np.ndarray, ...]:
    """Return new patient effects of that shape: healing, patience, demand."""
    s = scenario.values["burden"]
    healing, patience, demand = (
        s[name] * rng.normal(size=shape) for name in ("healing_sd", "patience_sd", "demand_sd")
    )
    return healing, patience, demand


def draw_operators(
    scenario: Scenario, shape: tuple[int, ...], rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Return new operator effects of that shape: skill and policy."""
    s = scenario.values["practice"]
    return s["operator_sd"] * rng.normal(size=shape), s["policy_sd"] * rng.normal(size=shape)


def begin(eyes: Eyes, shape: tuple[int, ...]) -> State:
    """Return the state before the first session, of the shape asked for."""
    zero = np.zeros(shape)
    return State(zero + 1, zero + eyes.features.depth, zero, zero, zero + eyes.features.bother)


def treat(
    eyes: Eyes, state: State, effects: Effects, number: int, scenario: Scenario, rng: np.random.Generator
) -> tuple[State, Session]:
    """Return the state after session `number`, counted from 1, and what the session did."""
    s, eye, shape = scenario.values["burden"], eyes.features, state.material.shape
    # Near lens or retina the operator fires less; a poor focus is met with more energy, within limits.
    room = np.minimum(
        state.depth * eye.vitreous_mm - eyes.narrowed, (1 - state.depth) * eye.vitreous_mm - SAFE_RETINA_MM
    )
    careful = 0.55 + 0.45 / (1 + np.exp(-(room - 0.5) / 0.6))
    fired = scenario.values["practice"]["energy_mj"] * careful * eyes.focus**-0.25
    fired = np.clip(fired * np.exp(0.15 * rng.normal(size=shape)), 2.0, 9.0)
    dose = fired * eyes.focus * np.exp(-s["deep_loss"] * state.depth) / REFERENCE_MJ

    rates = np.array([s[f"{kind}_rate"] for kind in KINDS])
    steady = (
        rates[eye.kind]
        * COUNT_EFFECT[eye.opacities]
        * (eye.size_mm / SIZE_MEDIAN[eye.kind]) ** -s["size_power"]
    )
    luck = np.exp(effects.skill + effects.healing + s["luck_sd"] * rng.normal(size=shape))
    share = -np.expm1(-steady * dose**0.9 * luck)
    removed = state.material * share
    material = np.maximum(state.material - removed, 1e-4)
    broken = (eye.kind == 0) & (state.material >= shadow.BREAKS_AT) & (material < shadow.BREAKS_AT)
    thrown = s["fragments"] * FRAGMENT_EFFECT[eye.kind] * removed * (1 + broken)
    # The pieces seen at the start are chased as the rest is treated; some of those thrown earlier drift back.
    drifting = state.drifting * (1 - 0.8 * share) + s["returning"] * state.hidden + 0.1 * thrown
    hidden = (1 - s["returning"]) * state.hidden + 0.9 * thrown
    depth = state.depth + (1 - state.depth) * s["push"] * np.exp(0.5 * rng.normal(size=shape))
    depth = np.minimum(depth, 1 - 0.5 / eye.vitreous_mm)

    seen = _load(eye, depth, material, drifting) / eyes.full_load
    felt = eye.bother / (10 - eye.bother) * seen * (1 - s["adapting"]) ** number
    bother = 10 * felt / (1 + felt)
    after = State(material, depth, hidden, drifting, bother)
    return after, _judge(eye, after, share, effects, number, fired, s)


def _judge(
    eye: Features,
    after: State,
    share: np.ndarray,
    effects: Effects,
    number: int,
    fired: np.ndarray,
    s: dict[str, float],
) -> Session:
    accepted = s["accepted"] + effects.demand + 0.25 * (eye.bother - 6)
    relieved = _chance((accepted - after.bother) / 0.7 + effects.policy)
    worn = 0.35 * (number - 1) - effects.patience
    no_benefit = _chance(s["futility"] + 1.7 * np.exp(-3.0 * share) + 0.5 * worn)
    surgery = _chance(s["surgery"] + 0.45 * (after.bother - 5) + 1.2 * (after.material - 0.5) + 0.5 * worn)
    choice = _chance(s["choice"] + worn)
    stays = (1 - no_benefit) * (1 - surgery) * (1 - choice)
    parts = -np.log1p(-np.stack([no_benefit, surgery, choice]))
    lost = _chance(s["lost"] + s["lost_slope"] * (5 - after.bother) + 0.5 * worn)
    return Session(fired, relieved, (1 - relieved) * (1 - stays), parts / parts.sum(axis=0), lost)


def courses(eyes: Eyes, effects: Effects, scenario: Scenario, rng: np.random.Generator) -> Courses:
    """Return one course for every case, as chance has it."""
    n, longest = len(eyes.focus), int(scenario.values["practice"]["max_sessions"])
    s = scenario.values["burden"]
    sessions, ending, reason = np.zeros(n, dtype=int), np.full(n, ONGOING), np.full(n, -1)
    inside, state, noted = np.ones(n, dtype=bool), begin(eyes, (n,)), []
    for k in range(longest):
        before = state
        state, done = treat(eyes, state, effects, k + 1, scenario, rng)
        harmed = rng.random(n) < s["event"]
        event = np.where(harmed, 1 + rng.choice(3, n, p=EVENT_SHARE), 0)
        noted.append((*_noted(eyes.features, before, state, done, scenario, rng), event))

        harmed_stop = harmed & (rng.random(n) < s["event_stops"])
        chance = rng.random(n)
        relieved = chance < done.relieved
        stopped = ~relieved & (harmed_stop | (chance < done.relieved + done.stopped))
        drawn = (rng.random(n) > np.cumsum(done.reasons, axis=0)[:2]).sum(axis=0)
        why = np.where(harmed_stop, 1, np.array([0, 2, 3])[drawn])
        lost = ~relieved & ~stopped & (rng.random(n) < done.lost)
        sessions[inside] = k + 1
        ending = np.where(inside & relieved, RELIEVED, np.where(inside & stopped, STOPPED, ending))
        reason = np.where(inside & stopped, why, reason)
        inside &= ~(relieved | stopped | lost)
    return Courses(sessions, ending, reason, *(np.stack(cells, axis=1) for cells in zip(*noted, strict=True)))


def _noted(
    eye: Features, before: State, after: State, done: Session, scenario: Scenario, rng: np.random.Generator
) -> tuple[np.ndarray, ...]:
    """Return what is noted of a session: pulses, energy, share cleared, fragments and bother."""
    error = rng.normal(size=(5, len(eye.kind)))
    work = (eye.size_mm / 2.5) ** 0.35 * (0.35 + 0.65 * before.material) ** 0.5
    pulses = scenario.values["practice"]["pulses"] * work * np.exp(0.35 * error[0])
    cleared = np.clip(1 - after.material + 0.06 * error[1], 0, 1)
    pieces = after.drifting + 0.4 * after.hidden
    fragments = 1 * (pieces > 0.03 * np.exp(0.5 * error[2])) + (pieces > 0.16 * np.exp(0.3 * error[3]))
    bother = np.round(np.clip(after.bother + 0.4 * error[4], 0, 10))
    return np.clip(np.round(pulses), 10, 900), done.energy_mj, cleared, fragments, bother


def _load(eye: Features, depth: np.ndarray, material: np.ndarray, fragments: np.ndarray) -> np.ndarray:
    return shadow.load(
        kind=eye.kind, size_mm=eye.size_mm, vitreous_mm=eye.vitreous_mm, age=eye.age,
        eccentricity_deg=eye.eccentricity_deg, depth=depth, material=material, fragments=fragments,
    )  # fmt: skip


def _chance(logit: np.ndarray) -> np.ndarray:
    return 1 / (1 + np.exp(-logit))
