"""An invented clinic, its model, and one folder shared from it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

import retreat
import synthetic
from retreat.study.sharing import disclosure, sharing
from retreat.study.sharing.disclosure import Disclosure
from retreat.study.sharing.sharing import Shared, share

if TYPE_CHECKING:
    import pandas as pd

    from retreat.model import Model


@dataclass(frozen=True)
class Clinic:
    cases: pd.DataFrame
    visits: pd.DataFrame
    model: Model


def quick(cases: pd.DataFrame, model: Model, known: Sequence[str], seed: int) -> Disclosure:
    """One halving, which decides nothing."""
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(disclosure, "HALVINGS", 1)
        found = disclosure.disclosure_of(cases, model, known, seed)
    return replace(found, measures=tuple(replace(measure, tolerated=1.0) for measure in found.measures))


@pytest.fixture(autouse=True, scope="session")
def quick_check() -> Iterator[None]:
    # the check has tests of its own; elsewhere it costs time, and by chance a twin
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(sharing, "disclosure_of", quick)
        yield


@pytest.fixture(scope="session")
def clinic(tmp_path_factory: pytest.TempPathFactory) -> Clinic:
    folder = tmp_path_factory.mktemp("sharing_clinic")
    synthetic.make("established", seed=11, cases=300, truth=False).write(folder)
    cases = retreat.read_cases(folder / "cases.csv")
    model = retreat.fit(cases, "core", seed=1, draws=200)
    return Clinic(cases, retreat.read_visits(folder / "visits.csv", cases), model)


@pytest.fixture(scope="session")
def shared(quick_check: None, clinic: Clinic, tmp_path_factory: pytest.TempPathFactory) -> Shared:
    place = tmp_path_factory.mktemp("sharing")
    return share(
        clinic.cases,
        clinic.model,
        place / "out",
        crosswalk=place / "crosswalk.csv",
        visits=clinic.visits,
        seed=3,
    )


@pytest.fixture
def nowhere(tmp_path: Path) -> dict[str, Path]:
    return {"folder": tmp_path / "out", "crosswalk": tmp_path / "crosswalk.csv"}
