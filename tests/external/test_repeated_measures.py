"""Repeated measures: the decisions of the state model against published fits of new infections in herds.

`data/cbpp.csv`: new cases of contagious bovine pleuropneumonia among animals of 15 herds in four periods (Lesnoff et
al., Prev Vet Med 2004;64:43-57), as stored in github.com/dmbates/MixedModelExamples. The published fit is that of lme4
(Bates et al., J Stat Softw 2015;67(1)), whose tests state its Laplace estimates and deviance. A herd stands for a
patient here, an animal in a period for a session, falling ill for the first end.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytensor
import pytensor.tensor as pt
import pytest
from pytensor.compile.mode import Mode
from scipy.optimize import minimize

from retreat.fitting.histories.state_model import decisions

# lme4, glmer(cbind(incidence, size - incidence) ~ period + (1 | herd)), one node (Laplace)
SD, EFFECTS = 0.6420622, (-1.3983429, -0.9919250, -1.1282162, -1.5797454)
DEVIANCE = 184.0531  # without the constant that depends on the data alone, it is that of the animals grouped


def log_likelihood(nodes: int):
    table = pd.read_csv(Path(__file__).parent / "data" / "cbpp.csv")
    herd = np.repeat(table["herd"] - 1, table["size"]).to_numpy()
    period = np.repeat(table["period"] - 1, table["size"]).to_numpy()
    ill = np.concatenate([np.arange(n) < k for n, k in zip(table["size"], table["cases"], strict=True)])
    X = np.column_stack([np.ones(len(period)), *(period == p for p in (1, 2, 3))]).astype(float)
    theta = pt.vector("theta")  # effects, then the spread between herds
    value = decisions([pt.dot(X, theta[:4])], theta[4:], ill.astype(int), herd, nodes=nodes)
    grouped = sum(_log_choose(n, k) for n, k in zip(table["size"], table["cases"], strict=True))
    both = pytensor.function(
        [theta], [value + grouped, pt.grad(value, theta)], mode=Mode(linker="py", optimizer="fast_compile")
    )
    return lambda x: tuple(np.asarray(part) for part in both(x))


def _log_choose(n: int, k: int) -> float:
    from math import comb, log

    return log(comb(n, k))


@pytest.fixture(scope="module")
def found() -> np.ndarray:
    both = log_likelihood(25)
    fit = minimize(
        lambda x: [-float(both(x)[0]), -both(x)[1]], [-1, -1, -1, -1, 0.5], jac=True, method="BFGS"
    )
    assert np.abs(fit.jac).max() < 1e-4
    return np.append(fit.x, 2 * fit.fun)


def test_estimates_of_effects_agree_with_the_published_fit(found: np.ndarray) -> None:
    # the published numbers are of one node: the whole integral moves them by less than 0.01
    assert found[:4] == pytest.approx(EFFECTS, abs=0.01)


def test_the_spread_between_herds_agrees_with_the_published_fit(found: np.ndarray) -> None:
    assert abs(found[4]) == pytest.approx(SD, abs=0.02)


def test_the_deviance_agrees_with_the_published_fit(found: np.ndarray) -> None:
    assert found[5] == pytest.approx(DEVIANCE, abs=0.2)


def test_seven_nodes_serve_for_a_spread_like_that(found: np.ndarray) -> None:
    few, many = log_likelihood(7), log_likelihood(40)
    assert float(few(found[:5])[0]) == pytest.approx(float(many(found[:5])[0]), abs=0.05)
