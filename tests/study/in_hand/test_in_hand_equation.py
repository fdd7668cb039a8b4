"""Equation and coefficient files: a reader that knows nothing of the package gets the same chances."""

from __future__ import annotations

import csv
import io
import json
import math
import re
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from toy import CORE, FULL, known_model, toy_model

import retreat
from retreat.coding import Term
from retreat.errors import FitError
from retreat.model import kernel
from retreat.model.kernel import Parameters
from retreat.study.in_hand import (
    coefficients_csv,
    coefficients_json,
    equation,
    equation_content,
    hand_of,
)
from retreat.study.in_hand.cases import usual_cases
from retreat.study.in_hand.columns import columns_by_hand

CURVED = (
    Term(("opacity",), "category", reference="ring", levels=("ring", "strand", "cloud", "sheet")),
    Term(("size_mm",), "log", centre=2.0),
    Term(("age",), "spline", centre=60.0, scale=10.0, n_knots=4),
    Term(("depth",), "linear", centre=0.5),
    Term(("opacity", "depth"), "interaction"),
)


@cache
def models():
    """Models of every form the file can hold."""
    plain = toy_model(CORE)
    p = plain.parameters
    rng = np.random.default_rng(3)
    draws = p.n_draws
    mover = replace(p, never=rng.uniform(0.05, 0.15, draws))
    mixed = replace(
        p, operator_effect=rng.normal(0, 0.4, (draws, 2)), patient_loading=np.full((draws, 2), 0.6)
    )
    return {
        "core": plain,
        "full": toy_model(FULL),
        "curved": toy_model(CURVED),
        "cloglog": replace(plain, link="cloglog"),
        "one end": toy_model(CORE, ends=("one_session",), last_session=1),
        "mover": replace(plain, parameters=mover),
        "mixed": replace(plain, parameters=mixed),
        "no features": known_model(np.array([0.3, 0.4])),
        "saved": retreat.load("tests/saved/core-0.1.0.retreat"),
    }


NAMES = ("core", "full", "curved", "cloglog", "one end", "mover", "mixed", "no features", "saved")


def stand_alone(data, case, horizon):
    """Chances from a coefficient file read as JSON; nothing of the package in it."""
    blocks = {}
    for term in data["terms"]:
        names = tuple(term["features"])
        if term["form"] == "interaction":
            x = [a * b for a in blocks[names[:1]] for b in blocks[names[1:]]]
        elif term["form"] == "category":
            x = [float(case[names[0]] == level) for level in term["levels"] if level != term["reference"]]
        elif term["form"] == "log":
            x = [math.log(case[names[0]] / term["centre"])]
        else:
            u, t = (case[names[0]] - term["centre"]) / term["scale"], term["knots"]
            x = [u]
            for j in range(len(t) - 2):
                cube = [max(u - knot, 0.0) ** 3 for knot in (t[j], t[-2], t[-1])]
                width = t[-1] - t[-2]
                curved = cube[0] - cube[1] * (t[-1] - t[j]) / width + cube[2] * (t[-2] - t[j]) / width
                x.append(curved / (t[-1] - t[0]) ** 2)
        blocks[names] = x
    row = [value for block in blocks.values() for value in block]
    ends, effects = data["ends"], data["session_effects"][0]
    totals = {end: sum(b * x for b, x in zip(data["coefficients"][end], row, strict=True)) for end in ends}

    def chances(impossible):
        staying, so_far = 1.0, dict.fromkeys(ends, 0.0)
        for k in range(horizon):
            power = {}
            for end in ends:
                effect = effects[end][min(k, len(effects[end]) - 1)]
                power[end] = 0.0 if effect is None or end in impossible else math.exp(effect + totals[end])
            rate = sum(power.values())
            for end in ends:
                if data["link"] == "logit":
                    hazard = power[end] / (1 + rate)
                else:
                    hazard = (1 - math.exp(-rate)) * power[end] / rate
                so_far[end] += staying * hazard
            staying *= 1 / (1 + rate) if data["link"] == "logit" else math.exp(-rate)
        return so_far

    free, bound = chances(()), chances((ends[0],))
    return {end: (1 - data["never"]) * free[end] + data["never"] * bound[end] for end in ends}


def from_csv(text):
    """The table read back into the shape of the JSON; nothing of the package in it."""
    rows = list(csv.DictReader(io.StringIO(text)))
    about = {row["setting"]: row["value"] for row in rows if row["part"] == "about"}
    ends = about["ends"].split()
    terms = {}
    for row in (row for row in rows if row["part"] == "term"):
        term = terms.setdefault(row["term"], {"features": row["feature"].split(), "form": row["form"]})
        if row["form"] == "category":
            term.setdefault("levels", []).append(row["level"])
            if row["setting"] == "reference":
                term["reference"] = row["level"]
        elif row["setting"] == "knot":
            term.setdefault("knots", []).append(float(row["value"]))
        elif row["setting"] in ("centre", "scale"):
            term[row["setting"]] = float(row["value"])
    for term in terms.values():
        term.setdefault("knots", [])
    return {
        "terms": list(terms.values()),
        "ends": ends,
        "link": about["link"],
        "never": float(about["never"]),
        "coefficients": {
            end: [float(r["value"]) for r in rows if r["part"] == "coefficient" and r["end"] == end]
            for end in ends
        },
        "session_effects": [
            {
                end: [float(r["value"]) for r in rows if r["part"] == "session" and r["end"] == end]
                for end in ends
            }
        ],
    }


def plug_in(model):
    """The model at its posterior means, by the package's own forecast."""
    p = model.parameters
    means = Parameters(
        coefficients=p.coefficients.mean(axis=0, keepdims=True),
        session_effects=p.session_effects.mean(axis=0, keepdims=True),
        operator_effect=np.zeros((1, p.n_ends)),
        patient_loading=np.zeros((1, p.n_ends)),
        never=p.never.mean(keepdims=True),
    )
    return replace(model, parameters=means)


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("form", ["json", "csv"])
def test_a_stand_alone_reader_of_the_file_recomputes_forecasts(name, form):
    model = models()[name]
    found = equation(model)
    if form == "json":
        data = json.loads(json.dumps(coefficients_json(model, found), allow_nan=False))
    else:
        data = from_csv(coefficients_csv(model, found))
    features, weights = usual_cases(model)
    horizon = 1 if model.card.last_session else 10
    n = len(weights)
    X, means = model.coding.encode(features, n_cases=n), plug_in(model).parameters
    pmf = kernel.pmf(means, X, np.zeros(n, dtype=np.intp), horizon=horizon, link=model.link)
    expected = pmf[0].sum(axis=-1)
    for i in range(0, len(weights), 7):
        case = {n: v[i] if isinstance(v[i], str) else float(v[i]) for n, v in features.items()}
        read = stand_alone(data, case, horizon)
        assert [read[end] for end in model.ends] == pytest.approx(expected[i], abs=1e-9)


def test_the_file_brings_a_forecast_to_check_a_reader_with():
    model = models()["curved"]
    data = coefficients_json(model, equation(model))
    read = stand_alone(data, data["check"]["case"], len(data["check"]["incidence"]["relieved"]))
    assert read["relieved"] == pytest.approx(data["check"]["incidence"]["relieved"][-1], abs=1e-12)


@pytest.mark.parametrize("age", [35.0, 52.0, 61.0, 75.0, 89.5])
def test_each_printed_column_is_the_coded_one_on_all_stretches_of_a_curve(age):
    coding = models()["curved"].coding
    case = {"opacity": "cloud", "size_mm": 3.0, "age": age, "depth": 0.7}
    coded = coding.encode(
        {n: np.array([v], dtype=object if n == "opacity" else float) for n, v in case.items()}, n_cases=1
    )
    space = {**case, "ln": math.log, "pos": lambda z: max(z, 0.0)}
    for column, value in zip(columns_by_hand(coding), coded[0], strict=True):
        if column.plain.startswith("1 if"):
            feature, level = re.fullmatch(r"1 if (\w+) is (\w+), else 0", column.plain).groups()
            space[column.symbol] = float(case[feature] == level)
        else:
            text = column.plain.replace("^", "**").replace(" pos", " * pos").replace("(* ", "(")
            space[column.symbol] = eval(re.sub(r"([+-]) \* pos", r"\1 pos", text), {}, space)
        assert space[column.symbol] == pytest.approx(value, abs=2e-7)


@pytest.mark.parametrize("name", ["core", "curved", "full", "mover"])
def test_the_printed_equation_gives_the_printed_chances(name):
    """Every line is worked out as a person would, with the printed digits alone."""
    model = models()[name]
    found = equation(model)
    (table,) = equation_content(model, found).passages[1].grids
    space = {n: v[0] for n, v in found.case.items()}
    space |= {"ln": math.log, "exp": math.exp, "pos": lambda z: max(z, 0.0)}
    linear = {}
    for line in found.plain:
        left, _, right = line.partition(" = ")
        if re.fullmatch(r"x\d+", left):
            if " if " in right:
                feature, level = re.fullmatch(r"1 if (\w+) is (\w+), else 0", right).groups()
                space[left] = float(space[feature] == level)
            else:
                space[left] = eval(right.replace("^", "**").replace(" pos", " * pos"), {}, space)
        elif left.startswith("L_"):
            linear[left[2:-3]] = re.sub(r"a_\w+\(k\)", "a", re.sub(r"(\d) x", r"\1 * x", right))
    staying, relieved = 1.0, 0.0
    for k in range(found.horizon):
        power = {
            end: math.exp(eval(linear[end], {}, {**space, "a": float(table.rows[k][1 + j])}))
            for j, end in enumerate(model.ends)
        }
        relieved += staying * power["relieved"] / (1 + sum(power.values()))
        staying /= 1 + sum(power.values())
    share = 1 - found.hand.never
    assert share * relieved == pytest.approx(found.incidence[0, -1], abs=5e-4)
    assert found.incidence[0, -1] == pytest.approx(
        float(plug_in(model).expected_of(found.case, horizon=found.horizon, n=1)[0, 0, -1]), abs=1e-5
    )


def test_latex_holds_every_number_of_the_plain_equation():
    found = equation(models()["curved"])
    plain = set(re.findall(r"\d+\.\d{4,}", " ".join(found.plain)))
    assert len(plain) > 15
    assert plain <= set(re.findall(r"\d+\.\d{4,}", found.latex))
    assert r"size\_mm" in found.latex
    assert found.latex.count("{") == found.latex.count("}")
    assert found.latex.count(r"a_{\mathrm{relieved}}(k) &=") == 1


def test_the_distance_to_the_averaged_forecast_is_the_largest_difference_among_the_case_mix():
    model = models()["mixed"]
    found = equation(model)
    features, weights = usual_cases(model)
    off = [
        hand_of(model).incidence(found.hand.totals(features, 64), horizon=3)[:, 0, k]
        - model.expected_of(features, horizon=3, n=64)[:, 0, k]
        for k in range(3)
    ]
    assert found.distance.largest == pytest.approx(np.abs(off).max(), abs=1e-6)
    assert found.distance.mean == pytest.approx(np.mean([weights @ np.abs(o) for o in off]), abs=1e-6)
    # operators and patients who differ flatten what is averaged: the mean model is bolder
    assert found.distance.largest > 0.02
    words = " ".join(equation_content(model, found).passages[1].paragraphs)
    assert f"{100 * found.distance.largest:.1f}" in words
    assert "Operators differ" in words
    assert "Patients differ" in words


def test_a_model_that_failed_its_gates_gives_no_equation():
    with pytest.raises(FitError, match="R-hat"):
        equation(toy_model(failures=("R-hat above 1",)))


def test_a_case_that_lacks_a_feature_is_refused():
    with pytest.raises(FitError, match="size_mm"):
        equation(models()["core"], {"opacity": ["ring"], "zone": ["middle"], "cornea": ["none"]})
