"""Faults and the errors made of them."""

from __future__ import annotations

import pytest

from retreat.errors import (
    DefinitionError,
    ExtrapolationWarning,
    Fault,
    FitError,
    ModelFileError,
    RetreatError,
    TableError,
)

KINDS = [TableError, DefinitionError, FitError, ModelFileError]


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        (Fault("size_mm", "value 99"), "size_mm: value 99"),
        (Fault("size_mm", "value 99", "0.1 to 15 mm"), "size_mm: value 99; allowed: 0.1 to 15 mm"),
        (Fault("size_mm", "value 99", fix="correct it"), "size_mm: value 99; to mend: correct it"),
        (Fault("size_mm", "value 99", row=7), "row 7, size_mm: value 99"),
    ],
)
def test_a_fault_reads_as_place_finding_allowed_and_fix(fault: Fault, words: str) -> None:
    assert str(fault) == words


@pytest.mark.parametrize("kind", KINDS)
def test_an_error_tells_all_its_faults_a_line_each(kind: type[RetreatError]) -> None:
    error = kind(Fault(place, "wrong") for place in "abc")
    assert str(error) == "a: wrong\nb: wrong\nc: wrong"
    assert [fault.where for fault in error.faults] == ["a", "b", "c"]


@pytest.mark.parametrize("kind", KINDS)
def test_an_error_of_one_fault_or_of_plain_words_is_an_error_of_faults_too(kind: type[RetreatError]) -> None:
    assert kind(Fault("a", "wrong")).faults == (Fault("a", "wrong"),)
    assert kind("all wrong").faults == (Fault("input", "all wrong"),)


@pytest.mark.parametrize("kind", KINDS)
def test_errors_are_one_family_and_value_errors(kind: type[RetreatError]) -> None:
    with pytest.raises(RetreatError):
        raise kind("x")
    with pytest.raises(ValueError, match="x"):
        raise kind("x")


def test_errors_come_back_from_another_process_whole() -> None:
    # workers of a pool send their errors by pickle
    import pickle

    error = FitError([Fault("a", "wrong", row=3), Fault("b", "worse")])
    again = pickle.loads(pickle.dumps(error))
    assert again.faults == error.faults
    assert str(again) == str(error)


def test_a_forecast_beyond_the_fitted_sessions_is_a_warning_of_the_user() -> None:
    assert issubclass(ExtrapolationWarning, UserWarning)
