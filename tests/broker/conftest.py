"""Fixtures of the tests against a real broker."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.benches import MadeBench
from tests.broker.broker import Broker


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    """A broker that lets everybody in."""
    with Broker(tmp_path / "broker") as one:
        yield one


@pytest.fixture
def made(tmp_path: Path) -> Iterator[MadeBench]:
    """An invented bench with a trial in its journal."""
    with MadeBench(tmp_path / "home") as bench:
        bench.begin("larch", "Sample Wax (invented)")
        yield bench
