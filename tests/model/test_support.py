"""Support: small cells hidden, ranges without a patient's own value, warnings and refusals outside."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from retreat.model import support
from retreat.model.support import CaseSupport, Range, Support

EDGES = {"opacity": (), "size_mm": (1.5, 3.0)}


def texts(*values: str | None) -> np.ndarray:
    return np.array(values, dtype=object)


def learned(
    features: dict[str, np.ndarray],
    edges: dict[str, tuple[float, ...]] | None = None,
    sessions: np.ndarray | None = None,
) -> Support:
    """Support of cases that all had one session, unless told otherwise."""
    n = len(next(iter(features.values()), ()))
    return support.learn(features, edges or {}, np.ones(n, dtype=np.int64) if sessions is None else sessions)


def clinic() -> Support:
    """30 rings of 1 to 2 mm, 12 clouds of 4 to 5 mm, 10 strands of 2 mm; the rings had 1 to 3 sessions."""
    return learned(
        {
            "opacity": texts(*["ring"] * 30, *["cloud"] * 12, *["strand"] * 10),
            "size_mm": np.concatenate([np.linspace(1, 2, 30), np.linspace(4, 5, 12), np.full(10, 2.0)]),
        },
        EDGES,
        np.concatenate([np.tile([1, 2, 3], 10), np.ones(22, dtype=np.int64)]),
    )


def of(found: Support, done: int = 0, **case: Any) -> CaseSupport:
    columns = {
        name: texts(v) if v is None or isinstance(v, str) else np.array([v]) for name, v in case.items()
    }
    (one,) = found.of(columns, np.array([done]))
    return one


# --- what is kept


def test_levels_seen_in_fewer_than_11_cases_are_kept_as_0_and_the_rest_as_11() -> None:
    assert clinic().levels == {"opacity": {"cloud": 11, "ring": 11, "strand": 0}}


def test_the_count_of_a_rare_level_cannot_be_worked_out_from_the_others() -> None:
    # 52 cases in all: had the frequent levels kept 30 and 12, the strands would be 10
    assert not {30, 12, 10} & {n for counts in clinic().levels.values() for n in counts.values()}


def test_combinations_seen_in_fewer_than_11_cases_are_left_out() -> None:
    # rings of 1 to 2 mm: 15 below 1.5 and 15 from there on; 30, 20, 10 of them before sessions 1, 2, 3;
    # all strands are of the middle size, 25 with the rings
    assert clinic().cells == {
        **{"*|*": (50, 20), "*|0": (15,), "*|1": (25,), "*|2": (11,)},
        **{"cloud|*": (11,), "cloud|2": (11,), "ring|*": (30, 20), "ring|0": (15,), "ring|1": (15,)},
    }


@pytest.mark.parametrize(("n", "kept"), [(10, {}), (11, {"*": (11,), "ring": (11,)})])
def test_the_smallest_cell_that_is_shown_has_11_cases(n: int, kept: dict[str, tuple[int, ...]]) -> None:
    assert learned({"opacity": texts(*["ring"] * n)}, {"opacity": ()}).cells == kept


@given(st.lists(st.tuples(st.sampled_from("ab"), st.sampled_from("xy"), st.integers(1, 4)), max_size=150))
@settings(max_examples=100, deadline=None)
def test_a_kept_count_is_a_lower_bound_at_most_4_short(cases: list[tuple[str, str, int]]) -> None:
    first, second, last = ([case[i] for case in cases] for i in range(3))
    found = learned(
        {"a": texts(*first), "b": texts(*second)}, {"a": (), "b": ()}, np.array(last, dtype=np.int64)
    )
    for key in ("*|*", "a|*", "*|x", "a|x", "b|y"):
        wanted = key.split("|")
        for done in range(5):
            n = sum(
                k > done and all(w in ("*", v) for w, v in zip(wanted, (a, b), strict=True))
                for a, b, k in cases
            )
            counts = found.cells.get(key, ())
            told = counts[done] if done < len(counts) else 0
            assert (n < 11) == (told == 0)
            assert told == 0 or (11 <= told <= n <= told + 4)


def test_the_exact_count_of_a_hidden_combination_cannot_be_worked_out() -> None:
    # 60 rings of which 8 are large: what is kept is the same for any number of large ones from 6 to 9
    def kept(large: int) -> Support:
        sizes = np.where(np.arange(60) < large, 4.0, 1.0)
        return learned({"opacity": texts(*["ring"] * 60), "size_mm": sizes}, EDGES)

    assert kept(6).cells == kept(8).cells == kept(9).cells


def test_a_missing_feature_counts_in_no_cell_and_no_level() -> None:
    found = learned({"opacity": texts(*["ring"] * 12, *[None] * 12)}, {"opacity": ()})
    assert found.cells == {"*": (20,), "ring": (11,)}
    assert found.levels == {"opacity": {"ring": 11}}


def test_a_value_on_an_edge_belongs_to_the_band_above() -> None:
    found = learned({"size_mm": np.array([1.5] * 11 + [3.0] * 16)}, {"size_mm": (1.5, 3.0)})
    assert found.cells == {"*": (25,), "1": (11,), "2": (15,)}


@pytest.mark.parametrize(
    ("low", "high", "kept"),
    [
        # two digits of the width: steps of 0.1, 1, 1, 0.01; limits halfway between round numbers
        (0.5, 9.0, (0.45, 9.05)),
        (1.1, 11.0, (0.5, 11.5)),
        (30.0, 88.0, (29.5, 88.5)),
        (0.21, 0.87, (0.205, 0.875)),
        (-12.0, -1.0, (-12.5, -0.5)),
        # a limit that a patient has moves one step on
        (0.45, 9.05, (0.35, 9.15)),
        (2.0, 2.0, (1.95, 2.05)),
    ],
)
def test_ranges_are_widened_to_limits_that_no_patient_has(
    low: float, high: float, kept: tuple[float, float]
) -> None:
    found = learned({"size_mm": np.array([high, low, np.nan, (low + high) / 2])})
    lowest, _, _, highest = found.ranges["size_mm"]
    assert (lowest, highest) == pytest.approx(kept, abs=1e-12)


def test_the_common_range_leaves_out_a_hundredth_at_either_end() -> None:
    # 801 sizes from 1 to 9 in steps of 0.01: hundredths at 1.08 and 8.92, limits in half steps of 0.1
    assert learned({"size_mm": np.linspace(1, 9, 801)}).ranges["size_mm"] == pytest.approx(
        (0.95, 1.05, 8.95, 9.05), abs=1e-12
    )


recorded = st.one_of(
    st.floats(-30, 100),
    st.integers(-60, 200).map(lambda n: n / 2),
    st.integers(-300, 1000).map(lambda n: n / 10),
    st.integers(0, 100).map(lambda n: n / 100),
)


@given(st.lists(recorded, min_size=1, max_size=30))
@settings(max_examples=200, deadline=None)
@example([0.0])
@example([0.3, 0.7])
@example([0.05, 0.95, 1.05])
def test_no_limit_of_a_range_is_the_value_of_a_patient(values: list[float]) -> None:
    low, common_low, common_high, high = learned({"x": np.array(values)}).ranges["x"]
    assert low <= common_low <= common_high <= high
    assert low < min(values)
    assert high > max(values)
    width = max(max(values) - min(values), abs(max(values)), 1e-3)
    # at most a step and a half wider at either end, a step being a tenth of the width or less
    assert min(values) - low < 0.16 * width
    assert high - max(values) < 0.16 * width


def test_a_feature_missing_throughout_has_no_range() -> None:
    assert learned({"size_mm": np.full(20, np.nan)}).ranges == {}


def test_no_case_leaves_an_empty_support() -> None:
    assert learned({}) == Support({}, (), {}, {}, {})


def test_support_is_the_same_after_strict_json() -> None:
    found = clinic()
    assert Support.from_json(json.loads(json.dumps(found.to_json(), allow_nan=False))) == found


# --- how many like it


def test_like_cases_are_those_of_the_same_bands() -> None:
    one = of(clinic(), opacity="ring", size_mm=1.2)
    assert (one.n_like, one.n_like_words) == (15, "at least 15")
    assert one.alike_in == ("opacity ring", "size_mm under 1.5")


@pytest.mark.parametrize(
    ("size", "words"),
    [(1.4, "under 1.5"), (1.5, "1.5 to under 3"), (2.9, "1.5 to under 3"), (3.0, "3 or more")],
)
def test_bands_are_told_in_words(size: float, words: str) -> None:
    assert of(clinic(), opacity="ring", size_mm=size).alike_in[1] == f"size_mm {words}"


def test_fewer_than_11_like_cases_are_never_counted_out() -> None:
    one = of(clinic(), opacity="strand", size_mm=2.0)
    assert (one.n_like, one.n_like_words) == (0, "fewer than 11")


def test_like_cases_during_a_course_are_those_still_in_treatment() -> None:
    # of 30 rings 20 had a second session and 10 a third: too few to tell
    told = [of(clinic(), done, opacity="ring", size_mm=np.nan).n_like_words for done in (0, 1, 2, 9)]
    assert told == ["at least 30", "at least 20", "fewer than 11", "fewer than 11"]


def test_a_case_past_the_sessions_that_were_seen_is_warned_of() -> None:
    one = of(clinic(), 1, opacity="ring", size_mm=1.2)
    assert one.with_course(1, supported_session=2) == one
    assert one.with_course(2, supported_session=2).warnings == (
        "few or no fitted cases were still in treatment after 2 sessions",
    )


def test_an_unknown_feature_widens_what_counts_as_like() -> None:
    assert of(clinic(), opacity="ring", size_mm=np.nan).n_like == 30
    only_size = of(clinic(), opacity=None, size_mm=4.5)
    assert (only_size.n_like, only_size.alike_in) == (11, ("size_mm 3 or more",))


def test_without_features_that_define_likeness_every_case_is_alike() -> None:
    found = learned({"size_mm": np.linspace(1, 5, 40)})
    one = of(found, size_mm=2.0)
    assert (one.n_like, one.alike_in) == (40, ())


# --- inside and outside


def test_a_case_inside_the_range_is_neither_warned_of_nor_refused() -> None:
    one = of(clinic(), opacity="cloud", size_mm=4.2)
    assert (one.warnings, one.refusals) == ((), ())


def one_range(feature: str, low: float, high: float, lowest: float, highest: float) -> Support:
    return Support({feature: Range(lowest, low, high, highest)}, ("size_mm",), {}, {}, {})


@pytest.mark.parametrize(
    ("size", "warned", "refused"),
    [
        (1.0, False, False),
        (5.0, False, False),
        # outside what nearly all had, inside what any had
        (0.5, True, False),
        (11.9, True, False),
        # beyond all seen
        (12.5, False, True),
        (0.3, False, True),
    ],
)
def test_a_case_outside_is_warned_of_and_far_outside_refused(
    size: float, warned: bool, refused: bool
) -> None:
    one = of(one_range("size_mm", 1.0, 5.0, 0.4, 12.0), size_mm=size)
    assert (bool(one.warnings), bool(one.refusals)) == (warned, refused)
    text = f"size_mm {size:g} is outside the range of nearly all fitted cases, 1 to 5"
    text += ", and far from all of them" if refused else ""
    assert (*one.warnings, *one.refusals) == ((text,) if warned or refused else ())


@pytest.mark.parametrize(
    ("feature", "value", "refused"),
    [
        # all seen lay from 1 to 5; linear in the log: a factor of 5^(1/4) = 1.495 beyond, 0.669 to 7.477
        ("size_mm", 7.4, False),
        ("size_mm", 7.6, True),
        ("size_mm", 0.68, False),
        ("size_mm", 0.66, True),
        # linear: a quarter of the width beyond, 0 to 6
        ("pupil_mm", 5.9, False),
        ("pupil_mm", 6.1, True),
        ("pupil_mm", 0.1, False),
        ("pupil_mm", -0.1, True),
    ],
)
def test_a_little_beyond_all_seen_is_only_warned_of(feature: str, value: float, refused: bool) -> None:
    one = of(one_range(feature, 1.0, 5.0, 1.0, 5.0), **{feature: value})
    assert (bool(one.warnings), bool(one.refusals)) == (not refused, refused)


def test_one_odd_case_among_few_does_not_open_the_door_either() -> None:
    found = learned({"size_mm": np.append(np.linspace(1, 6, 50), 12.0)})
    assert of(found, size_mm=13.5).refusals
    assert of(found, size_mm=8.0).warnings
    assert not of(found, size_mm=5.9).warnings


def test_one_odd_case_does_not_open_the_door() -> None:
    # 400 sizes up to 6 mm and one of 8: 9.5 mm is close to the odd one and far from all others
    found = learned({"size_mm": np.append(np.linspace(1, 6, 400), 8.0)})
    assert of(found, size_mm=9.5).refusals
    assert of(found, size_mm=8.0).warnings


def test_a_level_never_seen_is_refused() -> None:
    assert of(clinic(), opacity="sheet", size_mm=2.0).refusals == ("no fitted case has opacity sheet",)


def test_a_level_seldom_seen_is_warned_of() -> None:
    one = of(clinic(), opacity="strand", size_mm=2.0)
    assert (one.warnings, one.refusals) == (("fewer than 11 fitted cases have opacity strand",), ())


def test_a_missing_feature_is_neither_warned_of_nor_refused() -> None:
    one = of(clinic(), opacity=None, size_mm=np.nan)
    assert (one.warnings, one.refusals, one.n_like) == ((), (), 50)


def test_several_reasons_come_together() -> None:
    one = of(clinic(), opacity="sheet", size_mm=14.0)
    assert len(one.refusals) == 2


# --- support of a model without cases


def described() -> support.Support:
    return support.described(
        {"size_mm": (1.0, 9.0)},
        {"opacity": {"ring": True, "strand": False}},
        {"opacity": (), "size_mm": (3.0,)},
        logged=("size_mm",),
    )


def of_described(size: float, opacity: str, done: int = 0) -> support.CaseSupport:
    features = {"size_mm": np.array([size]), "opacity": np.array([opacity], dtype=object)}
    return described().of(features, np.array([done]))[0]


def test_described_eyes_claim_no_case() -> None:
    one = of_described(2.0, "ring")
    assert (one.n_like, one.n_like_words, one.warnings, one.refusals) == (0, "none", (), ())
    assert one.alike_in == ("opacity ring", "size_mm under 3")


def test_what_is_not_described_is_warned_of_or_refused_without_a_word_of_cases() -> None:
    few, beyond = of_described(10.0, "strand"), of_described(99.0, "cloud")
    assert few.warnings == (
        "size_mm 10 is outside what is taken as the range of published eyes, 1 to 9",
        "no published result used here is mainly of eyes with opacity strand",
    )
    assert beyond.refusals == (
        "size_mm 99 is outside what is taken as the range of published eyes, 1 to 9, and far from all of them",
        "nothing is known of eyes with opacity cloud",
    )
    late = few.with_course(4, 4).warnings[-1]
    assert late == "published results used here say nothing of eyes still in treatment after 4 sessions"


def test_described_support_is_saved_as_such_and_a_fitted_one_as_before() -> None:
    assert support.Support.from_json(described().to_json()) == described()
    fitted = support.Support({}, (), {}, {}, {})
    assert "source" not in fitted.to_json()
    assert support.Support.from_json(fitted.to_json()) == fitted
    with pytest.raises(ValueError, match="support source 'other'"):
        support.Support.from_json({**fitted.to_json(), "source": "other"})
