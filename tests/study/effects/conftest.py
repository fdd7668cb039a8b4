"""Designs made by hand: columns of any name, so that published data sets can be analysed."""

from dataclasses import replace

import numpy as np
import pytest

from retreat.coding import learn
from retreat.definitions import read_definition
from retreat.fitting.design import Design
from retreat.study.effects.analysis import of_design

CORE, ONE_END = read_definition("core"), read_definition("second_session")


def _design(terms, features, sessions, ending, *, patient=None, link="logit"):
    """A design with free session effects, one end or two."""
    base = CORE if ending.max() > 1 else ONE_END
    effects = base.sessions.model_copy(update={"effect": "free", "step": None, "pool_below": 0})
    features = {
        name: np.asarray(v, dtype=object if isinstance(v[0], str) else float) for name, v in features.items()
    }
    coding = learn(terms, features)
    n = len(sessions)
    return Design(
        definition=replace(base, terms=tuple(terms), sessions=effects, link=link),
        coding=coding,
        X=coding.encode(features, n_cases=n),
        sessions=np.asarray(sessions),
        ending=np.asarray(ending),
        patient=np.arange(n) if patient is None else np.unique(patient, return_inverse=True)[1],
        operator=np.zeros(n, dtype=int),
        stratum=np.zeros(n, dtype=np.intp),
        strata=(),
        features=features,
        n_left_out=0,
        notes=(),
        years=(),
        invented=False,
        fingerprint="",
    )


@pytest.fixture(scope="session")
def design_of():
    """Design of terms, features, sessions and endings."""
    return _design


@pytest.fixture(scope="session")
def analysis_of():
    """The same as cases of an analysis."""
    return lambda *args, **settings: of_design(_design(*args, **settings))
