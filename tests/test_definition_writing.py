"""Definitions written as files: each reads back as itself."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from retreat.definitions import Prior, read_definition, shipped
from retreat.definitions.writing import definition_toml


@pytest.mark.parametrize("name", shipped())
def test_a_shipped_definition_reads_back_as_itself(name: str, tmp_path: Path) -> None:
    definition = read_definition(name)
    path = tmp_path / "again.toml"
    path.write_text(definition_toml(definition, comment=["written again"]), encoding="utf-8")

    assert replace(read_definition(path), fingerprint="") == replace(definition, fingerprint="")


@given(st.text(min_size=10), st.floats(-9, 9), st.floats(1e-6, 10))
def test_any_reason_and_number_reads_back_as_itself(why: str, mean: float, sd: float) -> None:
    if len(why.strip()) < 10:
        why += "reason enough"
    try:
        prior = Prior(mean=mean, sd=sd, why=why, end="relieved")
    except ValueError:  # text that no file can hold
        return
    core = read_definition("core")
    changed = replace(core, sessions=core.sessions.model_copy(update={"first": (prior,)}))
    try:
        text = definition_toml(changed).encode()
    except UnicodeEncodeError:  # half a character
        return
    (read,) = tomllib.loads(text.decode())["sessions"]["first"]
    assert (read["mean"], read["sd"], read["why"]) == (mean, sd, prior.why)
