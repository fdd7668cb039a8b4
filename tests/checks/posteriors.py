"""Posteriors of lawful clinics, and ones whose every draw is a stated law."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
from lawful import clinic

from retreat.checks.outlook import Outlook
from retreat.checks.parts import whole
from retreat.definitions import read_definition
from retreat.fitting.bayes import fit_posterior
from retreat.fitting.design import design


@cache
def posterior(name="core", seed=3, **law):
    """Of a clinic of this law."""
    return fit_posterior(design(clinic(seed, **law), read_definition(name)), seed=1)


def outlook(found):
    """That looks at its own cases."""
    return Outlook(found.design, whole(found.design), found, 1)


def stated(found, *, odds, loading=(0.0, 0.0), never=0.0):
    """The posterior with every draw at the same odds of the ends in all sessions, for all eyes and operators."""
    return replace(
        found,
        coefficients=np.zeros_like(found.coefficients),
        effects=np.broadcast_to(np.log(odds)[None, :, None], found.effects.shape).copy(),
        operator_effect=np.zeros_like(found.operator_effect),
        patient_loading=np.broadcast_to(np.array(loading), found.patient_loading.shape).copy(),
        never=np.full_like(found.never, never),
    )
