"""A model fitted with elicited priors says so on every output."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

import retreat
import synthetic
from retreat.elicitation import elicit, read_answers, write_template


def test_a_fit_with_elicited_priors_says_where_they_came_from(tmp_path: Path) -> None:
    write_template(tmp_path / "answers.csv")
    answers = pd.read_csv(tmp_path / "answers.csv")
    for session, relieved in (("relieved_1", 50), ("relieved_2", 70), ("relieved_3", 80)):
        answers[session] = relieved
    answers.to_csv(tmp_path / "answers.csv", index=False)
    found = elicit(read_answers(tmp_path / "answers.csv"), "core", seed=1, date="2026-01-02")
    (tmp_path / "mine.toml").write_text(found.to_toml(), encoding="utf-8")
    cases = pd.DataFrame(synthetic.make("known", seed=1, cases=100, truth=False).cases)
    card = retreat.fit(cases, tmp_path / "mine.toml").card
    assert card.basis == (
        "The priors behind these numbers are an operator's answers of 2026-01-02, not cases.",
    )
    assert card.basis[0] in card.cautions
