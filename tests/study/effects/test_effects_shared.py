"""What may leave the clinic: no effect from which a small count could be worked out."""

import json

import numpy as np
import pytest
from clinics import clinic

from retreat.coding import Term
from retreat.errors import FitError
from retreat.study.effects import Comparison, Equivalence, Measure, estimate_effects
from retreat.study.effects.comparisons import default_comparisons
from retreat.study.effects.estimates import estimate
from retreat.study.effects.few import behind_averages, behind_ratios, fewest_of
from retreat.study.effects.ratios import comparison_table
from retreat.study.effects.record import DrawnEffects


def with_few_sheets(*, few=8):
    cases = clinic(cases=400)
    sheets = cases.index[cases.opacity == "sheet"]
    cases.loc[sheets[few:], "opacity"] = "ring"
    return cases


@pytest.fixture(scope="module")
def found():
    return estimate_effects(with_few_sheets(), "core", penalty="firth")


OPACITY = Term(("opacity",), "category", reference="ring", levels=("ring", "strand", "cloud"))


def test_the_error_of_a_rare_level_tells_its_ends_and_that_level_is_left_out(analysis_of):
    """One category, one session: 1/SE^2 is known from the cells, so the cell comes back out of the table."""
    cells = {"ring": (40, 60), "strand": (50, 50), "cloud": (5, 95)}  # relieved, not
    opacity = [level for level, (a, b) in cells.items() for _ in range(a + b)]
    ending = np.concatenate([[1] * a + [0] * b for a, b in cells.values()])
    cases = analysis_of((OPACITY,), {"opacity": opacity}, np.ones(len(ending), dtype=int), ending)
    compared = default_comparisons(cases)
    table = comparison_table(estimate(cases, penalty=0, covariance="information"), compared, level=0.95)

    cloud = table[table.value == "cloud"].iloc[0]
    # 1/d + 1/(n - d) = SE^2 - 1/40 - 1/60: the attack, with n = 100
    rest = cloud.standard_error**2 - 1 / 40 - 1 / 60
    assert 50 - np.sqrt(2500 - 100 / rest) == pytest.approx(5, abs=0.01)

    behind = behind_ratios(cases, fewest_of(cases), compared)
    # strand has enough, but alone beside ring it would give cloud back by the total
    assert dict(zip([one.value for one in compared], behind.tolist(), strict=True)) == {
        "strand": 5,
        "cloud": 5,
    }


@pytest.mark.parametrize(("ended", "rest"), [(5, 95), (95, 5), (4, 4)])
def test_few_cases_few_ends_and_few_others_count_alike(analysis_of, ended, rest):
    cells = {"ring": (40, 60), "strand": (50, 50), "cloud": (ended, rest)}
    opacity = [level for level, (a, b) in cells.items() for _ in range(a + b)]
    ending = np.concatenate([[1] * a + [0] * b for a, b in cells.values()])
    cases = analysis_of((OPACITY,), {"opacity": opacity}, np.ones(len(ending), dtype=int), ending)

    asked = [Comparison("opacity", "cloud", "ring"), Comparison("opacity", "ring", "cloud")]
    few = fewest_of(cases)

    assert behind_ratios(cases, few, asked).tolist() == [min(ended, rest)] * 2
    assert behind_averages(cases, few, asked, [Measure("incidence", 0, 1)]).tolist() == [min(ended, rest)] * 2


def test_a_rare_reference_takes_all_with_it(analysis_of):
    cells = {"ring": (5, 60), "strand": (50, 50), "cloud": (30, 70)}
    opacity = [level for level, (a, b) in cells.items() for _ in range(a + b)]
    ending = np.concatenate([[1] * a + [0] * b for a, b in cells.values()])
    cases = analysis_of((OPACITY,), {"opacity": opacity}, np.ones(len(ending), dtype=int), ending)

    assert (behind_ratios(cases, fewest_of(cases), default_comparisons(cases)) == 5).all()


def test_no_table_tells_of_a_level_with_few_cases(found):
    kept = found.shared()

    assert (found.ratios.value == "sheet").any()
    for name in ("ratios", "averages", "confounding"):
        assert not (kept.to_frames()[name]["value"] == "sheet").any()
        assert not (kept.to_frames()[name]["against"] == "sheet").any()
    assert not kept.columns.column.str.contains("sheet").any()
    assert "opacity" not in set(kept.joint.term)
    assert any("opacity sheet against ring (relieved" in note for note in kept.notes)
    # two levels go for each end, so that a total does not give the one back
    for end in ("relieved", "stopped"):
        gone = (found.ratios.end == end).sum() - (kept.ratios.end == end).sum()
        assert gone >= 2
    assert (kept.ratios.feature == "size_mm").any()
    assert not any(name.startswith("fewest") for name in json.loads(json.dumps(kept.to_json())))


def test_rows_that_stay_are_the_same(found):
    kept, key = found.shared(), ["end", "feature", "value", "against", "held"]
    whole = found.ratios.set_index(key)

    assert len(kept.ratios) < len(found.ratios)
    assert kept.ratios.set_index(key).equals(whole.loc[kept.ratios.set_index(key).index])
    assert kept.shared().ratios.equals(kept.ratios)
    for name, frame in found.to_frames().items():
        assert len(found.fewest[name]) == len(frame)
    assert found.shared(threshold=1).ratios.equals(found.ratios)
    assert found.shared(threshold=1000).ratios.empty
    with pytest.raises(FitError, match="threshold"):
        found.shared(threshold=0)


def test_effects_of_draws_are_shared_by_the_same_rule(analysis_of):
    cells = {"ring": (40, 60), "strand": (50, 50), "cloud": (5, 95)}
    opacity = [level for level, (a, b) in cells.items() for _ in range(a + b)]
    ending = np.concatenate([[1] * a + [0] * b for a, b in cells.values()])
    cases = analysis_of((OPACITY,), {"opacity": opacity}, np.ones(len(ending), dtype=int), ending)
    compared, few = default_comparisons(cases), fewest_of(cases)
    table = comparison_table(estimate(cases, penalty=0), compared, level=0.95)
    none = table.iloc[:0]
    found = DrawnEffects(
        ratios=table,
        curves=none,
        averages=none,
        region=Equivalence(),
        facts={},
        notes=("n",),
        cautions=(),
        fewest={
            "ratios": behind_ratios(cases, few, compared),
            "curves": np.array([], dtype=int),
            "averages": np.array([], dtype=int),
        },
    )

    kept = found.shared()

    assert kept.ratios.empty
    assert "cloud against ring" in kept.notes[-1]
    assert kept.facts["threshold"] == 11
