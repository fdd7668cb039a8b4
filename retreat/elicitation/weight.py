"""How many cases an operator's answers weigh in all, and priors widened so that they weigh no more than they may."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from retreat.elicitation.answers import Question
from retreat.elicitation.effective import effective_cases
from retreat.elicitation.matching import Task, share_by

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# Cases that no operator's answers may outweigh. Our judgement: answers are recalled, not recorded, and ten kinds of
# eye at the twenty that one may have in mind would count as 200 cases that nobody can look up.
MOST_CASES = 30.0
_N_STEPS = 60


def by_eye(work: Task, question: Question, centre: FloatArray, variance: FloatArray) -> FloatArray:
    """How many eyes like each one a prior of the share of a question is worth, shape (eyes,)."""
    return _worth(*_shares(work, question, centre), variance)


def in_all(work: Task, effective: FloatArray) -> float:
    r"""How many cases a prior is worth in all, if they are mixed evenly as the eyes asked about are.

    :math:`N` cases spread over :math:`n` eyes that differ in :math:`r` ways tell :math:`N / n` times the mean of
    their information, so that the :math:`n_i` eyes that each share is then worth have :math:`\sum_i 1 / n_i = r n /
    N` (the trace of a hat matrix). A prior is worth the cases that give it that sum: :math:`N = r / \overline{1 /
    n_i}`.

    Parameters
    ----------
    work : Task
        Eyes asked about.
    effective : ndarray of float, shape (eyes,)
        From :func:`by_eye`.
    """
    ways = int(np.linalg.matrix_rank(work.design[:, 0, 0]))
    return float(ways / np.mean(1.0 / effective))


def held_back(
    work: Task, question: Question, centre: FloatArray, variance: FloatArray, written: BoolArray, most: float
) -> FloatArray:
    """Variances of a prior made wide enough that it is worth at most so many cases in all.

    What the answers added to the precision of the prior before is taken back in one proportion; where all of it is
    not enough (shares near 0 or 1 are such that even vague priors weigh many eyes), the prior before is widened.

    Parameters
    ----------
    work : Task
        With the prior before.
    question : Question
        Whose share is looked at.
    centre, variance : ndarray of float, shape (parameters,)
        The prior that the answers ask for.
    written : ndarray of bool, shape (parameters,)
        Which of them may be changed.
    most : float, above 0
        Cases.
    """
    share, slope = _shares(work, question, centre)

    def at(back: float) -> FloatArray:
        """0 keeps what the answers ask for, 1 is the spread of the prior before, 2 twice that spread."""
        kept = work.precision + max(1.0 - back, 0.0) * (1.0 / variance - work.precision)
        return np.where(written, max(back, 1.0) ** 2 / kept, variance)

    def weight(back: float) -> float:
        return in_all(work, _worth(share, slope, at(back)))

    if weight(0.0) <= most:
        return variance
    low, high = 0.0, 1.0
    while weight(high) > most:
        low, high = high, 2.0 * high
    for _ in range(_N_STEPS):
        middle = (low + high) / 2
        low, high = (middle, high) if weight(middle) > most else (low, middle)
    return at(high)


def _shares(work: Task, question: Question, centre: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Share of each eye, and the gradient of its log odds."""
    share, gradient = share_by(work, centre, question)
    return share, gradient / (share * (1.0 - share))[:, None]


def _worth(share: FloatArray, slope: FloatArray, variance: FloatArray) -> FloatArray:
    return effective_cases(share, slope**2 @ variance)
