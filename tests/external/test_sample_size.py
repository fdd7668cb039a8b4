"""Sample sizes against the table of PyPI `pmsampsize` 0.1.0 and Riley and others 2018 (abstract)."""

import pytest

from retreat.errors import FitError
from retreat.validation import minimum_sample_size, minimum_sample_size_courses


def test_the_yes_or_no_example():
    # pmsampsize 0.1.0, test table: R2 .288, 24 parameters, prevalence .174 (Chagas disease)
    found = minimum_sample_size(r_squared=0.288, parameters=24, share=0.174)
    assert (found.shrinkage, found.optimism, found.overall, found.cases) == (623, 662, 221, 662)
    # "at least 4.8 events per predictor parameter", abstract of Riley and others 2018
    assert found.events_per_parameter == pytest.approx(4.80, abs=0.005)


def test_the_example_of_courses():
    # pmsampsize 0.1.0, test table: R2 .051, 30 parameters, rate .065, mean follow-up 2.07, time 2 (recurrent VTE)
    found = minimum_sample_size_courses(r_squared=0.051, parameters=30, rate=0.065, follow_up=2.07, horizon=2)
    assert (found.shrinkage, found.optimism, found.cases) == (5143, 1039, 5143)
    # "at least 23 events per predictor parameter", abstract of Riley and others 2018
    assert found.events_per_parameter == pytest.approx(23.07, abs=0.005)


def test_more_parameters_or_a_weaker_model_need_more_cases():
    base = minimum_sample_size(r_squared=0.2, parameters=10, share=0.3).cases
    assert minimum_sample_size(r_squared=0.2, parameters=20, share=0.3).cases > base
    assert minimum_sample_size(r_squared=0.1, parameters=10, share=0.3).cases > base


@pytest.mark.parametrize(
    ("change", "where"),
    [({"share": 1.0}, "share"), ({"parameters": 0}, "parameters"), ({"r_squared": 0.9}, "r_squared")],
)
def test_impossible_arguments_are_named(change, where):
    with pytest.raises(FitError, match=where):
        minimum_sample_size(**({"r_squared": 0.2, "parameters": 10, "share": 0.3} | change))


def test_impossible_arguments_of_courses_are_named():
    with pytest.raises(FitError, match="rate"):
        minimum_sample_size_courses(r_squared=0.05, parameters=5, rate=0.0, follow_up=2, horizon=1)
