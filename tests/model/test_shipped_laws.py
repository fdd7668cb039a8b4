"""Laws that the model of every shipped definition obeys, whatever its parameters; definitions are discovered."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_models import invented_cases, made_model

from retreat.definitions import shipped
from retreat.features import features
from retreat.forecast import Forecast
from retreat.model import load

# each example builds a model: few, and no deadline on a busy machine
few = settings(max_examples=12, deadline=None, derandomize=True)
parameters = {
    "seed": st.integers(0, 10**6),
    "spread": st.sampled_from([0.0, 0.3, 2.0, 15.0]),
    "patient_loading": st.sampled_from([0.0, 0.8]),
    "link": st.sampled_from(["logit", "cloglog"]),
}


def cases_of(seed: int, *, spread: float = 0.3, link: str = "logit", **_: Any) -> dict[str, Any]:
    """Invented cases, some with a missing feature; some begun, where getting so far has a chance in floats."""
    cases = invented_cases(6, seed + 1)
    # a chance of exp(-exp(7)), or of exp(-140) five times over, is none: such a course is refused
    if spread < 1 or (link == "logit" and spread < 5):
        cases["sessions"] = np.array([0, 0, 1, 2, 0, 5])
    cases["opacity"][4] = cases["cornea"][5] = None
    cases["size_mm"][4] = np.nan
    return cases


def assert_lawful(f: Forecast) -> None:
    assert np.isfinite(f.pmf).all()
    assert f.pmf.min() >= 0
    assert f.pmf.max() <= 1 + 1e-12
    assert np.diff(f.incidence, axis=-1, prepend=0.0).min() >= 0
    assert np.diff(f.in_treatment, axis=-1, prepend=1.0).max() <= 1e-12
    together = f.incidence.sum(axis=2) + f.in_treatment
    assert together == pytest.approx(np.ones_like(together), abs=1e-11)
    for case, done in enumerate(f.done):
        assert not f.pmf[:, case, :, :done].any()


@pytest.mark.parametrize("name", shipped())
@few
@given(**parameters)
def test_forecasts_are_finite_monotone_and_sum_to_1(name: str, **given_parameters: Any) -> None:
    model = made_model(name, draws=5, **given_parameters)
    assert_lawful(model.forecast(cases_of(**given_parameters), horizon=8))


@pytest.mark.parametrize("name", shipped())
@few
@given(**parameters)
def test_saving_and_loading_changes_no_forecast(
    name: str, tmp_path_factory: pytest.TempPathFactory, **given_parameters: Any
) -> None:
    model = made_model(name, draws=5, **given_parameters)
    path = tmp_path_factory.getbasetemp() / f"{name}.retreat"
    again = load(Path(model.save(path)))
    cases = cases_of(**given_parameters)
    assert again.forecast(cases).pmf.tobytes() == model.forecast(cases).pmf.tobytes()
    assert again.support_of(cases) == model.support_of(cases)
    assert again.model_id == model.model_id


@pytest.mark.parametrize("name", shipped())
def test_no_case_in_a_table_changes_the_forecast_of_another(name: str) -> None:
    model = made_model(name, draws=5)
    cases = cases_of(1)
    whole = model.forecast(cases)
    for i in range(6):
        alone = model.forecast({column: values[[i]] for column, values in cases.items()})
        assert whole.pmf[:, i] == pytest.approx(alone.pmf[:, 0], abs=1e-14)
        assert whole.notes[i] == alone.notes[0]


@pytest.mark.parametrize("name", shipped())
def test_a_case_of_which_nothing_is_known_is_forecast_and_says_so(name: str) -> None:
    model = made_model(name, draws=5)
    f = model.forecast({"eye": [None]}, horizon=1)
    assert_lawful(f)
    features = dict.fromkeys((*model.coding.features, *filter(None, [model.stratum_feature])))
    assert f.notes[0] == tuple(f"{x} is not known; averaged over the fitted case mix" for x in features)
    (support,) = model.support_of({"eye": [None]})
    assert (support.warnings, support.refusals) == ((), ())


@pytest.mark.parametrize("name", shipped())
def test_the_terms_of_a_definition_replay_on_cases_alone(name: str) -> None:
    model = made_model(name)
    found = features(cases_of(3), model.coding.features)
    rows = model.coding.encode(found, n_cases=6)
    assert rows.shape == (6, len(model.coding.names))
    # the last two cases lack a feature or more
    assert np.isfinite(rows).all(axis=1).tolist()[:4] == [True] * 4
    assert not model.coding.names or np.isnan(rows).any(axis=1).tolist()[4:] == [True] * 2
