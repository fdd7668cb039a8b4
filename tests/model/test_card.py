"""Model card: what it says first, and the same card after strict JSON."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from typing import Any

import pytest
from made_models import card_of, fitted_model

from retreat.definitions import read_definition
from retreat.model import ModelCard

CARD = card_of(read_definition("core"))


def again(card: ModelCard) -> ModelCard:
    return ModelCard.from_json(json.loads(json.dumps(card.to_json(), allow_nan=False)))


def test_a_card_is_the_same_after_strict_json() -> None:
    card = replace(CARD, failures=("a",), notes=("b", "c"), years=(), diagnostics={"r_hat": 1.01})
    assert again(card) == card
    assert again(fitted_model().card) == fitted_model().card


@pytest.mark.parametrize("value", [math.nan, math.inf])
def test_a_diagnostic_that_is_no_number_survives_strict_json_as_none(value: float) -> None:
    card = again(replace(CARD, diagnostics={"r_hat": value, "steps": 4.0}))
    assert math.isnan(card.diagnostics["r_hat"])
    assert card.diagnostics["steps"] == 4.0


def test_a_sound_model_of_real_cases_has_no_caution() -> None:
    card = replace(CARD, invented=False)
    assert card.for_counselling
    assert card.cautions == ()


def test_invented_data_and_failed_gates_are_said_first() -> None:
    card = replace(CARD, invented=True, failures=("R-hat 1.2 above 1.01",))
    assert not card.for_counselling
    first, second, third = card.cautions
    assert "invented" in first
    assert second.startswith("Not for counselling")
    assert third == "R-hat 1.2 above 1.01"


def test_a_card_of_the_fit_counts_its_cases_patients_and_ends() -> None:
    card = fitted_model().card
    assert (card.n_cases, card.n_patients, card.n_left_out) == (337, 273, 0)
    assert card.ends == ("relieved", "stopped")
    assert 0 < sum(card.n_ended.values()) < 337
    assert card.invented


@pytest.mark.parametrize(
    ("key", "value"),
    [("n_cases", "many"), ("ends", 3), ("n_ended", []), ("diagnostics", None), ("seed", None)],
)
def test_a_broken_record_of_a_card_is_refused(key: str, value: Any) -> None:
    with pytest.raises((TypeError, ValueError, AttributeError)):
        ModelCard.from_json(CARD.to_json() | {key: value})


def test_a_record_that_lacks_a_part_is_refused() -> None:
    data = CARD.to_json()
    del data["created"]
    with pytest.raises(KeyError):
        ModelCard.from_json(data)
