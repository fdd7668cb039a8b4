"""An invented clinic on disk, as CSV files or as an SQLite file, for the tests of `retreat.record`."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import retreat
from retreat.record import keep

CASES = (
    "case,patient,eye,operator,site,started,sessions,ending,stop_reason,opacity,size_mm,relief_after\n"
    "k7f3q9zt,p4x,right,op1,invented_s1,2021-03-04,2,relieved,not_applicable,ring,2.5,1\n"
    "m2c8w5rd,p4x,left,op1,invented_s1,2021,1,ongoing,not_applicable,strand,unknown,not_recorded\n"
    "t9b4k6hn,p0t2,right,op2,invented_s1,2022,1,ongoing,not_applicable,cloud,4.0,not_recorded\n"
    "w3d7j2ps,A1q,left,op2,invented_s1,not_applicable,0,ongoing,not_applicable,sheet,7.25,not_applicable\n"
)
VISITS = (
    "case,session,day,operator,pulses,energy_mj,cleared,fragments,bother,event,missed\n"
    "k7f3q9zt,1,0,op1,210,4.50,0.6,few,5,none,no\n"
    "k7f3q9zt,2,44,op1,150,4.5,0.95,none,1,none,no\n"
    "m2c8w5rd,1,0,op1,180,5,0.2,many,8,none,no\n"
    "t9b4k6hn,1,0,op2,250,6,0.3,many,7,pressure,no\n"
)
VISIT: dict[str, Any] = {
    "case": "m2c8w5rd", "day": 45, "operator": "op1", "pulses": 320, "energy_mj": 4.2, "cleared": 0.6,
    "fragments": "few", "bother": 3, "event": "none",
}  # fmt: skip


@dataclass(frozen=True)
class Clinic:
    """Where the tables of a clinic lie; both the same file where that is SQLite."""

    visits: Path
    cases: Path

    @property
    def files(self) -> tuple[Path, ...]:
        """The files, once each."""
        return tuple(dict.fromkeys((self.visits, self.cases)))

    def cells(self) -> tuple[list[list[Any]], list[list[Any]]]:
        """Typed cells of both tables; a TableError if they are not sound, taken together."""
        cases = retreat.read_cases(self.cases)
        visits = retreat.read_visits(self.visits, cases)
        return tuple(table.astype("str").to_numpy().tolist() for table in (cases, visits))  # type: ignore[return-value]


def csv_clinic(folder: Path, cases: str = CASES, visits: str = VISITS) -> Clinic:
    """The clinic as CSV files."""
    folder.mkdir(parents=True, exist_ok=True)
    clinic = Clinic(folder / "visits.csv", folder / "cases.csv")
    clinic.cases.write_bytes(cases.encode())
    clinic.visits.write_bytes(visits.encode())
    return clinic


def sqlite_clinic(folder: Path) -> Clinic:
    """The clinic as an SQLite file."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "clinic.sqlite"
    path.write_bytes(_sqlite_image())
    return Clinic(path, path)


@cache
def _sqlite_image() -> bytes:
    with TemporaryDirectory() as name:
        source = csv_clinic(Path(name))
        (path,) = keep(source.cases.with_name("clinic.sqlite"), source.cases, source.visits)
        return path.read_bytes()


MAKERS = {"csv": csv_clinic, "sqlite": sqlite_clinic}
