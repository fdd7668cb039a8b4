"""The library and the invented clinic spell the written format out apart; here both must agree."""

from __future__ import annotations

import pytest

import retreat
import synthetic


@pytest.mark.parametrize("scenario", [name for name in synthetic.names() if name != "registry"])
def test_the_library_accepts_every_invented_table(tmp_path, scenario):
    clinic = synthetic.make(scenario, truth=False)
    clinic.write(tmp_path)
    cases = retreat.read_cases(tmp_path / "cases.csv")
    visits = retreat.read_visits(tmp_path / "visits.csv", cases)
    assert list(cases.columns) == list(clinic.cases)
    assert list(visits.columns) == list(clinic.visits)
    assert cases["sessions"].astype(int).tolist() == [int(cell) for cell in clinic.cases["sessions"]]


def test_the_library_notices_when_visits_and_sessions_disagree(tmp_path):
    clinic = synthetic.make("known", cases=40, truth=False)
    clinic.cases["sessions"][3] = str(int(clinic.cases["sessions"][3]) + 1)
    clinic.write(tmp_path)
    cases = retreat.read_cases(tmp_path / "cases.csv")
    with pytest.raises(retreat.TableError, match="sessions"):
        retreat.read_visits(tmp_path / "visits.csv", cases)
