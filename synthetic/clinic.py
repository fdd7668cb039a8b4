"""Making a clinic from a scenario: features, courses, bookings, tables and truth, each from its own random stream."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from synthetic import burden, known, patients, tables, truth, writing
from synthetic import scenario as scenarios
from synthetic.about import WARNING
from synthetic.courses import Courses, draw_diary, draw_operators
from synthetic.patients import Features
from synthetic.scenario import ENDS, Scenario

# A stream of random numbers for each step, so that leaving the truth out changes no table.
FEATURES, OPERATORS, OPTICS, COURSE, DIARY, TABLE, TRUTH = range(1, 8)
LAWS = {
    "burden": "an opacity that shrinks by chance and a patient who decides by what is seen; no regression model holds",
    "known": "multinomial hazards in discrete time with the coefficients below",
}


@dataclass(frozen=True)
class Clinic:
    """An invented clinic: tables as written, the truth about each case, and how it was made."""

    cases: dict[str, list[str]]
    visits: dict[str, list[str]]
    truth: dict[str, np.ndarray]  # empty if it was not asked for
    about: dict[str, Any]

    def write(self, folder: str | Path) -> list[Path]:
        """Write cases.csv, visits.csv, truth.csv and ABOUT.txt, all or nothing.

        Parameters
        ----------
        folder : str or pathlib.Path
            Made if it does not exist. Files of these names are replaced; without truth an older truth.csv is
            removed, since it would belong to other cases.

        Returns
        -------
        list of pathlib.Path
            The files written.

        Raises
        ------
        ScenarioError
            The folder cannot be made or written to.
        """
        return writing.write(self, Path(folder))


def make(
    scenario: str | Path, *, seed: int | None = None, cases: int | None = None, truth: bool = True
) -> Clinic:
    """Return an invented clinic; the same scenario, seed and number of cases give the same clinic.

    Parameters
    ----------
    scenario : str or pathlib.Path
        Name of a scenario kept with the package, or path of a TOML file.
    seed : int, optional
        Instead of the seed of the scenario.
    cases : int, optional
        Instead of the number of cases of the scenario.
    truth : bool
        Whether to work out the true chances of every case as well; the tables are the same either way.

    Returns
    -------
    Clinic

    Raises
    ------
    ScenarioError
        The scenario is unknown or holds a value that is not allowed.

    Examples
    --------
    >>> clinic = make("small", seed=3, cases=20, truth=False)
    >>> len(clinic.cases["case"]), set(clinic.cases["site"])
    (20, {'invented_1'})
    """
    plan = scenarios.load(scenario, seed=seed, cases=cases)
    features = patients.draw(plan, _stream(plan, FEATURES))
    site, operator = draw_operators(plan, features.patient, _stream(plan, OPERATORS))
    codes = [code for place in plan.sites for code in place.operators]
    if plan.known is not None:
        courses, effects, true, told = _known(plan, features, operator, codes, truth)
    else:
        courses, effects, true, told = _burden(plan, features, operator, site, codes, truth)
    diary = draw_diary(plan, _stream(plan, DIARY))
    case_table, visit_table = tables.write_columns(
        features,
        courses,
        diary,
        [codes[i] for i in operator],
        [plan.sites[i].code for i in site],
        plan,
        _stream(plan, TABLE),
    )
    about = _about(plan, case_table, visit_table) | {"operators": effects} | told
    if true:
        true = {"case": np.array(case_table["case"])} | true
    return Clinic(case_table, visit_table, true, about)


def _stream(plan: Scenario, step: int) -> np.random.Generator:
    return np.random.default_rng([plan.seed, step])


Made = tuple[Courses, dict[str, Any], dict[str, np.ndarray], dict[str, Any]]


def _known(
    plan: Scenario, features: Features, operator: np.ndarray, codes: list[str], with_truth: bool
) -> Made:
    law = plan.known
    effects = law.operator_sd * _stream(plan, OPTICS).normal(size=(len(codes), len(ENDS)))
    courses = known.courses(law, features, effects[operator], plan, _stream(plan, COURSE))
    true = known.truth(law, features, effects[operator]) if with_truth else {}
    by_code = dict(zip(codes, effects, strict=True))
    told = {
        "coefficients": known.stated(law, by_code),
        "truth": _meaning(
            "in closed form (Gauss-Hermite rule over patients); no Monte-Carlo error.", with_truth
        ),
    }
    return (
        courses,
        {code: dict(zip(ENDS, e.tolist(), strict=True)) for code, e in by_code.items()},
        true,
        told,
    )


def _burden(
    plan: Scenario,
    features: Features,
    operator: np.ndarray,
    site: np.ndarray,
    codes: list[str],
    with_truth: bool,
) -> Made:
    rng = _stream(plan, OPTICS)
    eyes = burden.prepare(features, plan, rng)
    skill, policy = burden.draw_operators(plan, (len(codes),), rng)
    at_site = (plan.values["practice"]["site_sd"] * rng.normal(size=len(plan.sites)))[site]
    rng = _stream(plan, COURSE)
    patient = [effect[features.patient] for effect in burden.draw_patients(plan, (len(operator),), rng)]
    own = burden.Effects(skill[operator], policy[operator] + at_site, *patient)
    courses = burden.courses(eyes, own, plan, rng)
    true, error = {}, "not worked out."
    if with_truth:
        true, spread = truth.simulate(
            eyes, skill[operator], policy[operator], at_site, plan, [plan.seed, TRUTH]
        )
        error = (
            f"by {spread['repeats']} simulated courses a case; Monte-Carlo standard error on average "
            f"{spread['mean_error']:.4f}, at most {spread['largest_error']:.4f}."
        )
    effects = {
        code: {"skill": round(float(a), 4), "policy": round(float(b), 4)}
        for code, a, b in zip(codes, skill, policy, strict=True)
    }
    return courses, effects, true, {"truth": _meaning(error, with_truth) | (spread if with_truth else {})}


def _meaning(error: str, with_truth: bool) -> dict[str, Any]:
    meaning = (
        "chance of each end by sessions 1 to 8, told before the first session, given the features of the case "
        "(those not recorded too) and its operator, averaged over luck and over patients; nobody lost, books open. "
        "Columns _new_operator: averaged over operators of the same site as well."
    )
    return {"meaning": meaning if with_truth else "not written.", "error": error}


def _about(plan: Scenario, cases: dict[str, list[str]], visits: dict[str, list[str]]) -> dict[str, Any]:
    return {
        "warning": WARNING,
        "invented": True,
        "scenario": plan.name,
        "summary": plan.summary,
        "law": plan.law,
        "law_in_words": LAWS[plan.law],
        "seed": plan.seed,
        "cases": plan.cases,
        "patients": len(set(cases["patient"])),
        "visits": len(visits["case"]),
        "first_start": plan.first_start.isoformat(),
        "last_start": plan.last_start.isoformat(),
        "closed": plan.closed.isoformat(),
        "sites": [site.code for site in plan.sites],
        "settings": plan.values,
    }
