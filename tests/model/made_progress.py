"""A state model made by hand for the tests: plausible invented parameters, each draw a little off."""

from __future__ import annotations

import numpy as np

from retreat.model.history.progress import Progress, pack

CENTRE: dict[str, object] = {
    "clear_level": -0.7,
    "clear_session": [0.0, -0.1, -0.1],
    "clear_energy": 0.4,
    "clear_pulses": 0.3,
    "clear_operator": 0.0,
    "clear_eye_sd": 0.3,
    "clear_luck_sd": 0.3,
    "grade_sd": 0.1,
    "grade_even": 0.4,
    "bother_level": 0.2,
    "bother_before": 0.6,
    "bother_removed": -1.0,
    "bother_share": -0.8,
    "bother_session": [0.0, 0.0, 0.0],
    "bother_few": 0.1,
    "bother_many": 0.3,
    "bother_back": 0.1,
    "bother_later": 0.05,
    "bother_eye_sd": 0.3,
    "bother_drift_sd": 0.0,
    "bother_fall_sd": 0.2,
    "bother_noise_sd": 0.8,
    "before_mean": 0.5,
    "before_sd": 0.7,
    "end_level": [-0.8, -2.0],
    "end_session": [[0.0, 0.0, 0.0], [0.1, 0.1, 0.1]],
    "end_removed": [0.5, 0.0],
    "end_share": [1.5, 0.2],
    "end_bother": [-0.4, 0.0],
    "end_before": [0.0, 0.0],
    "end_worth": [0.0, -0.3],
    "end_few": [-0.2, 0.0],
    "end_many": [-0.5, 0.0],
    "end_operator": [0.0, 0.0],
    "end_patient": [0.2, -0.2],
}
SPREADS = (
    "clear_eye_sd", "clear_luck_sd", "grade_sd", "grade_even", "bother_few", "bother_many", "bother_back",
    "bother_later", "bother_fall_sd",
    "bother_eye_sd", "bother_drift_sd", "bother_noise_sd", "before_sd",
)  # fmt: skip


def made_progress(
    n_columns: int, draws: int, *, seed: int = 3, off: float = 0.1, **changes: object
) -> Progress:
    """A state model of so many coded columns; `off` is how far the draws lie apart, `changes` replace centres."""
    rng = np.random.default_rng(seed)
    centre = CENTRE | changes
    parameters = {}
    for name, value in centre.items():
        at = np.broadcast_to(np.asarray(value, dtype=float), (draws, *np.shape(value)))
        noise = off * rng.standard_normal(at.shape)
        parameters[name] = at * np.exp(noise) if name in SPREADS else at + noise
    for name, ends in (
        ("clear_case", ()),
        ("bother_case", ()),
        ("bother_slope", ()),
        ("bother_pieces", ()),
        ("end_case", (2,)),
    ):
        parameters[name] = off * rng.standard_normal((draws, *ends, n_columns))
    parameters["fragments"] = rng.dirichlet((2.0, 2.0, 1.0), size=(draws, 4))
    return Progress(pack(parameters), n_columns, (0.0,) * n_columns, 1.4, 5.0, seed)
