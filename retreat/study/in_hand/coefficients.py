"""Coefficients as JSON and CSV that another program recomputes forecasts from, to the last digits."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from typing import Any

import numpy as np

from retreat.model import Model
from retreat.study.in_hand.algebra import Equation
from retreat.study.in_hand.hand import NOT_TOLD

FORMAT = "retreat-coefficients"
VERSION = 1
_COLUMNS = (
    "part",
    "stratum",
    "end",
    "session",
    "term",
    "column",
    "form",
    "feature",
    "level",
    "setting",
    "value",
)
_RULE = (
    "h = exp(L) / (1 + sum of exp(L) over ends)",
    "h = (1 - exp(-R)) exp(L) / R with R the sum of exp(L) over ends",
)


def coefficients_json(model: Model, found: Equation) -> dict[str, Any]:
    """Everything a forecast in hand needs, with one forecast to check a reader against.

    Parameters
    ----------
    model : Model
        The model.
    found : Equation
        From :func:`equation` of it.

    Returns
    -------
    dict
        Plain lists and numbers; a session effect of null is minus infinity, a hazard of exactly 0.
    """
    hand = found.hand
    coding = hand.coding.to_json()
    return {
        "format": FORMAT,
        "version": VERSION,
        "model": model.card.name,
        "model_id": model.model_id,
        "retreat_version": model.card.retreat_version,
        "cautions": list(model.card.cautions),
        "link": hand.link,
        "rule": _RULE[hand.link == "cloglog"],
        "ends": list(hand.ends),
        "columns": list(hand.coding.names),
        "terms": [
            {**term, "knots": knots} for term, knots in zip(coding["terms"], coding["knots"], strict=True)
        ],
        "coefficients": {end: row.tolist() for end, row in zip(hand.ends, hand.coefficients, strict=True)},
        "stratum_feature": hand.stratum_feature,
        "session_effects": [
            {
                "stratum": hand.strata[s] if hand.strata else "",
                **{
                    end: [None if np.isneginf(v) else v for v in effects[j].tolist()]
                    for j, end in enumerate(hand.ends)
                },
            }
            for s, effects in enumerate(hand.session_effects)
        ],
        "after_the_last_session": f"later sessions: {NOT_TOLD}"
        if hand.sessions_told
        else "the effect of the last session holds",
        "never": hand.never,
        "last_session": hand.last_session,
        "supported_session": hand.supported_session,
        "left_out": {
            "operator_sd": dict(zip(hand.ends, hand.operator_sd, strict=True)),
            "patient_sd": dict(zip(hand.ends, hand.patient_sd, strict=True)),
            "distance": {"mean": found.distance.mean, "largest": found.distance.largest},
        },
        "check": {
            "case": {name: values.tolist()[0] for name, values in found.case.items()},
            "incidence": {end: found.incidence[j].tolist() for j, end in enumerate(hand.ends)},
        },
    }


def coefficients_csv(model: Model, found: Equation) -> str:
    """The same as one table: a row a setting of a term, a coefficient, a session effect.

    Parameters
    ----------
    model : Model
        The model.
    found : Equation
        From :func:`equation` of it.

    Returns
    -------
    str
        CSV with a head; numbers have all their digits, minus infinity is ``-inf``.
    """
    stream = io.StringIO()
    writer = csv.DictWriter(stream, _COLUMNS, restval="", lineterminator="\n")
    writer.writeheader()
    for row in _rows(model, found):
        writer.writerow(row)
    return stream.getvalue()


def _rows(model: Model, found: Equation) -> Iterator[dict[str, Any]]:
    hand = found.hand
    for name, text in (
        ("format", FORMAT),
        ("model_id", model.model_id),
        ("link", hand.link),
        ("ends", " ".join(hand.ends)),
        ("never", repr(hand.never)),
        ("stratum_feature", hand.stratum_feature),
        *((("later sessions", NOT_TOLD),) if hand.sessions_told else ()),
        *(("caution", line) for line in model.card.cautions),
    ):
        yield {"part": "about", "setting": name, "value": text}
    for i, (term, knots) in enumerate(zip(hand.coding.terms, hand.coding.knots, strict=True), start=1):
        base = {"part": "term", "term": i, "form": term.form, "feature": " ".join(term.features)}
        if term.form == "category":
            for level in term.levels:
                yield {
                    **base,
                    "level": level,
                    "setting": "reference" if level == term.reference else "indicator",
                }
        elif term.form == "interaction":
            yield {**base, "setting": "product"}
        else:
            yield {**base, "setting": "centre", "value": repr(float(term.centre))}
            yield {**base, "setting": "scale", "value": repr(float(term.scale))}
            for knot in knots:
                yield {**base, "setting": "knot", "value": repr(float(knot))}
    for j, end in enumerate(hand.ends):
        for i, name in enumerate(hand.coding.names):
            place = hand.coding.term_of_column[i] + 1
            value = repr(float(hand.coefficients[j, i]))
            yield {"part": "coefficient", "end": end, "term": place, "column": name, "value": value}
    for s, effects in enumerate(hand.session_effects):
        stratum = hand.strata[s] if hand.strata else ""
        for j, end in enumerate(hand.ends):
            for k, value in enumerate(effects[j].tolist(), start=1):
                yield {"part": "session", "stratum": stratum, "end": end, "session": k, "value": repr(value)}
