"""Every kind of sheet, one after the other."""

from __future__ import annotations

import pytest
from toy import VARIANTS, variant

from retreat.pages.sheet import Sheet


@pytest.fixture(params=VARIANTS)
def sheet(request: pytest.FixtureRequest) -> Sheet:
    return variant(request.param)
