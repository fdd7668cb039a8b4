"""The names a package offers are found by those who look for them, though each is loaded on first use."""

from __future__ import annotations

import subprocess
import sys
from importlib import import_module

import pytest


@pytest.mark.parametrize(
    "package", ["retreat", "retreat.study", "retreat.study.size", "retreat.study.sharing"]
)
def test_every_public_name_is_listed_and_there(package: str) -> None:
    module = import_module(package)
    assert set(module.__all__) <= set(dir(module))
    assert all(hasattr(module, name) for name in dir(module))


@pytest.mark.parametrize(("package", "name"), [("retreat", "fit"), ("retreat.study", "size_by_end")])
def test_a_name_is_listed_before_it_is_loaded(package: str, name: str) -> None:
    code = (
        f"import sys, {package} as p; print({name!r} in dir(p), {name!r} in vars(p), 'pandas' in sys.modules)"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.split() == ["True", "False", "False"]
