"""Making a clinic from a scenario, each step from its own stream of random numbers."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from synthetic import burden, known, patients, tables, truth, writing
from synthetic import scenario as scenarios
from synthetic.about import WARNING
from synthetic.courses import Courses, draw_diary, draw_operators
from synthetic.patients import Features
from synthetic.scenario import ENDS, KnownLaw, Scenario

# A stream of random numbers for each step, so that leaving the truth out changes no table.
FEATURES, OPERATORS, OPTICS, COURSE, DIARY, TABLE, TRUTH = range(1, 8)
LAWS = {
    "burden": "an opacity shrinks by chance, a patient decides by what is seen; no regression model holds",
    "known": "multinomial hazards in discrete time with the coefficients below",
}
MEANING = (
    "chance of each end by sessions 1 to 8, before the first session, given the features of the case (those "
    "not recorded too) and its operator, averaged over luck and over patients; nobody lost, books open. "
    "Columns _new_operator: averaged over operators of the same site as well."
)


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
    if plan.known is None:
        run = _burden(plan, features, operator, site)
    else:
        run = _known(plan, plan.known, features, operator)
    true, error = run.truth() if truth else ({}, "not worked out.")
    case_table, visit_table = tables.write_columns(
        features,
        run.courses,
        draw_diary(plan, _stream(plan, DIARY)),
        [plan.operators[i] for i in operator],
        [plan.sites[i].code for i in site],
        plan,
        _stream(plan, TABLE),
    )
    if true:
        true = {"case": np.array(case_table["case"])} | true
    about = _about(plan, case_table, visit_table) | run.told | {"truth": {"meaning": MEANING, "error": error}}
    return Clinic(case_table, visit_table, true, about)


class _Run(NamedTuple):
    """What a law makes of the cases; the truth is worked out only when called for."""

    courses: Courses
    told: dict[str, Any]
    truth: Callable[[], tuple[dict[str, np.ndarray], str]]


def _stream(plan: Scenario, step: int) -> np.random.Generator:
    return np.random.default_rng([plan.seed, step])


def _by_operator(plan: Scenario, names: tuple[str, ...], effects: np.ndarray) -> dict[str, dict[str, float]]:
    return {
        code: dict(zip(names, effect, strict=True))
        for code, effect in zip(plan.operators, effects.tolist(), strict=True)
    }


def _known(plan: Scenario, law: KnownLaw, features: Features, operator: np.ndarray) -> _Run:
    drawn = _stream(plan, OPTICS).normal(size=(len(plan.operators), len(ENDS)))
    effects = law.operator_sd * drawn + 0.0  # no minus zero
    operators = _by_operator(plan, ENDS, effects)
    return _Run(
        known.courses(law, features, effects[operator], plan, _stream(plan, COURSE)),
        {"operators": operators, "coefficients": known.stated(law) | {"operators": operators}},
        lambda: (known.truth(law, features, effects[operator]), "in closed form; no Monte-Carlo error."),
    )


def _burden(plan: Scenario, features: Features, operator: np.ndarray, site: np.ndarray) -> _Run:
    rng = _stream(plan, OPTICS)
    eyes = burden.prepare(features, plan, rng)
    skill, policy = burden.draw_operators(plan, (len(plan.operators),), rng)
    at_site = (plan.values["practice"]["site_sd"] * rng.normal(size=len(plan.sites)))[site]
    rng = _stream(plan, COURSE)
    patient = [effect[features.patient] for effect in burden.draw_patients(plan, (len(operator),), rng)]
    own = burden.Effects(skill[operator], policy[operator] + at_site, *patient)

    def work_out() -> tuple[dict[str, np.ndarray], str]:
        true, error = truth.simulate(
            eyes, skill[operator], policy[operator], at_site, plan, [plan.seed, TRUTH]
        )
        return true, (
            f"by {error.repeats} simulated courses a case; Monte-Carlo standard error on average "
            f"{error.mean:.4f}, at most {error.largest:.4f}."
        )

    operators = _by_operator(plan, ("skill", "policy"), np.column_stack([skill, policy]))
    return _Run(burden.courses(eyes, own, plan, rng), {"operators": operators}, work_out)


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
