"""Case mix: shares that give no small count away, quantiles by hand."""

from __future__ import annotations

import json

import numpy as np
import pytest

from retreat.model import CaseMix, casemix


def lens(**counts: int) -> dict[str, np.ndarray]:
    values = [level for level, n in counts.items() for _ in range(n)]
    return {"lens": np.array(values, dtype=object)}


def test_shares_are_those_of_counts_rounded_to_fives() -> None:
    # 61, 33 and 6 count as 60, 35 and 5
    mix = casemix.learn(lens(natural=61, monofocal=33, multifocal=6))
    assert mix.levels["lens"] == {"monofocal": 0.35, "multifocal": 0.05, "natural": 0.6}


def test_a_small_count_cannot_be_worked_out_from_the_shares() -> None:
    # 3 to 7 cases of 100 look alike
    shares = [casemix.learn(lens(natural=100 - n, multifocal=n)).levels["lens"] for n in (3, 4, 5, 6, 7)]
    assert all(found == shares[0] for found in shares)


def test_one_or_two_cases_of_a_level_are_left_out() -> None:
    assert casemix.learn(lens(natural=98, multifocal=2)).levels["lens"] == {"natural": 1.0}


def test_too_few_cases_to_tell_levels_apart_share_evenly() -> None:
    assert casemix.learn(lens(natural=2, multifocal=1)).levels["lens"] == {"multifocal": 0.5, "natural": 0.5}


def test_missing_values_count_for_nothing() -> None:
    values = np.array(["natural"] * 15 + ["monofocal"] * 5 + [None] * 80, dtype=object)
    assert casemix.learn({"lens": values}).levels["lens"] == {"monofocal": 0.25, "natural": 0.75}
    ages = np.concatenate([np.arange(0.0, 81.0), np.full(50, np.nan)])
    assert casemix.learn({"age": ages}).quantiles == casemix.learn({"age": ages[:81]}).quantiles


def test_quantiles_are_the_middles_of_twenty_equal_shares() -> None:
    # values 0 to 80: the middle of the first share is 2.5 hundredths of 80, and so on by 4
    quantiles = casemix.learn({"age": np.arange(81.0)[::-1]}).quantiles["age"]
    # but the outermost, beyond the fifth value from either end, is that value
    assert quantiles[1:-1] == pytest.approx(np.arange(6.0, 76.0, 4.0), abs=1e-12)
    assert (quantiles[0], quantiles[-1]) == (4.0, 76.0)


@pytest.mark.parametrize("n", [3, 9, 30, 40, 200])
def test_no_quantile_rests_on_the_outermost_values(n: int) -> None:
    values = np.arange(float(n))
    moved = values.copy()
    fewest = min(4, (n - 1) // 2)
    moved[:fewest] -= 50.0
    moved[n - fewest :] += 50.0

    learn = [casemix.learn({"size_mm": v}).quantiles["size_mm"] for v in (values, moved)]

    assert learn[0] == learn[1]
    assert (np.diff(learn[0]) >= 0).all()


def test_a_feature_missing_throughout_is_not_in_the_mix() -> None:
    mix = casemix.learn({"age": np.full(9, np.nan), "lens": np.full(9, None, dtype=object)})
    assert mix == CaseMix({}, {})
    with pytest.raises(KeyError):
        mix.completions("age", 4, np.random.default_rng(0))


def test_the_mix_is_the_same_after_strict_json() -> None:
    mix = casemix.learn({**lens(natural=61, monofocal=33), "age": np.random.default_rng(1).normal(size=50)})
    assert CaseMix.from_json(json.loads(json.dumps(mix.to_json(), allow_nan=False))) == mix


def test_the_same_seed_gives_the_same_completions() -> None:
    mix = casemix.learn(lens(natural=61, monofocal=33))
    first, again = (mix.completions("lens", 64, np.random.default_rng(5))[0] for _ in range(2))
    assert first.tolist() == again.tolist()
    assert first.tolist() != mix.completions("lens", 64, np.random.default_rng(6))[0].tolist()


def test_a_described_mix_has_the_shares_and_quantiles_it_was_told() -> None:
    mix = casemix.described(
        {"ring": 0.75, "cloud": 0.25},
        {
            "ring": ({"size_mm": (1.0, 2.0, 3.0)}, {"lens": {"natural": 1.0}}),
            "cloud": ({"size_mm": (4.0, 6.0, 8.0)}, {"lens": {"natural": 0.6, "monofocal": 0.4}}),
        },
        "opacity",
    )
    assert mix.levels["opacity"] == {"ring": 0.75, "cloud": 0.25}
    assert mix.levels["lens"] == pytest.approx({"natural": 0.9, "monofocal": 0.1})
    # straight lines: a quarter of the way from 5 to 50 of 100 is 16.25; the 4th of 20 quantiles is at 17.5
    assert mix.of_level("ring").quantiles["size_mm"][3] == pytest.approx(1.0 + (0.175 - 0.05) / 0.45)
    # three quarters of all eyes are rings, none above 3
    whole = np.array(mix.quantiles["size_mm"])
    assert (whole <= 3.0).mean() == 0.75
    assert (np.diff(whole) >= 0).all()
    assert casemix.CaseMix.from_json(mix.to_json()) == mix


def test_a_kind_of_which_nothing_else_is_told_is_completed_within_it() -> None:
    numbers = {"ring": ({"size_mm": (1.0, 2.0, 3.0)}, {}), "cloud": ({"size_mm": (4.0, 6.0, 8.0)}, {})}
    mix = casemix.described({"ring": 0.5, "cloud": 0.5}, numbers, "opacity")
    values, weights = mix.of_level("cloud").completions("size_mm", 64, np.random.default_rng(1))
    assert values.min() >= 4.0
    assert weights @ values == pytest.approx(6.0, abs=0.05)
    # a small eye is a ring, unless all is
    likelier = mix.level_weights(np.array(["ring", "cloud"]), {"size_mm": 2.0})
    assert likelier[0] > 20 * likelier[1]
