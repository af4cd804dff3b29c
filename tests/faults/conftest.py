from __future__ import annotations

import pytest

from examtally.ingestion import batch


@pytest.fixture
def one_engine(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave the second engine out, which decides nothing and takes seconds to load."""
    monkeypatch.setattr(batch, "examine", lambda *_: ())
