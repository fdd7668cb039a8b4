"""One thread for matrix products, as in the checks themselves: small ones only wait for each other."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from retreat.validation.schemes.resampling import one_thread


@pytest.fixture(autouse=True, scope="module")
def _one_thread() -> Iterator[None]:
    with one_thread():
        yield
