"""Every seed and every kept finding goes through its target, without the fuzzer."""

from pathlib import Path

import pytest

from tests.fuzz.targets import FINDINGS, TARGETS, compact, family, told

KEPT = sorted(path for path in FINDINGS.glob("*/*") if path.is_file())


@pytest.mark.parametrize("name", TARGETS)
def test_seeds_are_no_findings(name: str) -> None:
    seeds = list(TARGETS[name].seeds())
    assert seeds
    for data in seeds:
        TARGETS[name].run(data)


@pytest.mark.parametrize("path", KEPT, ids=lambda path: f"{path.parent.name}/{path.name}")
def test_what_was_found_once_is_mended(path: Path) -> None:
    TARGETS[path.parent.name].run(path.read_bytes())


def test_there_is_a_target_for_every_kept_finding() -> None:
    assert {path.parent.name for path in KEPT} <= set(TARGETS)


@pytest.mark.parametrize("name", ["line", "scpi", "modbus", "contact", "keyed"])
def test_seeds_say_what_was_recorded(name: str) -> None:
    """The compact form loses nothing: otherwise the fuzzer would start from nonsense."""
    for data in TARGETS[name].seeds():
        driver = family(name)[data[0]]
        talks = told(driver, data[1:])
        assert talks[0] == []
        assert compact(driver, talks[1:]) == data[1:]
        assert any(talks)


def test_a_finding_is_an_exception(monkeypatch: pytest.MonkeyPatch) -> None:
    """A driver that loses the first line of a chunk does not get through."""
    driver = family("line")[0]
    whole = type(driver).decode_all
    monkeypatch.setattr(
        type(driver), "decode_all", lambda self, frames, ends: whole(self, frames[1:], ends[1:])
    )
    data = next(iter(TARGETS["line"].seeds()))
    with pytest.raises(AssertionError, match="another cut gives other"):
        TARGETS["line"].run(data)
