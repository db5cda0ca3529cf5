from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.support.broker import MosquittoProcess


@pytest.fixture
def mosquitto() -> Iterator[MosquittoProcess]:
    """An open broker on loopback, ended with the test."""
    with MosquittoProcess() as broker:
        yield broker
