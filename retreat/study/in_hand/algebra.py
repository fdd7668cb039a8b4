"""The equation of a model in plain algebra and in LaTeX, so that a reader works out a forecast by hand."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from retreat.features import Columns
from retreat.model import Model
from retreat.study.in_hand.cases import Features, worked_case
from retreat.study.in_hand.columns import Column, columns_by_hand
from retreat.study.in_hand.hand import Distance, Hand, distance, hand_of, horizon_of

FloatArray = NDArray[np.float64]

# decimals of printed coefficients: rounding moves a linear predictor of twenty columns by at most about 0.001
DECIMALS = 4


@dataclass(frozen=True)
class Equation:
    """A model written out.

    Parameters
    ----------
    hand : Hand
        The numbers.
    columns : tuple of Column
        How each coded column is worked out.
    distance : Distance
        How far it is from the draw-averaged forecast.
    case : dict of str to ndarray, each of shape (1,)
        The worked example.
    coded : ndarray of float, shape (columns,)
        Its columns.
    totals : ndarray of float, shape (ends,)
        What they add to each linear predictor.
    stratum : int
        Which table of session effects is its own.
    hazards : ndarray of float, shape (ends, horizon)
        Chance of each end at each session, of those in treatment before it.
    incidence : ndarray of float, shape (ends, horizon)
        Chance of each end by each session.
    averaged : ndarray of float, shape (ends, horizon)
        The same by the package, averaged over draws.
    """

    hand: Hand
    columns: tuple[Column, ...]
    distance: Distance
    case: Features
    coded: FloatArray
    totals: FloatArray
    stratum: int
    hazards: FloatArray
    incidence: FloatArray
    averaged: FloatArray

    @property
    def horizon(self) -> int:
        """Sessions of the worked example."""
        return int(self.incidence.shape[-1])

    @property
    def plain(self) -> tuple[str, ...]:
        """The equation in plain algebra, one line each."""
        return (*_column_lines(self.columns), *_predictor_lines(self.hand), *_chance_lines(self.hand))

    @property
    def latex(self) -> str:
        """The same as one `align*` environment, for the package amsmath."""
        return _latex(self.hand, self.columns)


def equation(model: Model, case: Columns | None = None, *, sessions: int | None = None) -> Equation:
    """The equation of a fitted model, with one case worked out.

    Parameters
    ----------
    model : Model
        The model.
    case : mapping of str to array_like, optional
        Columns of the case table, one case; a usual one when not given.
    sessions : int, from 0, optional
        Tell of no later session; see :func:`~retreat.study.in_hand.hand.hand_of`.

    Raises
    ------
    FitError
        If the model failed its gates or its validation, no session may be told, or the case is not one complete case.
    TableError
        If a value of the case is not allowed.
    """
    hand = hand_of(model, sessions)
    features = worked_case(model, case)
    horizon = horizon_of(hand)
    totals, stratum = hand.totals(features, 1), hand.stratum(features, 1)
    incidence = hand.incidence(totals, horizon=horizon, stratum=stratum)[0]
    averaged = model.expected_of(features, horizon=horizon, n=1)[0]
    return Equation(
        hand=hand,
        columns=columns_by_hand(hand.coding),
        distance=distance(model, hand),
        case=features,
        coded=hand.coding.encode(features, n_cases=1)[0],
        totals=totals[0],
        stratum=int(stratum[0]),
        hazards=_hazards(incidence),
        incidence=incidence,
        averaged=averaged,
    )


def effect_words(value: float) -> str:
    """A coefficient or session effect as printed."""
    if np.isneginf(value):
        return "never"
    return f"{value:.{DECIMALS}f}".replace("-0.0000", "0.0000")


def _hazards(incidence: FloatArray) -> FloatArray:
    steps = np.diff(incidence, prepend=0.0, axis=-1)
    before = 1.0 - np.concatenate([[0.0], incidence.sum(axis=0)[:-1]])
    return np.divide(steps, before, out=np.zeros_like(steps), where=before > 0)


def _column_lines(columns: tuple[Column, ...]) -> list[str]:
    lines = [f"{one.symbol} = {one.plain}" for one in columns]
    if any("pos(" in one.plain for one in columns):
        lines.append("pos(z) = z where z is above 0, else 0")
    return lines


def _predictor_lines(hand: Hand) -> list[str]:
    lines = []
    for end, row in zip(hand.ends, hand.coefficients, strict=True):
        terms = "".join(
            f" {'-' if value < 0 else '+'} {abs(value):.{DECIMALS}f} x{i}"
            for i, value in enumerate(row, start=1)
        )
        lines.append(f"L_{end}(k) = a_{end}(k){terms}")
    return lines


def _chance_lines(hand: Hand) -> list[str]:
    powers = " + ".join(f"exp(L_{end}(k))" for end in hand.ends)
    if hand.link == "logit":
        chances = [f"h_{end}(k) = exp(L_{end}(k)) / (1 + {powers})" for end in hand.ends]
    else:
        chances = [f"R(k) = {powers}"]
        chances += [f"h_{end}(k) = (1 - exp(-R(k))) exp(L_{end}(k)) / R(k)" for end in hand.ends]
    summed = " - ".join(f"h_{end}(k)" for end in hand.ends)
    lines = [*chances, "S(0) = 1", f"S(k) = S(k - 1) (1 - {summed})"]
    lines += [
        f"P({end} by k) = S(0) h_{end}(1) + S(1) h_{end}(2) + ... + S(k - 1) h_{end}(k)" for end in hand.ends
    ]
    if hand.never:
        first = hand.ends[0]
        lines.append(
            f"Of all eyes {hand.never:.{DECIMALS}f} can never be {first}: work the lines from h on out twice, as they "
            f"are and with exp(L_{first}(k)) = 0, and take {1 - hand.never:.{DECIMALS}f} of the one result and "
            f"{hand.never:.{DECIMALS}f} of the other"
        )
    return lines


def _latex(hand: Hand, columns: tuple[Column, ...]) -> str:
    lines = [f"x_{{{one.symbol[1:]}}} &= {one.latex}" for one in columns]
    powers = " + ".join(rf"e^{{L_{{\mathrm{{{end}}}}}(k)}}" for end in hand.ends)
    if hand.link == "cloglog":
        lines.append(f"R(k) &= {powers}")
    for end, row in zip(hand.ends, hand.coefficients, strict=True):
        at = rf"_{{\mathrm{{{end}}}}}"
        terms = "".join(
            rf" {'-' if value < 0 else '+'} {abs(value):.{DECIMALS}f}\,x_{{{i}}}"
            for i, value in enumerate(row, start=1)
        )
        lines.append(f"L{at}(k) &= a{at}(k){terms}")
        if hand.link == "logit":
            lines.append(rf"h{at}(k) &= \frac{{e^{{L{at}(k)}}}}{{1 + {powers}}}")
        else:
            lines.append(rf"h{at}(k) &= \left(1 - e^{{-R(k)}}\right) \frac{{e^{{L{at}(k)}}}}{{R(k)}}")
    summed = " - ".join(rf"h_{{\mathrm{{{end}}}}}(m)" for end in hand.ends)
    lines.append(rf"S(k) &= \prod_{{m=1}}^{{k}} \left(1 - {summed}\right), \quad S(0) = 1")
    lines += [
        rf"P(\mathrm{{{end}}}\text{{ by }}k) &= \sum_{{m=1}}^{{k}} S(m-1)\,h_{{\mathrm{{{end}}}}}(m)"
        for end in hand.ends
    ]
    lines += _latex_sessions(hand)
    if hand.never:
        lines.append(
            rf"P &= {1 - hand.never:.{DECIMALS}f}\,P + {hand.never:.{DECIMALS}f}\,P"
            rf"|_{{e^{{L_{{\mathrm{{{hand.ends[0]}}}}}(k)}} = 0}}"
        )
    body = " \\\\\n".join(_escaped(line, hand.ends) for line in lines)
    return "\\begin{align*}\n" + body + "\n\\end{align*}"


def _latex_sessions(hand: Hand) -> list[str]:
    lines = []
    for s, effects in enumerate(hand.session_effects):
        where = rf"\quad (\text{{{hand.stratum_feature} {hand.strata[s]}}})" if hand.strata else ""
        where = where.replace("_", r"\_")
        for end, row in zip(hand.ends, effects, strict=True):
            values = ",\\ ".join(r"-\infty" if np.isneginf(v) else effect_words(v) for v in row)
            upto = rf"k = 1, \dots, {len(row)}" if len(row) > 1 else "k = 1"
            lines.append(rf"a_{{\mathrm{{{end}}}}}(k) &= {values} \quad \text{{for }} {upto}{where}")
    return lines


def _escaped(line: str, ends: tuple[str, ...]) -> str:
    for end in ends:
        line = line.replace(end, end.replace("_", r"\_"))
    return line
