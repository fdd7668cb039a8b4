"""A column the definition needs and the table lacks: named, instead of asking for more cases."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from outcome import Run


@pytest.mark.parametrize(
    ("dropped", "words"),
    [
        (["size_mm"], "size_mm not known in any of"),
        (["lens_gap_mm", "retina_gap_mm", "zone"], "depth not known in any of"),
    ],
)
def test_a_column_that_is_lacking_is_named(
    run: Run, clinic: Path, tmp_path: Path, dropped: list[str], words: str
) -> None:
    table = pd.read_csv(clinic / "cases.csv", dtype=str).drop(columns=dropped)
    table.to_csv(tmp_path / "cases.csv", index=False)
    answer = run("fit", tmp_path / "cases.csv", "--out", tmp_path / "m.retreat")
    said = " ".join(answer.err.split())
    assert answer.code == 1
    assert words in said
    assert "collect more cases" not in said
