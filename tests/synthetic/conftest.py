"""Invented clinics that several tests look at, made once."""

from __future__ import annotations

from pathlib import Path

import pytest

import synthetic
from synthetic.scenario import FOLDER


@pytest.fixture(scope="session")
def registry(tmp_path_factory: pytest.TempPathFactory) -> synthetic.Clinic:
    """The registry of 6,000 cases; fewer repeats than its file asks for, which is enough for means."""
    path = tmp_path_factory.mktemp("scenario") / "registry.toml"
    text = (FOLDER / "registry.toml").read_text(encoding="utf-8")
    path.write_text(text + "\n[truth]\nrepeats = 80\n", encoding="utf-8")
    return synthetic.make(path)


@pytest.fixture(scope="session")
def nasty() -> synthetic.Clinic:
    return synthetic.make("pathological")


@pytest.fixture
def scenario_file(tmp_path: Path):
    """Return a function that writes a changed copy of a scenario and gives its path."""

    def write(name: str, *changes: tuple[str, str], extra: str = "") -> Path:
        text = (FOLDER / f"{name}.toml").read_text(encoding="utf-8")
        for old, new in changes:
            assert old in text
            text = text.replace(old, new)
        path = tmp_path / "changed.toml"
        path.write_text(text + extra, encoding="utf-8")
        return path

    return write
