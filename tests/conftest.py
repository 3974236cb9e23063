"""Rules for the whole suite."""

import os
from collections.abc import Generator

import pytest

MUST_RUN = {"broker", "browser"}
"""Rooms whose tests need programs that a contributor's machine may lack; in CI they are there."""


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item,
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """In CI a test that needs a broker or a browser and is skipped has failed: it would show nothing."""
    report = yield
    if os.environ.get("CI") and report.skipped and item.path.parent.name in MUST_RUN:
        report.outcome = "failed"
        why = report.longrepr[2] if isinstance(report.longrepr, tuple) else report.longrepr
        report.longrepr = f"{why}\nIn CI nothing in {item.path.parent.name}/ may be skipped."
    return report
