"""Multiple imputation: what is known stays, what is drawn is possible, and missing at random is made good."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import retreat
import synthetic
from retreat.definitions import read_definition
from retreat.errors import FitError
from retreat.fitting.design import read_data
from retreat.model.completion import is_missing
from retreat.recipe import fit_design
from retreat.validation.imputation import imputed, sampled

CORE = read_definition("core")


def known(cases=400, seed=1):
    made = synthetic.make("known", seed=seed, cases=cases, truth=False)
    frame = pd.DataFrame({name: list(values) for name, values in made.cases.items()})
    return frame[frame["sessions"].astype(int) >= 1].reset_index(drop=True)


def with_gaps(frame, share=0.3, seed=2):
    """Sizes and kinds blanked more often where the cornea was operated on: missing at random."""
    rng = np.random.default_rng(seed)
    chance = np.where(frame["cornea"] == "none", share / 2, 2 * share)
    frame = frame.copy()
    frame.loc[rng.random(len(frame)) < chance, "size_mm"] = "not_recorded"
    frame.loc[rng.random(len(frame)) < share / 2, "opacity"] = "unknown"
    return frame


def test_what_is_known_stays_and_what_is_drawn_was_seen():
    data = read_data(with_gaps(known()), CORE)
    for one in imputed(data, 3, seed=1):
        assert one.complete.all()
        for name, values in data.features.items():
            kept = ~is_missing(values)
            assert (one.features[name][kept] == values[kept]).all()
        sizes = data.features["size_mm"]
        drawn = one.features["size_mm"][np.isnan(sizes)]
        assert np.nanmin(sizes) - 1e-9 <= drawn.min()
        assert drawn.max() <= np.nanmax(sizes) + 1e-9
        assert set(one.features["opacity"]) <= {"ring", "strand", "cloud", "sheet"}


def test_copies_differ_and_the_seed_decides():
    data = read_data(with_gaps(known()), CORE)
    first, second = imputed(data, 2, seed=1)
    again = imputed(data, 2, seed=1)[0]
    gone = np.isnan(data.features["size_mm"])
    assert np.abs(first.features["size_mm"] - second.features["size_mm"])[gone].mean() > 0.1
    np.testing.assert_array_equal(first.features["size_mm"], again.features["size_mm"])


def test_complete_cases_are_left_as_they_are():
    data = read_data(known(), CORE)
    assert all(one is data for one in imputed(data, 2, seed=1))


def test_a_feature_missing_throughout_is_refused():
    data = read_data(known().assign(size_mm="not_recorded"), CORE)
    with pytest.raises(FitError, match="size_mm: missing in every case"):
        imputed(data, 2, seed=1)


def test_drawn_sizes_follow_the_kind():
    """Sheets are larger than rings among the known; so they must be among the drawn."""
    made = synthetic.make("established", seed=3, cases=900, truth=False)
    frame = pd.DataFrame({name: list(values) for name, values in made.cases.items()})
    frame = frame[frame["sessions"].astype(int) >= 1].reset_index(drop=True)
    frame.loc[np.random.default_rng(1).random(len(frame)) < 0.4, "size_mm"] = "not_recorded"
    data = read_data(frame, CORE)
    gone = np.isnan(data.features["size_mm"])
    drawn = np.mean([one.features["size_mm"] for one in imputed(data, 5, seed=1)], axis=0)
    kind = data.features["opacity"]
    assert np.median(drawn[gone & (kind == "sheet")]) > 1.4 * np.median(drawn[gone & (kind == "ring")])


def test_levels_missing_at_random_keep_their_shares():
    """40% of the kinds hidden: shares among the drawn within 4 standard errors of those hidden (one of 4,000)."""
    frame = known(1500, seed=4)
    whole = read_data(frame, CORE).features["opacity"]
    gone = np.random.default_rng(3).random(len(frame)) < 0.4
    data = read_data(frame.assign(opacity=np.where(gone, "unknown", frame["opacity"])), CORE)
    drawn = np.concatenate([one.features["opacity"][gone] for one in imputed(data, 5, seed=1)])
    for level in ("ring", "strand", "cloud", "sheet"):
        share = (whole[gone] == level).mean()
        # the sample of known cases the regression saw varies too: twice the variance of the hidden ones
        error = (2 * share * (1 - share) / gone.sum()) ** 0.5
        assert abs((drawn == level).mean() - share) < 4 * error


def test_a_recipe_with_imputations_predicts_every_begun_case():
    frame = with_gaps(known(260))
    report = retreat.validate(frame, "core", folds=3, imputations=2, challengers=("null",))
    assert report.n_cases == len(frame)
    assert {c.other for c in report.comparisons} == {"null", "complete"}
    alone = retreat.validate(frame, "core", folds=3, challengers=())
    assert alone.n_cases < report.n_cases


@pytest.mark.slow
def test_imputed_fits_come_nearer_to_the_truth_than_complete_cases():
    """Predictions for the same cases, 12 clinics with gaps, against the fit to the cases without gaps.

    A paired difference of about 3 standard errors was seen; by chance alone it would be above 1 in one of six.
    """
    gains = []
    for seed in range(12):
        whole = known(300, seed=seed + 10)
        gaps, best = (read_data(table, CORE) for table in (with_gaps(whole, share=0.5, seed=seed), whole))
        target = _predict([best], best)
        away = [
            np.abs(_predict(copies, best) - target).mean() for copies in ([gaps], imputed(gaps, 5, seed=1))
        ]
        gains.append(away[0] - away[1])
    assert np.mean(gains) > np.std(gains, ddof=1) / 12**0.5


def _predict(copies, data):
    """Mean prediction for cases of which all is known, of the fits to these copies."""
    fits = [fit_design(one.design(), "logistic", seed=1, settings={"draws": 400}) for one in copies]
    return np.mean([fit.expected_of(data.features, horizon=3) for fit in fits], axis=0)


def test_the_bootstrap_draws_whole_patients():
    """Each patient comes with all rows or none, and as often for one row as for the other."""
    patient = np.array(["a", "b", "a", "c", "b", "d", "e"])
    counts = []
    for seed in range(200):
        count = np.bincount(sampled(patient, np.random.default_rng(seed)), minlength=len(patient))
        assert count[0] == count[2]
        assert count[1] == count[4]
        assert count[[0, 1, 3, 5, 6]].sum() == 5
        counts.append(count)
    # each patient once on average: binomial (5, 1/5), standard error of the mean of 200 is .063
    np.testing.assert_allclose(np.mean(counts, axis=0), 1.0, atol=4 * 0.063)


def test_sizes_known_in_two_patients_are_now_and_then_those_of_one():
    """Two patients of 60 eyes: one draw in two samples a patient twice, and then knows of no other size."""
    frame = known(cases=180).assign(opacity="ring")
    rows = np.arange(len(frame))
    frame["size_mm"] = np.where(rows < 60, "1.0", np.where(rows < 120, "4.0", "not_recorded"))
    data = read_data(frame, CORE)
    patient = np.where(rows < 60, "a", np.where(rows < 120, "b", data.patient))
    copies = imputed(replace(data, patient=patient.astype(object)), 30, seed=1)
    alike = [np.ptp(one.features["size_mm"][rows >= 120]) < 1e-6 for one in copies]
    assert 0.2 < np.mean(alike) < 0.8
