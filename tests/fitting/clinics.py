"""Invented clinics as tables, the way a user would read them."""

from functools import cache

import pandas as pd

import synthetic


@cache
def _made(scenario, seed, cases):
    return pd.DataFrame(synthetic.make(scenario, seed=seed, cases=cases, truth=False).cases)


def clinic(scenario="known", *, seed=3, cases=400):
    """A fresh copy of the case table of an invented clinic."""
    return _made(scenario, seed, cases).copy()
