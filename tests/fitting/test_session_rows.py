"""Sessions laid out for the state model: what was delivered."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from retreat.fitting.histories.sessions import lay_out
from retreat.model.history import Records
from retreat.model.history.state import LEAST_ENERGY_MJ, LEAST_PULSES

NONE = np.full((3, 2), np.nan)
DESIGN = SimpleNamespace(
    X=np.zeros((3, 1)),
    sessions=np.array([2, 2, 1]),
    ending=np.array([1, 2, 1]),
    operator=np.zeros(3, dtype=int),
    patient=np.arange(3),
)
RECORDS = Records(
    done=DESIGN.sessions,
    before=np.full(3, 7.0),
    cleared=NONE,
    fragments=NONE,
    bother=NONE,
    energy_mj=np.array([[4.0, 0.0], [6.0, np.nan], [5.0, np.nan]]),
    pulses=np.array([[200.0, 0.0], [100.0, np.nan], [300.0, np.nan]]),
)


@pytest.mark.parametrize(
    ("name", "least"), [("pulses", LEAST_PULSES), ("energy_mj", LEAST_ENERGY_MJ)], ids=["pulses", "energy"]
)
def test_a_session_that_delivered_nothing_is_one_of_the_least_dose_and_not_a_gap(name, least):
    rows = lay_out(DESIGN, RECORDS)

    values = getattr(RECORDS, name)
    logs = np.log([*values[:, 0], least])
    away, centre = {
        "pulses": (rows.pulses, rows.pulses_centre),
        "energy_mj": (rows.energy, rows.energy_centre),
    }[name]
    assert centre == pytest.approx(logs.mean(), rel=1e-14)
    # first sessions of the three cases, the second of the first, and a gap that takes its case's other session
    np.testing.assert_allclose(away, [*(logs - centre), logs[1] - centre], atol=1e-14)


def test_the_least_dose_is_one_pulse_of_a_tenth_of_a_millijoule():
    """Our judgement; the forecast takes the same."""
    assert (LEAST_PULSES, LEAST_ENERGY_MJ) == (1.0, 0.1)
    below = replace(RECORDS, energy_mj=np.where(RECORDS.energy_mj == 0, 0.05, RECORDS.energy_mj))
    np.testing.assert_array_equal(lay_out(DESIGN, below).energy, lay_out(DESIGN, RECORDS).energy)
