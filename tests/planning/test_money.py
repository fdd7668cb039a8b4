"""Prices, packages and income."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from retreat.errors import FitError, TableError
from retreat.planning.money import Prices, read_prices
from retreat.planning.packages import break_even, sessions_together, thinned, weekly_income


def test_sessions_of_many_eyes_are_negative_binomial_where_one_is_geometric() -> None:
    # scipy.stats.nbinom, scipy 1.18: failures before the n-th success; sessions count the successes too
    p, eyes = 0.55, 12
    one = np.r_[0.0, stats.geom.pmf(np.arange(1, 200), p)]
    total = sessions_together(one[None], eyes)
    sessions = np.arange(eyes, 120)
    np.testing.assert_allclose(total[sessions], stats.nbinom.pmf(sessions - eyes, eyes, p), atol=1e-12)


def test_doubt_about_the_parameters_does_not_average_out_over_eyes() -> None:
    sure = np.array([[0.0, 0.5, 0.5]])
    unsure = np.array([[0.0, 0.9, 0.1], [0.0, 0.1, 0.9]])
    alone = [break_even(pmf, 1.0, confidence=0.9) for pmf in (sure, unsure)]
    together = [break_even(pmf, 1.0, confidence=0.9, eyes=200) for pmf in (sure, unsure)]
    assert alone[0] == alone[1]
    assert together[0] < 1.56 < 1.85 < together[1]


@given(
    st.lists(st.floats(0.01, 1.0), min_size=2, max_size=6),
    st.floats(0.05, 0.99),
    st.integers(1, 6),
)
def test_a_package_covers_its_sessions_with_the_chosen_confidence_and_no_cheaper_one_does(
    weights: list[float], confidence: float, eyes: int
) -> None:
    pmf = np.r_[0.0, np.array(weights) / sum(weights)][None]
    price = break_even(pmf, 100.0, confidence=confidence, eyes=eyes)
    total = sessions_together(pmf, eyes)
    paid = round(price * eyes / 100.0)
    assert total[: paid + 1].sum() >= confidence - 1e-8
    assert total[:paid].sum() < confidence


def test_thinning_is_binomial() -> None:
    found = thinned(np.eye(13), np.full(13, 0.93))
    for n in range(13):
        np.testing.assert_allclose(found[n], stats.binom.pmf(np.arange(13), n, 0.93), atol=1e-14)


def test_income_is_of_attended_sessions_of_the_slots_used() -> None:
    weekly = stats.poisson.pmf(np.arange(60), 8.0)[None]
    ((mean, low, _, high),) = weekly_income(weekly, 10.0, 0.25)
    assert mean == pytest.approx(10.0 * 8.0 * 0.75)
    # a thinned Poisson is Poisson (Kingman 1993, from memory)
    assert (low, high) == tuple(10.0 * stats.poisson.ppf(p, 6.0) for p in (0.1, 0.9))


def test_no_price_is_built_in() -> None:
    empty = Prices()
    assert (empty.session, empty.session_cost, empty.idle_slot, empty.missing_slot) == (None,) * 4
    assert dict(empty.packages) == {}


def test_prices_are_read_and_their_faults_told(tmp_path: Path) -> None:
    path = tmp_path / "prices.toml"
    path.write_text('currency = "X"\nsession = 5\nsession_cost = 2.5\n[packages]\nring = 7\n')
    assert read_prices(path) == Prices("X", 5, 2.5, {"ring": 7})
    for text, found in (
        ("session = -1", FitError),
        ("session = true", FitError),
        ("session = nan", FitError),
        ("confidence = 1.5", FitError),
        ("eyes = 0", FitError),
        ("[packages]\nring = 7", FitError),
        ("sesion = 3", TableError),
        ("packages = 3", TableError),
        ("session = ", TableError),
    ):
        path.write_text(text)
        with pytest.raises(found):
            read_prices(path)
    with pytest.raises(TableError, match="no such file"):
        read_prices(tmp_path / "none.toml")
