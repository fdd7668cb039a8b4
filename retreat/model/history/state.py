"""Conventions of the state of an eye under treatment, shared by the fit and the forecast."""

from __future__ import annotations

import numpy as np

# sessions after this many more share the effect of the last
STEPS = 3
# what is taken from each part of the state before it enters a predictor: values of an ordinary eye after one session
REMOVED, SHARE, WORTH = 0.7, 0.5, -0.7
BOTHER, BEFORE = 4.0, 6.0  # points of 0 to 10
# least that a session delivers, so that its logarithm is a number: pulses, and mJ (our judgement)
LEAST_PULSES, LEAST_ENERGY_MJ = 1.0, 0.1
# grades this near to 0 or 1 are read as "no more than" and "no less than"
EDGE = 0.005
LOW_ANGLE, TOP_ANGLE = float(np.arcsin(np.sqrt(EDGE))), float(np.arcsin(np.sqrt(1 - EDGE)))
