"""A small invented clinic on disk and the command line called in this process."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
from outcome import Outcome, Run

import retreat
import synthetic
from retreat.cli import main


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    def call(*arguments: object) -> Outcome:
        monkeypatch.setattr(sys, "argv", ["retreat", *map(str, arguments)])
        capsys.readouterr()
        try:
            main()
            code = 0
        except SystemExit as stop:
            code = stop.code if isinstance(stop.code, int) else 0 if stop.code is None else 1
        captured = capsys.readouterr()
        return Outcome(code, captured.out, captured.err)

    return call


@pytest.fixture(scope="session")
def clinic(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("clinic")
    synthetic.make("established", seed=11, cases=300, truth=False).write(folder)
    return folder


@pytest.fixture(scope="session")
def saved(clinic: Path) -> Path:
    model = retreat.fit(retreat.read_cases(clinic / "cases.csv"), "core", seed=1, draws=400)
    return model.save(clinic / "clinic.retreat")
