"""Reading a scenario: a TOML file checked against the table of settings, refused in one line."""

from __future__ import annotations

import datetime as dt
import re
import tomllib
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from synthetic.checking import ScenarioError, date, number, table, whole
from synthetic.settings import SETTINGS, defaults

KINDS = ("ring", "strand", "cloud", "sheet")
ENDS = ("relieved", "stopped")
COVARIATES = (
    "opacity:strand",
    "opacity:cloud",
    "opacity:sheet",
    "log(size_mm/2)",
    "depth-0.5",
    "surgery",
    "surgery*(depth-0.5)",
)
FOLDER = Path(__file__).parent / "scenarios"
MOST_CASES, MOST_SEED = 1_000_000, 2**63 - 1
SECTIONS = {setting.section for setting in SETTINGS}
TOP = {"law", "summary", "seed", "cases", "first_start", "last_start", "closed", "sites", "exactly", "known"}


@dataclass(frozen=True)
class Site:
    """A place of treatment: its code, its share of the patients and its operators."""

    code: str
    share: float
    operators: tuple[str, ...]


@dataclass(frozen=True)
class KnownLaw:
    """Coefficients of the textbook law, rows in the order of `ENDS`, columns of `COVARIATES`."""

    sessions: np.ndarray  # (ends, sessions); the last session stands for all later ones
    coefficients: np.ndarray  # (ends, covariates)
    operator_sd: np.ndarray  # (ends,)
    patient_sd: np.ndarray  # (ends,)
    lost_per_session: float


@dataclass(frozen=True)
class Scenario:
    """All that decides a clinic, apart from chance."""

    name: str
    law: str
    summary: str
    seed: int
    cases: int
    first_start: dt.date
    last_start: dt.date
    closed: dt.date
    sites: tuple[Site, ...]
    values: dict[str, dict[str, float]]
    exactly: dict[str, int]
    known: KnownLaw | None

    @property
    def operators(self) -> tuple[str, ...]:
        """Codes of all operators, site by site."""
        return tuple(code for site in self.sites for code in site.operators)


def names() -> list[str]:
    """Return the names of the scenarios kept with the package, sorted."""
    return sorted(path.stem for path in FOLDER.glob("*.toml"))


def load(scenario: str | Path, *, seed: int | None = None, cases: int | None = None) -> Scenario:
    """Return a scenario by name or from a TOML file, with another seed or number of cases if given.

    Parameters
    ----------
    scenario : str or pathlib.Path
        A name of `names`, or the path of a TOML file.
    seed : int, optional
        Seed, 0 or more.
    cases : int, optional
        Number of cases, 1 to 1,000,000.

    Returns
    -------
    Scenario

    Raises
    ------
    ScenarioError
        Unknown name, unreadable file, or a value that is not allowed; says which.
    """
    path = Path(scenario)
    if path.suffix != ".toml":
        path = FOLDER / f"{scenario}.toml"
        if str(scenario) not in names():
            raise ScenarioError(
                f"scenario {str(scenario)!r} is not known; choose {', '.join(names())} or give a .toml file"
            )
    try:
        text = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "not UTF-8 text"
        raise ScenarioError(f"scenario file {path}: cannot be read ({reason})") from error
    except tomllib.TOMLDecodeError as error:
        raise ScenarioError(f"scenario file {path}: not valid TOML ({error})".replace("\n", " ")) from error
    try:
        made = _build(path.stem, text)
        made = made if seed is None else replace(made, seed=whole("seed", seed, 0, MOST_SEED))
        made = made if cases is None else replace(made, cases=whole("cases", cases, 1, MOST_CASES))
        _check_counts(made)
    except ScenarioError as error:
        raise ScenarioError(f"scenario {path.stem}: {error}") from None
    return made


def _build(name: str, text: dict[str, Any]) -> Scenario:
    for key in text:
        if key not in TOP | SECTIONS:
            raise ScenarioError(f"{key} is not a setting; allowed here: {', '.join(sorted(TOP | SECTIONS))}")
    law = text.get("law")
    if law not in ("burden", "known"):
        raise ScenarioError(f"law = {law!r}; allowed: burden or known")
    first, last, closed = (date(key, text.get(key)) for key in ("first_start", "last_start", "closed"))
    if not first <= last <= closed:
        raise ScenarioError("dates must follow one another: first_start, last_start, closed")
    exactly = table("exactly", text.get("exactly", {}))
    for kind in exactly:
        if kind not in KINDS or len(exactly) == len(KINDS):
            raise ScenarioError(f"exactly.{kind}: allowed are counts of up to three of {', '.join(KINDS)}")
    return Scenario(
        name=name,
        law=law,
        summary=" ".join(str(text.get("summary", "")).split()),
        seed=whole("seed", text.get("seed", 1), 0, MOST_SEED),
        cases=whole("cases", text.get("cases"), 1, MOST_CASES),
        first_start=first,
        last_start=last,
        closed=closed,
        sites=_sites(text.get("sites")),
        values=_values(text),
        exactly={kind: whole(f"exactly.{kind}", count, 0, MOST_CASES) for kind, count in exactly.items()},
        known=_known(table("known", text.get("known"))) if law == "known" else None,
    )


def _values(text: dict[str, Any]) -> dict[str, dict[str, float]]:
    values = defaults()
    allowed = {(setting.section, setting.name): setting for setting in SETTINGS}
    for section in values:
        for name, value in table(section, text.get(section, {})).items():
            if (section, name) not in allowed:
                raise ScenarioError(
                    f"{section}.{name} is not a setting; allowed: {', '.join(values[section])}"
                )
            setting = allowed[section, name]
            values[section][name] = number(f"{section}.{name}", value, setting.low, setting.high)
    mix = values["mix"]
    if abs(sum(mix[kind] for kind in KINDS) - 1) > 1e-6:
        raise ScenarioError(f"the shares of {', '.join(KINDS)} in [mix] must add to 1")
    if mix["myopic_ablation"] + mix["hyperopic_ablation"] > 1:
        raise ScenarioError("mix.myopic_ablation and mix.hyperopic_ablation add to more than 1")
    return values


def _known(text: dict[str, Any]) -> KnownLaw:
    for key in text:
        if key not in {*ENDS, "lost_per_session"}:
            raise ScenarioError(f"known.{key} is not a setting; allowed: {', '.join(ENDS)}, lost_per_session")
    ends = [table(f"known.{end}", text.get(end)) for end in ENDS]
    fields = ("sessions", "operator_sd", "patient_sd", *COVARIATES)
    for end, given in zip(ENDS, ends, strict=True):
        for key in [*fields, *given]:
            if key not in given or key not in fields:
                what = "is missing" if key not in given else "is not a setting"
                raise ScenarioError(f"known.{end}.{key!r} {what}; needed: {', '.join(fields)}")
        if not isinstance(given["sessions"], list) or not given["sessions"]:
            raise ScenarioError(f"known.{end}.sessions must be a list of numbers, one a session")

    def each(key: str, low: float, high: float) -> list[float]:
        return [
            number(f"known.{end}.{key}", given[key], low, high) for end, given in zip(ENDS, ends, strict=True)
        ]

    length = max(len(given["sessions"]) for given in ends)
    rows = []
    for end, given in zip(ENDS, ends, strict=True):
        row = [number(f"known.{end}.sessions", value, -50, 50) for value in given["sessions"]]
        rows.append(row + [row[-1]] * (length - len(row)))
    return KnownLaw(
        sessions=np.array(rows),
        coefficients=np.array([each(key, -50, 50) for key in COVARIATES]).T,
        operator_sd=np.array(each("operator_sd", 0, 5)),
        patient_sd=np.array(each("patient_sd", 0, 5)),
        lost_per_session=number("known.lost_per_session", text.get("lost_per_session", 0.0), 0, 0.95),
    )


def _sites(given: object) -> tuple[Site, ...]:
    if not isinstance(given, list) or not given:
        raise ScenarioError("sites are missing; give [[sites]] with code, share and operators")
    sites = []
    for entry in given:
        table("sites", entry)
        code, operators = entry.get("code"), entry.get("operators")
        if not isinstance(code, str) or not re.fullmatch(r"invented_[a-z0-9]+", code):
            raise ScenarioError(
                f"sites.code = {code!r}; must begin with invented_ and go on in small letters or digits"
            )
        if not isinstance(operators, list) or not operators:
            raise ScenarioError(f"sites.operators of {code} must be a list of codes such as op_a")
        for operator in operators:
            if not isinstance(operator, str) or not re.fullmatch(r"op_[a-z]+", operator):
                raise ScenarioError(
                    f"sites.operators of {code}: {operator!r}; allowed: op_ and small letters"
                )
        sites.append(
            Site(code, number("sites.share", entry.get("share", 1.0), 0.001, 1000), tuple(operators))
        )
    every = [operator for site in sites for operator in site.operators]
    if len(set(every)) < len(every) or len({site.code for site in sites}) < len(sites):
        raise ScenarioError("codes of sites and of operators may each be used once")
    return tuple(sites)


def _check_counts(made: Scenario) -> None:
    rare = int(made.values["practice"]["rare_operator_cases"])
    if sum(made.exactly.values()) > made.cases or rare > made.cases:
        raise ScenarioError(f"{made.cases} cases are fewer than the exact counts this scenario asks for")
    if rare and len(made.sites[-1].operators) < 2:
        raise ScenarioError("practice.rare_operator_cases needs two operators or more at the last site")
