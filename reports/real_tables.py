"""Real tables for `reports.real_data`, as courses in sessions; none of them is about floaters."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

DATA = Path(__file__).parents[1] / "tests" / "external" / "data"


@dataclass(frozen=True)
class RealData:
    """Courses as they were, the session they are cut at for the fit, and what is asked of them."""

    name: str
    title: str
    about: str
    X: pd.DataFrame
    sessions: np.ndarray
    ending: np.ndarray
    ends: tuple[str, ...]
    horizons: tuple[int, ...]  # the last is where courses are cut
    groups: np.ndarray | None = None

    @property
    def cut(self) -> tuple[np.ndarray, np.ndarray]:
        """Sessions and endings, courses longer than the last horizon taken as going on at it."""
        last = self.horizons[-1]
        return np.minimum(self.sessions, last), np.where(self.sessions <= last, self.ending, 0)


def unempdur() -> RealData:
    spells = pd.read_csv(DATA / "unempdur.csv")
    about = (
        "3343 spells without work; a session is two weeks; ends are full-time, part-time and other work. Cut at 8 "
        "sessions of 28. Columns: age, log wage before, unemployment benefit. UnempDur of R package Ecdat."
    )
    X, ends = spells[["age", "logwage", "ui"]], ("full-time", "part-time", "other work")
    title = "Spells without work, three ends"
    return RealData(
        "unempdur", title, about, X, spells.spell.to_numpy(), spells.cause.to_numpy(), ends, (1, 2, 5, 8)
    )


def full_time() -> RealData:
    spells = pd.read_csv(DATA / "unempdur.csv")
    about = (
        "The same spells with full-time work as the one end, other work counted as lost. Cut at 10 sessions."
    )
    X, ending = spells[["age", "logwage", "ui"]], (spells.cause == 1).astype(int).to_numpy()
    title = "Spells without work, full-time alone"
    return RealData(
        "full_time", title, about, X, spells.spell.to_numpy(), ending, ("full-time",), (1, 4, 6, 10)
    )


def retinopathy() -> RealData:
    eyes = pd.read_csv(DATA / "retinopathy.csv")
    sight_lost = eyes.status == 1
    # loss of sight belongs to the half-year it falls in; an eye not followed to the end of one tells nothing of it
    half_years = np.where(sight_lost, np.ceil(eyes.months / 6), np.floor(eyes.months / 6)).astype(int)
    seen = half_years > 0
    about = (
        f"{seen.sum()} eyes of {eyes.patient[seen].nunique()} patients with diabetes, one eye of each treated by "
        f"laser; a session is half a year, the end severe loss of sight; {(~seen).sum()} eyes followed for less than "
        "one session are left out. Cut at 8 sessions. Columns: laser treatment, onset as an adult, their product, "
        "risk score of the eye. Both eyes of a patient are resampled and held out together. retinopathy of R package "
        "survival; Huster, Brookmeyer and Self, Biometrics 1989;45:145-156."
    )
    X = eyes.assign(trt_adult=eyes.trt * eyes.adult)[["trt", "adult", "trt_adult", "risk"]][seen]
    title, groups = "Eyes of patients with diabetes, two a patient", eyes.patient[seen].to_numpy()
    ending = eyes.status[seen].to_numpy()
    return RealData(
        "retinopathy", title, about, X, half_years[seen], ending, ("sight lost",), (2, 4, 6, 8), groups
    )


def first_event() -> RealData:
    boys = pd.read_csv(DATA / "validation_first_sex.csv")
    about = (
        "180 boys; a session is a school grade, 7 to 12; all were followed to the event or to the end of grade 12. "
        "Columns: change of parents, antisocial behaviour of parents. Data of Singer and Willett, Applied Longitudinal "
        "Data Analysis, 2003."
    )
    X, ending = boys[["parental_transition", "antisociality"]], 1 - boys.censor.to_numpy()
    title, grades = "A first event by school grade", boys.grade.to_numpy() - 6
    return RealData("first_event", title, about, X, grades, ending, ("event",), (2, 4, 6))
