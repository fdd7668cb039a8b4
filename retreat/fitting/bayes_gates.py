"""Gates a posterior must pass before it may be used: R-hat, effective draws, divergences, E-BFMI."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

MAX_RHAT = 1.01  # Vehtari et al. 2021
MIN_ESS = 400.0  # Vehtari et al. 2021
MIN_BFMI = 0.3  # Betancourt 2016


@dataclass(frozen=True)
class Gates:
    """Diagnostics of a run and what they fail.

    Parameters
    ----------
    rhat : float
        Largest rank-normalised split R-hat over all parameters, effects of operators and patients included;
        at most 1.01.
    ess_bulk, ess_tail : float
        Smallest effective numbers of draws; at least 400.
    divergences : int
        Divergent transitions after warm-up; none.
    bfmi : float
        Smallest energy fraction of missing information over chains; at least 0.3.

    References
    ----------
    Vehtari A, Gelman A, Simpson D, Carpenter B, Burkner PC. Rank-normalization, folding, and localization:
    an improved R-hat. Bayesian Analysis 2021;16:667-718 (from memory). Betancourt M. Diagnosing suboptimal
    cotangent disintegrations in Hamiltonian Monte Carlo. arXiv 2016;1604.00695 (from memory).

    Examples
    --------
    >>> Gates(1.02, 900.0, 800.0, 0, 0.9).failures
    ('R-hat is 1.020, more than 1.01: the chains do not agree',)
    """

    rhat: float
    ess_bulk: float
    ess_tail: float
    divergences: int
    bfmi: float

    @property
    def failures(self) -> tuple[str, ...]:
        """Failed gates in words; empty for a run that passed. A NaN fails."""
        found = []
        if not self.rhat <= MAX_RHAT:
            found.append(f"R-hat is {self.rhat:.3f}, more than {MAX_RHAT}: the chains do not agree")
        for name, value in (("bulk", self.ess_bulk), ("tail", self.ess_tail)):
            if not value >= MIN_ESS:
                found.append(f"{name} effective draws are {value:.0f}, fewer than {MIN_ESS:.0f}")
        if self.divergences:
            found.append(f"{self.divergences} divergent transitions, none is allowed")
        if not self.bfmi >= MIN_BFMI:
            found.append(f"E-BFMI is {self.bfmi:.2f}, less than {MIN_BFMI}: the energy was poorly explored")
        return tuple(found)

    def to_diagnostics(self) -> Mapping[str, float]:
        """Numbers for the model card; what could not be computed is left out, a saved card holds no NaN."""
        numbers = {
            "rhat": self.rhat,
            "ess_bulk": self.ess_bulk,
            "ess_tail": self.ess_tail,
            "divergences": float(self.divergences),
            "bfmi": self.bfmi,
        }
        return {name: value for name, value in numbers.items() if np.isfinite(value)}


def assess(trace: Any) -> Gates:
    """Gates of a run, over every parameter its trace holds.

    Parameters
    ----------
    trace : DataTree
        As from PyMC, with `posterior` and `sample_stats`.
    """
    import arviz as az  # heavy: only a Bayesian fit pays for it

    posterior = trace["posterior"].to_dataset()
    stats = trace["sample_stats"]
    energy = stats["energy"].to_numpy()  # (chains, draws)
    spread = energy.var(axis=1)
    moved = (np.diff(energy, axis=1) ** 2).mean(axis=1)
    return Gates(
        rhat=_extreme(az.rhat(posterior), np.max),
        ess_bulk=_extreme(az.ess(posterior, method="bulk"), np.min),
        ess_tail=_extreme(az.ess(posterior, method="tail"), np.min),
        divergences=int(stats["diverging"].to_numpy().sum()),
        bfmi=float(np.min(moved / spread)) if np.all(spread > 0) else float("nan"),
    )


def _extreme(found: Any, pick: Any) -> float:
    """Largest or smallest value over all variables; NaN if any is NaN."""
    return float(pick([pick(found[name].to_numpy()) for name in found.data_vars]))
