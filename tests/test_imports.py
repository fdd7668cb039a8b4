"""What a fresh process loads: nothing heavy on the way to a forecast, nothing at all on a bare import."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

import retreat

SAVED = Path(__file__).parent / "saved" / "core-0.1.0.retreat"
HEAVY = (
    "arviz",
    "jinja2",
    "matplotlib",
    "numba",
    "pandas",
    "pyarrow",
    "pydantic",
    "pymc",
    "pytensor",
    "rich",
    "scipy",
    "sklearn",
    "statsmodels",
    "xarray",
)
FORECAST = """
model = retreat.load({path!r})
case = {{"opacity": "ring", "size_mm": 2.0, "zone": "middle", "cornea": "none", "sessions": 1}}
f = model.forecast(case, horizon=8)
f.incidence, f.in_treatment, f.quantiles((0.05, 0.95)), f.mean(), f.to_json()
model.forecast({{"opacity": "ring"}}), model.expected(case), model.support_of(case)
model.associations(case, session=2), model.card.cautions, model.model_id
model.save({copy!r})
"""


def loaded_by(code: str) -> set[str]:
    """Top-level modules outside the standard library after this code in a fresh process."""
    tail = "\nprint(*sorted({name.split('.')[0] for name in sys.modules} - set(sys.stdlib_module_names)))"
    process = [sys.executable, "-c", f"import sys\nimport retreat\n{code}{tail}"]
    run = subprocess.run(process, capture_output=True, text=True, check=True)
    assert run.stderr == ""
    return set(run.stdout.split())


def parts_loaded_by(code: str) -> set[str]:
    """Modules of the package after this code in a fresh process."""
    tail = "\nprint(*sorted(name for name in sys.modules if name.startswith('retreat')))"
    process = [sys.executable, "-c", f"import sys\nimport retreat\n{code}{tail}"]
    run = subprocess.run(process, capture_output=True, text=True, check=True)
    return set(run.stdout.split())


def test_a_bare_import_loads_not_even_numpy() -> None:
    assert not loaded_by("") & {*HEAVY, "numpy"}


def test_a_bare_import_loads_no_part_of_the_package_but_its_version() -> None:
    assert parts_loaded_by("") <= {"retreat", "retreat.version"}


def test_loading_a_model_and_forecasting_needs_numpy_alone(tmp_path: Path) -> None:
    code = FORECAST.format(path=str(SAVED), copy=str(tmp_path / "copy.retreat"))
    loaded = loaded_by(code)
    assert "numpy" in loaded
    assert not loaded & set(HEAVY)


def test_loading_a_model_and_forecasting_loads_no_fitting_and_no_tables(tmp_path: Path) -> None:
    code = FORECAST.format(path=str(SAVED), copy=str(tmp_path / "copy.retreat"))
    upper = ("fitting", "tables", "definitions", "validation", "pages", "recipe", "counts")
    parts = parts_loaded_by(code)
    assert not {f"retreat.{name}" for name in upper} & parts
    assert "retreat.model.archive" in parts


@pytest.mark.parametrize("name", ["RetreatError", "TableError", "Forecast", "Model", "load"])
def test_light_names_are_light(name: str) -> None:
    assert not loaded_by(f"retreat.{name}") & set(HEAVY)


def test_a_table_of_a_forecast_is_what_brings_pandas() -> None:
    code = FORECAST.format(path=str(SAVED), copy="/dev/null").split("model.save")[0] + "f.table()"
    assert "pandas" in loaded_by(code)


@pytest.mark.parametrize("name", retreat.__all__)
def test_every_public_name_is_there(name: str) -> None:
    assert getattr(retreat, name) is getattr(retreat, name)
    assert getattr(retreat, name).__name__ == name


def test_an_unknown_name_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="module 'retreat' has no attribute 'fitt'"):
        _ = retreat.fitt
