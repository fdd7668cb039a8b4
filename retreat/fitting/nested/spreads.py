"""The few parameters that say how much others vary: their priors, and coordinates in which they are near normal."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, lgamma, log, pi

import numpy as np
from numpy.typing import NDArray

from retreat.fitting.nested.hardness import Kinds, kinds

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Spreads:
    """Standard deviations of steps and operators, loadings of the patient factor, share that never responds.

    A draw is one row on the line: for each part that is in the model, logarithms of the standard deviations of steps
    an end and of operators an end, loadings an end, and the root of the share, of either sign. Loadings are known up
    to a common sign and the root up to its own, so the density is even in them.

    Parameters
    ----------
    n_ends : int
        Ends.
    step, operator : float, or None
        Scales of half-normal priors; None leaves the part out.
    patient : float, or None
        Standard deviation of the normal prior of loadings.
    never : tuple of two float, or None
        Beta prior of the share.
    """

    n_ends: int
    step: float | None
    operator: float | None
    patient: float | None
    never: tuple[float, float] | None

    @property
    def n_logged(self) -> int:
        """Standard deviations, the first columns of a draw."""
        return self.n_ends * sum(scale is not None for scale in (self.step, self.operator))

    @property
    def n_kinds(self) -> int:
        """Columns that shape the likelihood itself: loadings and root of the share, the last of a draw."""
        return (self.n_ends if self.patient is not None else 0) + (1 if self.never is not None else 0)

    @property
    def size(self) -> int:
        """Columns of a draw."""
        return self.n_logged + self.n_kinds

    def kinds(self, n_nodes: int) -> Kinds:
        """Kinds of patient that a likelihood adds up over."""
        return kinds(hard=self.patient is not None, never=self.never is not None, n_nodes=n_nodes)

    def step_sd(self, line: FloatArray) -> FloatArray:
        """Standard deviations of steps, shape (draws, ends); no columns where steps are not learned."""
        return np.asarray(np.exp(line[:, : self.n_ends if self.step is not None else 0]))

    def operator_sd(self, line: FloatArray) -> FloatArray:
        """Standard deviations of operators, shape (draws, ends); no columns where they do not enter."""
        start = self.n_ends if self.step is not None else 0
        return np.asarray(np.exp(line[:, start : self.n_logged]))

    def loading(self, line: FloatArray) -> FloatArray:
        """Loadings, shape (draws, ends); zeros where no patient factor enters."""
        if self.patient is None:
            return np.zeros((len(line), self.n_ends))
        return line[:, self.n_logged : self.n_logged + self.n_ends]

    def never_share(self, line: FloatArray) -> FloatArray:
        """Share that never responds, shape (draws,); zeros where it does not enter."""
        return line[:, -1] ** 2 if self.never is not None else np.zeros(len(line))

    def middle(self) -> FloatArray:
        """A point in the middle of the prior, shape (size,): medians, the first loading alone above 0."""
        logged = [s for s in (self.step, self.operator) if s is not None]
        out = [np.repeat(np.log(np.array(logged) * _MEDIAN), self.n_ends)] if logged else []
        if self.patient is not None:
            out.append(np.eye(self.n_ends)[0] * self.patient * _MEDIAN)
        if self.never is not None:
            out.append(np.array([(self.never[0] / sum(self.never)) ** 0.5]))
        return np.concatenate(out) if out else np.zeros(0)

    def kinds_sd(self) -> FloatArray:
        """Prior standard deviations of loadings and of the root of the share, shape (kinds,)."""
        out = [self.patient] * self.n_ends if self.patient is not None else []
        if self.never is not None:
            a, b = self.never
            mean_root = exp(lgamma(a + 0.5) + lgamma(a + b) - lgamma(a) - lgamma(a + b + 0.5))
            out.append((a / (a + b) - mean_root**2) ** 0.5)
        return np.array(out)

    def draw(self, n: int, rng: np.random.Generator) -> FloatArray:
        """Draws from the prior, shape (n, size)."""
        columns = [
            np.log(np.abs(rng.normal(0.0, scale, (n, self.n_ends))))
            for scale in (self.step, self.operator)
            if scale is not None
        ]
        if self.patient is not None:
            columns.append(rng.normal(0.0, self.patient, (n, self.n_ends)))
        if self.never is not None:
            columns.append(np.sqrt(rng.beta(*self.never, (n, 1))))
        return np.hstack(columns) if columns else np.zeros((n, 0))

    def log_prior(self, line: FloatArray) -> FloatArray:
        """Log prior density on the line, shape (draws,); minus infinity for a share beyond 1."""
        share = self.never_share(line)
        with np.errstate(divide="ignore", invalid="ignore"):
            out = self.log_density(line) + line[:, : self.n_logged].sum(axis=1)
            if self.never is not None:  # a density a share is one of twice the root a root, over both signs
                out = np.where(share < 1, out + 0.5 * np.log(share), -np.inf)
        return np.asarray(out)

    def log_density(self, line: FloatArray) -> FloatArray:
        """Log prior density of standard deviations, loadings and share themselves, shape (draws,)."""
        out = np.zeros(len(line))
        for scale, sd in ((self.step, self.step_sd(line)), (self.operator, self.operator_sd(line))):
            if scale is not None:
                out -= (0.5 * sd**2 / scale**2 + log(scale) + 0.5 * log(pi / 2)).sum(axis=1)
        if self.patient is not None:
            scaled = self.loading(line) / self.patient
            out -= (0.5 * scaled**2 + log(self.patient) + 0.5 * log(2 * pi)).sum(axis=1)
        if self.never is not None:
            a, b = self.never
            share = self.never_share(line)
            out += (a - 1) * np.log(share) + (b - 1) * np.log1p(-share)
            out += lgamma(a + b) - lgamma(a) - lgamma(b)
        return out

    def images(self, line: FloatArray) -> list[FloatArray]:
        """The same draws under all signs that the likelihood does not tell apart."""
        out = [line]
        if self.patient is not None:
            turned = line.copy()
            turned[:, self.n_logged : self.n_logged + self.n_ends] *= -1.0
            out.append(turned)
        if self.never is not None:
            for one in list(out):
                turned = one.copy()
                turned[:, -1] *= -1.0
                out.append(turned)
        return out

    def right_way(self, line: FloatArray) -> FloatArray:
        """The same draws with the first loading above 0 and the root of the share too."""
        out = line.copy()
        if self.patient is not None:
            turned = np.where(self.loading(line)[:, :1] < 0, -1.0, 1.0)
            out[:, self.n_logged : self.n_logged + self.n_ends] *= turned
        if self.never is not None:
            out[:, -1] = np.abs(out[:, -1])
        return out


# median of a half-normal of scale 1
_MEDIAN = 0.6745
