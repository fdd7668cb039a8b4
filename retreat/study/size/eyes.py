"""What eyes of one patient cost: how many tell as much as one patient each."""

from __future__ import annotations

from retreat.study.size.arguments import refuse, within

# two eyes of a patient that never differ: the most cautious
MOST_ALIKE = 1.0


def design_effect(eyes_per_patient: float, alike: float) -> float:
    r"""Design effect :math:`1 + (\bar m - 1) \rho`, with the eyes that an eye finds in its patient on average.

    Parameters
    ----------
    eyes_per_patient : float in [1, 2]
        Mean number of treated eyes of a patient.
    alike : float in [0, 1]
        Correlation of two eyes of a patient.

    Returns
    -------
    float

    Raises
    ------
    FitError
        If a number is out of range.

    Examples
    --------
    >>> design_effect(2.0, 0.5), design_effect(1.0, 0.5)
    (1.5, 1.0)
    """
    refuse(within("eyes_per_patient", eyes_per_patient, 1.0, 2.0), within("alike", alike, 0.0, 1.0))
    m = eyes_per_patient
    # of m eyes a patient, m - 1 patients have two: seen from an eye, a patient has (2 * 2 (m - 1) + 2 - m) / m eyes
    seen = (4.0 * (m - 1.0) + 2.0 - m) / m
    return 1.0 + (seen - 1.0) * alike
