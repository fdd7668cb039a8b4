"""The page of an equation: features, columns, session effects, one case worked out step by step."""

from __future__ import annotations

import numpy as np

from retreat.model import Model
from retreat.study.in_hand.algebra import DECIMALS, Equation, effect_words
from retreat.study.in_hand.cases import value_words
from retreat.study.in_hand.columns import feature_words
from retreat.study.in_hand.content import Content, Grid, Passage
from retreat.study.in_hand.hand import NOT_TOLD, Hand

_NOTATION = (
    "k is a session, counted from 1 from the first of the course. L is a linear predictor, h the chance that an eye "
    "in treatment before session k ends so at it, S the share in treatment after k, P the chance of having ended so "
    "by then. ln is the natural logarithm, exp its inverse."
)


def equation_content(model: Model, found: Equation) -> Content:
    """The page.

    Parameters
    ----------
    model : Model
        The model.
    found : Equation
        From :func:`equation` of it.
    """
    hand = found.hand
    return Content(
        title=f"Equation of the model {model.card.name}, {model.model_id}",
        cautions=model.card.cautions,
        passages=(
            Passage("What goes in", grids=(_features(found),)),
            Passage(
                "Equation",
                (_NOTATION, *_meant(model, found)),
                lines=found.plain,
                grids=tuple(_session_effects(found, s) for s in range(len(hand.session_effects))),
            ),
            Passage("Worked example", _example_words(found), grids=_example(found)),
            Passage("The same in LaTeX", lines=tuple(found.latex.splitlines())),
        ),
    )


def limits_in_hand(model: Model, found: Equation) -> tuple[str, ...]:
    """What the model in hand leaves out, and how much that is."""
    hand = found.hand
    lines = [found.distance.words]
    for who, spread in (("Operators", hand.operator_sd), ("Patients", hand.patient_sd)):
        if any(spread):
            sizes = ", ".join(f"{end} {sd:.2f}" for end, sd in zip(hand.ends, spread, strict=True))
            lines.append(
                f"{who} differ by a standard deviation on the scale of L of: {sizes}. In hand stands the average one."
            )
    if model.history is not None:
        lines.append(
            "It holds before the first session; what sessions showed of an eye enters the package's forecast alone."
        )
    lines.append(_later_words(hand))
    return tuple(lines)


def _later_words(hand: Hand) -> str:
    last = hand.session_effects.shape[-1]
    if hand.sessions_told:
        return f"Session effects stand up to session {last}; later sessions: {NOT_TOLD}."
    return (
        f"Session effects after session {last} are those of that session; few fitted cases reached a session after "
        f"{hand.supported_session}."
    )


def _meant(model: Model, found: Equation) -> tuple[str, ...]:
    first = "Coefficients are means over the draws of the model"
    if model.parameters.n_draws == 1:
        first = "Coefficients are the estimates of the model"
    return (f"{first}, printed to {DECIMALS} decimals.", *limits_in_hand(model, found))


def _features(found: Equation) -> Grid:
    rows = tuple((name, feature_words(name)) for name in found.hand.features)
    return Grid("Features", ("feature", "what it is"), rows or (("none", "the model takes all eyes alike"),))


def _session_effects(found: Equation, stratum: int) -> Grid:
    hand = found.hand
    where = f", {hand.stratum_feature} {hand.strata[stratum]}" if hand.strata else ""
    effects = hand.session_effects[stratum]  # (ends, sessions)
    last = effects.shape[-1]
    rows = tuple(
        (
            f"{k} and later"
            if k == last and hand.last_session != last and not hand.sessions_told
            else str(k),
            *(effect_words(effects[j, k - 1]) for j in range(len(hand.ends))),
        )
        for k in range(1, last + 1)
    )
    if hand.sessions_told:
        rows += (("later sessions", *(NOT_TOLD for _ in hand.ends)),)
    return Grid(f"Session effects a(k){where}", ("session k", *(f"a_{end}(k)" for end in hand.ends)), rows)


def _example_words(found: Equation) -> tuple[str, ...]:
    given = ", ".join(f"{name} {value_words(values[0])}" for name, values in found.case.items())
    return (f"A made-up eye, not a patient: {given}." if given else "Any eye.",)


def _example(found: Equation) -> tuple[Grid, ...]:
    hand = found.hand
    lines = [
        (one.symbol, effect_words(x), *(effect_words(b) for b in hand.coefficients[:, i]))
        for i, (one, x) in enumerate(zip(found.columns, found.coded, strict=True))
    ]
    lines.append(("sum of products", "", *(effect_words(total) for total in found.totals)))
    columns = ("column", "value", *(f"times b_{end}" for end in hand.ends))
    coded = Grid("Columns and coefficients", columns, tuple(lines))
    heads: list[str] = ["session k"]
    for end in hand.ends:
        heads += [f"L_{end}(k)", f"h_{end}(k)", f"P({end} by k)", f"by the package, averaged: {end}"]
    rows = []
    last = hand.session_effects.shape[-1]
    for k in range(found.horizon):
        row = [str(k + 1)]
        for j in range(len(hand.ends)):
            effect = hand.session_effects[found.stratum, j, min(k, last - 1)]
            row += [effect_words(float(found.totals[j] + effect))]
            row += [f"{part[j, k]:.4f}" for part in (found.hazards, found.incidence, found.averaged)]
        rows.append(tuple(row))
    mixed = ", the share that can never be relieved taken in" if hand.never else ""
    worked = Grid(f"Chances session by session{mixed}", tuple(heads), tuple(rows))
    return (worked,) if not np.size(found.coded) else (coded, worked)
