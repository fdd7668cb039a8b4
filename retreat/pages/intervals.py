"""Values and intervals as report pages show them."""

from __future__ import annotations


def with_interval(value: float, interval: tuple[float, float]) -> str:
    """Value and interval to two digits; empty for a value that could not be told.

    Examples
    --------
    >>> with_interval(0.5, (0.4, 0.6)), with_interval(float("nan"), (0.4, 0.6))
    ('0.50 (0.40 to 0.60)', '')
    """
    if value != value:
        return ""
    return f"{value:.2f}" if interval[0] != interval[0] else f"{value:.2f} ({span(interval)})"


def span(interval: tuple[float, float]) -> str:
    """The interval to two digits; empty where there is none."""
    return "" if interval[0] != interval[0] else f"{interval[0]:.2f} to {interval[1]:.2f}"
