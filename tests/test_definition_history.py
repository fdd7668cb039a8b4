"""The history of a definition: its parameters each with a prior, and what is refused."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from retreat.definitions import read_definition
from retreat.definitions.histories import PARAMETERS
from retreat.errors import DefinitionError

MODELS = Path(__file__).parent.parent / "models"


def changed(tmp_path: Path, change: Callable[[str], str]) -> Path:
    text = (MODELS / "progress.toml").read_text()
    new = change(text)
    assert new != text
    path = tmp_path / "mine.toml"
    path.write_text(new)
    return path


@pytest.mark.parametrize("name", list(PARAMETERS))
def test_each_parameter_of_a_shipped_history_has_a_prior_with_words(name: str) -> None:
    history = read_definition(name).history
    assert history is not None
    assert history.kind == name
    for parameter, by_end in PARAMETERS[name].items():
        for end in ("relieved", "stopped") if by_end else ("",):
            mean, sd = history.normal(parameter, end)
            assert abs(mean) <= 3
            assert 0 < sd <= 3
    assert all(len(prior.why) >= 10 for prior in history.priors)


def test_a_later_prior_of_one_end_overrules_an_earlier_one() -> None:
    history = read_definition("progress").history
    assert history is not None
    assert history.normal("end_bother", "relieved")[0] < 0 < history.normal("end_bother", "stopped")[0]


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (
            'parameter = "clear_luck"',
            'parameter = "clear_lick"',
            "history, priors 8: unknown parameter clear_lick",
        ),
        ('parameter = "clear_luck"', 'parameter = "clear_lick"', "no prior of clear_luck"),
        ('"grade", sd', '"grade", end = "relieved", sd', "grade is not told by end"),
        ('end = "stopped", mean = 0.1', 'end = "gone", mean = 0.1', "unknown end gone"),
        ('end = "stopped", mean = 0.1', 'end = "gone", mean = 0.1', "no prior of end_bother"),
        ('kind = "progress"', 'kind = "progres"', "history, kind: 'progres'"),
        ('"grade", sd = 0.1', '"grade", sd = 0', "history, priors 9, sd"),
        ('"grade", sd = 0.1', '"grade", spread = 0.1', "history, priors 9, spread: unknown entry"),
    ],
)
def test_what_is_wrong_with_a_history_is_told_with_its_place(
    tmp_path: Path, old: str, new: str, message: str
) -> None:
    with pytest.raises(DefinitionError) as refused:
        read_definition(changed(tmp_path, lambda text: text.replace(old, new, 1)))
    assert message in str(refused.value)
