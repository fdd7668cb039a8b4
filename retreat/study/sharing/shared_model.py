"""The model as it may leave: not where it names what the table hides, and with no small count on its card."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

from retreat import features as feature_floor
from retreat.features import FEATURES
from retreat.model.support import SMALL_CELL

if TYPE_CHECKING:
    import pandas as pd

    from retreat.model import Model
    from retreat.model.card import ModelCard
    from retreat.model.casemix import CaseMix

# larger counts go to the multiple of this below them, as in the support: sums must not give a small one back
_COUNT_STEP = 5
_COUNTED = re.compile(
    r"(?<![\w.,-])([0-9]+)(?= (?:more |further |new |fitted )?(?:case|eye|patient|operator)s?\b)"
)
COARSE = (
    f"counts of this card were made coarse for sharing: below {SMALL_CELL} they are 0, others the multiple of "
    f"{_COUNT_STEP} below them"
)
WITHOUT = (
    "model.retreat is left out: the model names values that cases.csv hides, which would tell what stands behind "
    "not_recorded"
)


def names_hidden(model: Model, own: pd.DataFrame, shared: pd.DataFrame) -> tuple[str, ...]:
    """Features of which a model names a level that the clinic's table has and the shared one does not show.

    Levels that a coding takes from the schema tell nothing of a clinic: the same ones stand in a model of the shared
    table.

    Parameters
    ----------
    model : Model
        As fitted.
    own, shared : DataFrame
        The case table before and after.
    """
    named: dict[str, set[str]] = {}
    for name, level in _named(model):
        named.setdefault(name, set()).add(level)
    return tuple(
        name
        for name, levels in sorted(named.items())
        if levels & (_levels(own, name) - _levels(shared, name))
    )


def rests_on_no_case(model: Model) -> bool:
    """Whether a model was made of published averages alone."""
    return bool(model.card.basis) and not model.card.n_cases


def with_coarse_card(model: Model) -> Model:
    """The same model with a card that tells no small count; its forecasts are the same."""
    return replace(model, card=_coarse(model.card))


def _named(model: Model) -> Iterator[tuple[str, str]]:
    for name, levels in model.support.levels.items():
        yield from ((name, level) for level in levels)
    for term in model.coding.terms:
        for name in term.features if term.levels else ():
            yield from ((name, level) for level in set(term.levels) - set(FEATURES[name].levels))
    yield from ((model.stratum_feature, level) for level in model.strata)
    yield from _of_mix(model.case_mix)


def _of_mix(mix: CaseMix) -> Iterator[tuple[str, str]]:
    for name, levels in mix.levels.items():
        yield from ((name, level) for level in levels)
    for level, part in mix.within.items():
        yield mix.pivot, level
        yield from _of_mix(part)


def _levels(cases: pd.DataFrame, name: str) -> set[str]:
    columns = {str(column): cases[column].to_numpy() for column in cases.columns}
    return {str(v) for v in feature_floor.features(columns, [name])[name] if v is not None and v == v}


def _coarse(card: ModelCard) -> ModelCard:
    verdict = card.validated
    return replace(
        card,
        n_cases=_count(card.n_cases),
        n_patients=_count(card.n_patients),
        n_left_out=_count(card.n_left_out),
        n_ended={end: _count(n) for end, n in card.n_ended.items()},
        notes=(*map(_words, card.notes), COARSE),
        basis=tuple(map(_words, card.basis)),
        validated=verdict and replace(verdict, reasons=tuple(map(_words, verdict.reasons))),
        lineage=tuple(replace(one, n_cases=_count(one.n_cases)) for one in card.lineage),
    )


def _count(n: int) -> int:
    return 0 if n < SMALL_CELL else n // _COUNT_STEP * _COUNT_STEP


def _words(text: str) -> str:
    def told(found: re.Match[str]) -> str:
        n = int(found[1])
        return f"fewer than {SMALL_CELL}" if 0 < n < SMALL_CELL else str(_count(n))

    return _COUNTED.sub(told, text)
