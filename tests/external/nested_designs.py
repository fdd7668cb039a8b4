"""A design of one end and one session: logistic regression with random intercepts."""

from dataclasses import replace

import numpy as np
import pandas as pd

import synthetic
from retreat.definitions import read_definition
from retreat.fitting.design import design


def random_intercepts(*, n, operators, spread, seed):
    """Cases of an invented clinic, whether the first session was the last drawn from a logistic law."""
    table = pd.DataFrame(synthetic.make("known", seed=seed, cases=n, truth=False).cases)
    rng = np.random.default_rng(seed)
    table["operator"] = [f"op_{'abcdefghijkl'[i]}" for i in rng.integers(operators, size=n)]
    definition = read_definition("second_session")
    # priors around nothing, as the other side has
    entries = tuple(
        entry.model_copy(update={"prior": tuple(p.model_copy(update={"mean": 0.0}) for p in entry.prior)})
        for entry in definition.entries
    )
    made = design(table, replace(definition, entries=entries))
    effects = rng.normal(0.0, 0.5, made.X.shape[1])
    eta = 0.3 + made.X @ effects + spread * rng.normal(size=made.n_operators)[made.operator]
    ended = rng.random(n) < 1 / (1 + np.exp(-eta))
    return replace(made, sessions=np.ones(n, dtype=np.int64), ending=ended.astype(np.int64))
