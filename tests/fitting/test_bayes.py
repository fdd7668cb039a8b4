"""Bayesian fits: agreement with maximum likelihood, gates, new operators, small and odd tables."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import synthetic
from retreat.definitions import read_definition
from retreat.errors import FitError
from retreat.fitting.bayes import BayesFit, bayes_model, fit_bayes, posterior_model, posterior_of, save_trace
from retreat.fitting.bayes_gates import Gates
from retreat.fitting.design import Design, design
from retreat.fitting.groups import has_operator_effect, has_patient_effect
from retreat.fitting.logistic_model import fit_logistic


def known(cases: int, seed: int = 3) -> pd.DataFrame:
    return pd.DataFrame(synthetic.make("known", seed=seed, cases=cases, truth=False).cases)


def core(cases: pd.DataFrame) -> Design:
    return design(cases, read_definition("core"))


def one_operator_one_eye(cases: pd.DataFrame) -> pd.DataFrame:
    """The same cases as of one operator and each of a patient of its own: the logistic model exactly."""
    return cases.assign(operator="op_a", patient=[f"q{i:04d}x" for i in range(len(cases))])


@pytest.fixture(scope="module")
def flat() -> tuple[Design, BayesFit]:
    table = core(one_operator_one_eye(known(500)))
    return table, fit_bayes(table, seed=1, draws=1000, tune=600, chains=2, prior_scale=10.0)


@pytest.fixture(scope="module")
def grouped() -> BayesFit:
    cases = pd.DataFrame(synthetic.make("known_clustered", seed=4, cases=300, truth=False).cases)
    return fit_bayes(core(cases), seed=2, draws=1000, tune=800, chains=4)


@pytest.mark.slow
def test_flat_priors_give_the_maximum_likelihood_estimate(flat: tuple[Design, BayesFit]) -> None:
    table, fit = flat
    likelihood = fit_logistic(table, penalty=0, covariance="information")
    posterior = fit.trace["posterior"]["coefficients"].to_numpy().reshape(-1, *likelihood.coefficients.shape)
    # the posterior of 500 cases is a little skew: its mean lies within a fifth of a standard error of the mode,
    # Monte-Carlo error of the mean of >= 400 effective draws being a twentieth
    away = (posterior.mean(axis=0) - likelihood.coefficients) / likelihood.standard_errors
    assert np.abs(away).max() < 0.3
    ratio = posterior.std(axis=0) / likelihood.standard_errors
    assert np.abs(ratio - 1.0).max() < 0.15


@pytest.mark.slow
def test_known_coefficients_lie_within_three_posterior_deviations(flat: tuple[Design, BayesFit]) -> None:
    _, fit = flat
    truth = synthetic.make("known", seed=3, cases=500, truth=False).about["coefficients"]
    names = ("opacity:strand", "opacity:cloud", "opacity:sheet", "log(size_mm/2)", "depth-0.5", "surgery")
    names = (*names, "surgery*(depth-0.5)")
    expected = np.array([[truth[end][name] for name in names] for end in ("relieved", "stopped")])
    posterior = fit.trace["posterior"]["coefficients"].to_numpy().reshape(-1, *expected.shape)
    away = (posterior.mean(axis=0) - expected) / posterior.std(axis=0)
    assert np.abs(away).max() < 3.5
    assert np.sqrt((away**2).mean()) < 1.6


@pytest.mark.slow
def test_a_passed_run_is_for_counselling_and_says_its_numbers(grouped: BayesFit) -> None:
    model = posterior_model(posterior_of(grouped), seed=2)
    assert grouped.gates.failures == ()
    assert model.card.for_counselling
    assert model.card.diagnostics["rhat"] <= 1.01
    assert model.card.diagnostics["ess_bulk"] >= 400
    assert model.card.diagnostics["divergences"] == 0


@pytest.mark.slow
def test_an_unseen_operator_is_drawn_from_the_spread_of_its_draw(grouped: BayesFit) -> None:
    model = posterior_model(posterior_of(grouped), seed=2)
    spread = grouped.trace["posterior"]["operator_sd"].to_numpy().reshape(-1, 2)
    kept = spread[np.linspace(0, len(spread) - 1, 2000).astype(int)]
    standard = model.parameters.operator_effect / kept
    # 2,000 standard normal values an end: mean within 4 / sqrt(2000), deviation within 4 / sqrt(4000)
    assert np.abs(standard.mean(axis=0)).max() < 0.09
    assert np.abs(standard.std(axis=0) - 1.0).max() < 0.064


@pytest.mark.slow
def test_the_same_seed_gives_the_same_draws() -> None:
    table = core(one_operator_one_eye(known(60)))
    one, two = (bayes_model(table, seed=5, sampler="nuts", draws=50, tune=50, chains=2) for _ in range(2))
    assert np.array_equal(one.parameters.coefficients, two.parameters.coefficients)
    assert one.model_id == two.model_id


@pytest.mark.slow
def test_a_short_run_is_repeated_once_and_then_marked() -> None:
    table = core(one_operator_one_eye(known(60)))
    fit = fit_bayes(table, seed=1, draws=20, tune=20, chains=2)
    model = posterior_model(posterior_of(fit), seed=1)
    assert fit.n_tries == 2
    assert fit.trace["posterior"].sizes["draw"] == 40
    assert not model.card.for_counselling
    assert any("effective draws" in line for line in model.card.failures)
    assert any("Not for counselling" in line for line in model.card.cautions)


@pytest.mark.slow
def test_forty_cases_with_an_end_never_seen_are_fitted() -> None:
    cases = known(80, seed=9)
    cases = cases[(cases["ending"] != "stopped") & (cases["sessions"].astype(int) >= 1)].head(40)
    model = bayes_model(core(cases), seed=1)
    assert any("no case ended stopped" in note for note in model.card.notes)
    ring = {"opacity": ["ring"], "size_mm": [2.0], "zone": ["middle"], "cornea": ["none"]}
    stopped = model.expected(ring)[0, 1, 0]
    assert 0.0 < stopped < 0.1


@pytest.mark.slow
def test_the_saved_trace_holds_no_effect_of_a_person(grouped: BayesFit, tmp_path: Path) -> None:
    import xarray as xr

    save_trace(grouped, tmp_path / "trace.nc")
    with xr.open_datatree(tmp_path / "trace.nc", engine="h5netcdf") as tree:
        names = set(tree["posterior"].data_vars)
        sizes = set(tree["posterior"].sizes.values())
    assert {"coefficients", "session_effects", "operator_sd", "patient_loading"} <= names
    assert not any(str(name).endswith("_raw") for name in names)
    assert grouped.design.n_patients not in sizes
    assert [path.name for path in tmp_path.iterdir()] == ["trace.nc"]


def test_one_operator_has_no_operator_effect() -> None:
    table = core(one_operator_one_eye(known(60)))
    assert not has_operator_effect(table)
    assert not has_patient_effect(table)


@pytest.mark.parametrize(
    ("gates", "words"),
    [
        (Gates(1.05, 900, 900, 0, 0.9), "R-hat is 1.050"),
        (Gates(float("nan"), 900, 900, 0, 0.9), "R-hat"),
        (Gates(1.0, 399, 900, 0, 0.9), "bulk effective draws are 399"),
        (Gates(1.0, 900, 120, 0, 0.9), "tail effective draws are 120"),
        (Gates(1.0, 900, 900, 3, 0.9), "3 divergent transitions"),
        (Gates(1.0, 900, 900, 0, 0.2), "E-BFMI is 0.20"),
    ],
)
def test_each_gate_fails_in_words(gates: Gates, words: str) -> None:
    assert len(gates.failures) == 1
    assert words in gates.failures[0]


def test_numbers_at_their_bounds_pass() -> None:
    assert Gates(1.01, 400, 400, 0, 0.3).failures == ()


def test_runs_too_short_to_mean_anything_are_refused() -> None:
    with pytest.raises(FitError, match="chains: 1; allowed: at least 2"):
        fit_bayes(core(known(60)), seed=1, chains=1)


def test_importing_the_fits_loads_no_sampler() -> None:
    code = "import sys, retreat, retreat.fitting; print([m for m in ('pymc', 'nutpie', 'arviz') if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
