"""Fixtures of the tests in a real browser."""

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser

from tests.browser.kit import chromium


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """The system's Chromium."""
    with chromium() as one:
        yield one
