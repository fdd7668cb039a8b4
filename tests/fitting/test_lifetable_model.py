"""The life table by kind against counts worked by hand."""

import numpy as np
import pandas as pd
import pytest
from clinics import clinic

import retreat
from retreat.definitions import read_definition
from retreat.errors import FitError
from retreat.fitting.design import design
from retreat.fitting.lifetable import lifetable_model, posterior_counts

LIFETABLE = read_definition("lifetable")


def small_clinic():
    """Eight rings and six clouds; ten cases reach session 2, three session 3."""
    rows = [
        *[("ring", 1, "relieved")] * 3,
        ("ring", 1, "stopped"),
        ("ring", 2, "relieved"),
        ("ring", 2, "ongoing"),
        ("ring", 2, "ongoing"),
        ("ring", 3, "relieved"),
        *[("cloud", 2, "relieved")] * 2,
        ("cloud", 2, "stopped"),
        ("cloud", 2, "ongoing"),
        ("cloud", 3, "stopped"),
        ("cloud", 3, "ongoing"),
    ]
    table = clinic(cases=400).iloc[: len(rows)].copy()
    table["opacity"] = [kind for kind, _, _ in rows]
    table["sessions"] = [str(n) for _, n, _ in rows]
    table["ending"] = [ending for _, _, ending in rows]
    table["stop_reason"] = ["no_benefit" if e == "stopped" else "not_applicable" for _, _, e in rows]
    table["patient"] = [f"p{i}x" for i in range(len(rows))]
    table["relief_after"] = ["not_applicable" if e == "ongoing" else "3" for _, _, e in rows]
    return table


def test_counts_of_a_kind_carry_two_eyes_of_the_table_of_all():
    counts = posterior_counts(design(small_clinic(), LIFETABLE))

    # all kinds. Session 1: 14 at risk, 3 relieved, 1 stopped, 10 go on. Sessions 2 and 3 share one row, as only
    # 3 (fewer than 5) reach session 3: relieved 3 + 1, stopped 1 + 1, on 6 + 1. Half a case to each of three ways:
    # (3.5, 1.5, 10.5) / 15.5 and (4.5, 2.5, 7.5) / 14.5, each worth two eyes.
    all_first = 2 * np.array([3.5, 1.5, 10.5]) / 15.5
    all_later = 2 * np.array([4.5, 2.5, 7.5]) / 14.5
    # rings: session 1 (3, 1, 4); later (1 + 1, 0, 2 + 0): session 2 one relieved, two lost, one goes on
    ring = [np.array([3, 1, 4]) + all_first, np.array([2, 0, 3]) + all_later, np.array([2, 0, 3]) + all_later]
    # clouds: session 1 (0, 0, 6); session 2 (2, 1, 3), session 3 (0, 1, 1)
    cloud = [
        np.array([0, 0, 6]) + all_first,
        np.array([2, 2, 4]) + all_later,
        np.array([2, 2, 4]) + all_later,
    ]
    np.testing.assert_allclose(counts[0], ring, atol=1e-12)
    np.testing.assert_allclose(counts[1], cloud, atol=1e-12)


def test_draws_have_the_mean_and_spread_of_the_dirichlet_posterior():
    """20,000 draws: mean of a hazard within 5 Monte-Carlo errors, its spread within 4%."""
    d = design(small_clinic(), LIFETABLE)
    model = lifetable_model(d, seed=1, draws=20_000)

    odds = np.exp(model.parameters.session_effects)  # (draws, strata, ends, sessions)
    hazard = odds / (1 + odds.sum(axis=2, keepdims=True))

    for stratum, counts in enumerate(posterior_counts(d)):
        total = counts.sum(axis=1)
        mean = (counts[:, :2] / total[:, None]).T
        sd = np.sqrt(mean * (1 - mean) / (total + 1))
        assert (np.abs(hazard[:, stratum].mean(axis=0) - mean) < 5 * sd / np.sqrt(20_000)).all()
        np.testing.assert_allclose(hazard[:, stratum].std(axis=0), sd, rtol=0.04)


def test_the_forecast_of_a_kind_is_its_own_table():
    table = small_clinic()
    model = retreat.fit(table, "lifetable", draws=20_000)

    found = model.expected(pd.DataFrame({"opacity": ["ring", "cloud"]}), horizon=1)[:, :, 0]

    # as above: (3 + 7/15.5) / 10 and (1 + 3/15.5) / 10 for rings, 7/15.5 and 3/15.5 over 8 for clouds
    expected = [[0.345161, 0.119355], [0.056452, 0.024194]]
    np.testing.assert_allclose(found, expected, atol=0.004)  # 5 Monte-Carlo errors


def test_many_cases_of_a_kind_leave_the_two_eyes_without_weight():
    cases = clinic(cases=3000)
    model = retreat.fit(cases, "lifetable")
    rings = cases[cases.opacity == "ring"]
    first = rings.sessions.astype(int) == 1

    found = model.expected(pd.DataFrame({"opacity": ["ring"]}), horizon=1)[0, :, 0]

    observed = [(first & (rings.ending == end)).mean() for end in ("relieved", "stopped")]
    np.testing.assert_allclose(found, observed, atol=0.003)


def test_a_definition_with_strata_is_a_life_table_by_default():
    assert retreat.fit(clinic(), "lifetable", draws=100).card.method == "life table by kind"


def test_the_same_seed_gives_the_same_bytes():
    one, other = (retreat.fit(clinic(), "lifetable", seed=4, draws=100) for _ in range(2))

    assert one.model_id == other.model_id


def test_a_definition_without_strata_is_refused():
    with pytest.raises(FitError, match="core: no strata; allowed: a definition with strata"):
        retreat.fit(clinic(), "core", method="lifetable")


def test_a_kind_never_seen_is_refused_at_forecast():
    cases = clinic()
    model = retreat.fit(cases[cases.opacity != "sheet"], "lifetable", draws=100)

    with pytest.raises(FitError, match="no fitted case has level sheet"):
        model.expected(pd.DataFrame({"opacity": ["sheet"]}), horizon=2)
