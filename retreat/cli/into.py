"""Whether a saved model can take the verdict of a validation, seen before the long work and not after it."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

from retreat.errors import Fault, FitError

if TYPE_CHECKING:
    import pandas as pd

    from retreat.model import Model


def check_into(
    model: Model, path: Path, cases: pd.DataFrame, definition: str, method: str | None, imputations: int
) -> None:
    """Refuse a model of another recipe or other cases than those to be validated, or in a folder not to be written.

    Parameters
    ----------
    model : Model
        Read from `path`.
    path : Path
        File the verdict is to be written into.
    cases : DataFrame
        Sound cases to be validated.
    definition, method
        The recipe to be validated.
    imputations : int
        Imputed copies; a saved model knows none.

    Raises
    ------
    FitError
        All faults at once.
    """
    from retreat.definitions import read_definition
    from retreat.fitting.design import design
    from retreat.recipe import chosen_method, made_by

    chosen = read_definition(definition)
    recipe = design(cases, chosen)
    made = made_by(chosen_method(chosen, method), recipe, {})
    card = model.card
    faults = []
    if card.definition_fingerprint != chosen.fingerprint or not card.method.startswith(made):
        what, allowed = f"{path} is {card.name}, {card.method}", f"{chosen.name}, {made}, as validated here"
        faults.append(
            Fault("into", what, allowed, "name its own recipe by --model and --method, or fit it again")
        )
    if imputations:
        fix = "leave --imputations or --into out"
        faults.append(Fault("into", "a saved model leaves incomplete cases out, imputations do not", fix=fix))
    elif card.data_fingerprint != recipe.fingerprint:
        fix = "validate the table that the model was fitted to"
        faults.append(Fault("into", f"{path} was fitted to other cases", fix=fix))
    if not os.access(path.resolve().parent, os.W_OK):
        faults.append(
            Fault("into", f"{path.parent} cannot be written", "a writable folder", "copy the model")
        )
    if faults:
        raise FitError(faults)
