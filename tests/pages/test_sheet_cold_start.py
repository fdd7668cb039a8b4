"""A sheet from a saved model in a fresh process loads numpy, jinja2 and the standard library alone."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

from toy import toy_model

HEAVY = (
    "pandas",
    "scipy",
    "matplotlib",
    "pymc",
    "sklearn",
    "statsmodels",
    "arviz",
    "rich",
    "typer",
    "asyncio",
)
SCRIPT = """
import json, sys
from retreat.model import load
from retreat.pages.html import render_sheet, write_page
from retreat.pages.sheet import build_sheet
from retreat.pages.terminal import render_text

case = {"opacity": ["ring"], "size_mm": [2.0], "zone": ["middle"], "cornea": ["none"]}
sheet = build_sheet(load(sys.argv[1]), case, date="2026-11-25")
write_page(render_sheet(sheet), sys.argv[2])
render_text(sheet)
print(json.dumps(sorted({name.partition(".")[0] for name in sys.modules})))
"""


def test_a_sheet_loads_nothing_heavy(tmp_path: Path):
    model, page = toy_model().save(tmp_path / "toy.retreat"), tmp_path / "sheet.html"
    command = [sys.executable, "-c", SCRIPT, str(model), str(page)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    loaded = set(json.loads(done.stdout))
    assert {"numpy", "jinja2"} <= loaded
    assert loaded & set(HEAVY) == set()
    # cython_runtime is made by numpy's own random module
    outside = (
        loaded
        - set(sys.stdlib_module_names)
        - {"numpy", "jinja2", "markupsafe", "retreat", "__main__", "cython_runtime"}
    )
    assert {name for name in outside if not name.startswith("_")} == set()
    assert page.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
