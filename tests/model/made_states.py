"""State models with parameters made up, and courses simulated under them, for tests of what follows."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from made_models import made_model
from numpy.typing import NDArray

from retreat.model import Model
from retreat.model.history.progress import Progress, pack
from retreat.model.history.records import Records

FloatArray = NDArray[np.float64]


def made_parameters(n_columns: int, draws: int, seed: int = 1, spread: float = 0.1) -> dict[str, FloatArray]:
    """Parameters of an ordinary clinic, each draw a little different."""
    rng = np.random.default_rng(seed)

    def about(centre: Any, *shape: int) -> FloatArray:
        return np.asarray(centre, dtype=float) + spread * rng.normal(size=(draws, *shape))

    return {
        "clear_level": about(-0.6),
        "clear_case": about(-0.3, n_columns),
        "clear_session": about(-0.1, 3),
        "clear_energy": about(0.5),
        "clear_pulses": about(0.1),
        "clear_operator": about(0.0),
        "clear_eye_sd": np.abs(about(0.4)),
        "clear_luck_sd": np.abs(about(0.5)),
        "grade_sd": np.full(draws, 0.09),
        "grade_even": np.full(draws, 0.4),
        "bother_level": about(-0.6),
        "bother_case": about(0.1, n_columns),
        "bother_before": about(0.9),
        "bother_removed": about(-1.5),
        "bother_share": about(-0.8),
        "bother_slope": about(0.1, n_columns),
        "bother_session": about(0.1, 3),
        "bother_pieces": about(0.3, n_columns),
        "bother_few": np.abs(about(0.1)),
        "bother_many": np.abs(about(0.3)),
        "bother_back": np.abs(about(0.2)),
        "bother_later": np.abs(about(0.1)),
        "bother_eye_sd": np.abs(about(0.35)),
        "bother_drift_sd": np.abs(about(0.25)),
        "bother_fall_sd": np.abs(about(0.2)),
        "bother_noise_sd": np.abs(about(0.8)),
        "before_mean": about(0.6),
        "before_sd": np.abs(about(0.7)),
        "fragments": rng.dirichlet([3.0, 4.0, 2.0], size=(draws, 4)),
        "end_level": about([-1.0, -2.3], 2),
        "end_case": about(0.1, 2, n_columns),
        "end_session": about(-0.1, 2, 3),
        "end_removed": about(0.1, 2),
        "end_share": about(0.3, 2),
        "end_bother": about([-0.9, 0.1], 2),
        "end_before": about(0.05, 2),
        "end_worth": about([0.2, -0.4], 2),
        "end_few": about(0.1, 2),
        "end_many": about(-0.2, 2),
        "end_operator": about(0.0, 2),
        "end_patient": about([0.6, -0.3], 2),
    }


def made_part(n_columns: int, draws: int, seed: int = 1, **fixed: Any) -> Progress:
    """A part with those parameters; `fixed` sets some to one value."""
    parameters = made_parameters(n_columns, draws, seed)
    for name, value in fixed.items():
        parameters[name] = np.broadcast_to(np.asarray(value, dtype=float), parameters[name].shape)
    return Progress(pack(parameters), n_columns, (0.0,) * n_columns, 1.0, 5.0, seed)


def made_told(draws: int = 5, seed: int = 1, **fixed: Any) -> Model:
    """The core model with a made-up history."""
    model = made_model("progress", draws=draws, seed=seed)
    return replace(model, history=made_part(len(model.coding.names), draws, seed, **fixed))


def logit(points: Any) -> Any:
    """Bother on the scale of the model, written out once more."""
    return np.log((np.asarray(points) + 0.5) / (10.5 - np.asarray(points)))


def rating(value: Any) -> Any:
    """Points of 0 to 10."""
    return np.clip(11 / (1 + np.exp(-value)) - 0.5, 0, 10)


@dataclass(frozen=True)
class Eyes:
    """Simulated courses; arrays of shape (cases, sessions). `ending` is -1 after the end."""

    before: FloatArray
    cleared: FloatArray
    fragments: FloatArray
    bother: FloatArray
    ending: NDArray[np.int64]

    @property
    def sessions(self) -> NDArray[np.int64]:
        """Sessions had."""
        return np.asarray((self.ending >= 0).sum(axis=1))

    def records(self, done: NDArray[np.int64], sessions: int) -> Records:
        """What was noted of the first sessions."""
        noted = [getattr(self, name)[:, :sessions].copy() for name in ("cleared", "fragments", "bother")]
        nothing = np.full((len(done), sessions), np.nan)
        return Records(done, self.before, *noted, nothing, nothing)


def simulated(part: Progress, X: FloatArray, sessions: int, rng: np.random.Generator) -> Eyes:
    """Courses of eyes, each under one random draw of the parameters, drawn end by end; no line of the filter."""
    n, p = len(X), part.parameters
    d = rng.integers(part.n_draws, size=n)
    eye, felt, patient = rng.normal(size=(3, n))
    removed, share, earlier, counts = np.zeros((4, n))
    pieces = np.zeros(n, dtype=int)
    before = np.clip(np.rint(rng.normal(6.5, 1.5, n)), 1, 10)

    def step(name: str, k: int) -> Any:
        first = np.zeros((*p[name].shape[:-1], 1))
        return np.cumsum(np.concatenate([first, p[name]], axis=-1), axis=-1)[d, ..., k]

    noted: dict[str, list[Any]] = {"cleared": [], "fragments": [], "bother": [], "ending": []}
    gone, level = np.zeros(n, dtype=bool), p["bother_eye_sd"][d] * felt
    for k in range(sessions):
        log_r = p["clear_level"][d] + p["clear_operator"][d] + (p["clear_case"][d] * X).sum(axis=1)
        log_r += step("clear_session", min(k, 3))
        log_r += p["clear_eye_sd"][d] * eye + p["clear_luck_sd"][d] * rng.normal(size=n)
        removed = removed + np.exp(log_r)
        sooner, earlier, share = earlier, share, 1 - np.exp(-removed)
        counted, counts = counts, 4 * (1 - np.exp(-removed / 4))
        even = p["grade_even"][d]
        off = p["grade_sd"][d] * np.sqrt(even + (1 - even) * 4 * share * (1 - share))
        seen = share + off * rng.normal(size=n)
        moves = np.cumsum(p["fragments"][d, pieces], axis=1)
        pieces = 1 + (rng.random(n)[:, None] > moves[:, :2]).sum(axis=1)
        few, many = pieces == 2, pieces == 3
        mood = p["bother_level"][d] + p["bother_before"][d] * logit(before)
        mood += (p["bother_case"][d] * X).sum(axis=1)
        falls = p["bother_removed"][d] + (p["bother_slope"][d] * X).sum(axis=1)
        bend = share - 0.5 - 0.6 * (counts - 0.7)
        shadow = np.exp(falls * (counts - 0.7) + p["bother_share"][d] * bend)
        about = p["bother_few"][d] * few + p["bother_many"][d] * many
        about += p["bother_back"][d] * earlier + p["bother_later"][d] * sooner
        about *= np.exp((p["bother_pieces"][d] * X).sum(axis=1))
        shadow += about
        mood += step("bother_session", min(k, 3)) + np.log(shadow)
        if k:
            level = level + p["bother_drift_sd"][d] * rng.normal(size=n)
        level = level + p["bother_fall_sd"][d] * falls * (counts - counted) * rng.normal(size=n)
        mood += level
        eta = p["end_level"][d] + p["end_operator"][d] + np.einsum("nkp,np->nk", p["end_case"][d], X)
        eta += step("end_session", min(k, 3))
        for name, values in (
            ("removed", counts - 0.7),
            ("share", share - 0.5),
            ("bother", rating(mood) - 4),
            ("before", before - 6),
            ("worth", 1 - np.exp(-np.exp(log_r)) - 0.4),
            ("few", few),
            ("many", many),
            ("patient", patient),
        ):
            eta += p[f"end_{name}"][d] * np.asarray(values, dtype=float)[:, None]
        odds = np.exp(eta)
        chance = odds / (1 + odds.sum(axis=1, keepdims=True))
        u = rng.random(n)
        ending = np.where(u < chance[:, 0], 1, np.where(u < chance.sum(axis=1), 2, 0))
        noted["ending"].append(np.where(gone, -1, ending))
        gone |= ending > 0
        noted["cleared"].append(np.clip(seen, 0, 1))
        noted["fragments"].append(pieces - 1.0)
        error = p["bother_noise_sd"][d] * rng.normal(size=n)
        noted["bother"].append(np.clip(11 / (1 + np.exp(-mood)) - 0.5 + error, 0, 10))
    return Eyes(before, **{name: np.stack(values, axis=1) for name, values in noted.items()})
