"""The template for a driver in a package of its own: installed as a third party would, found and tested."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.recordings import invent as scenarios
from tests.thirdparty import invent

PANELWRIGHT = ("-c", "from acquire.cli import main; main()")
GAUGE = invent.TEMPLATE / "gauges" / "force-packet.toml"


def run(words: list[str], *, at: Path, site: Path | None = None) -> subprocess.CompletedProcess[str]:
    """Runs python with `site` among the places where packages are installed."""
    environment = {**os.environ, "PYTHONPATH": str(site) if site else "", "PYTHONDONTWRITEBYTECODE": "1"}
    command = [sys.executable, *words]
    return subprocess.run(
        command, cwd=at, env=environment, capture_output=True, text=True, timeout=50, check=False
    )


@pytest.fixture(scope="module")
def copied(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The template's own folder, elsewhere: nothing of this repository is around it."""
    return Path(shutil.copytree(invent.TEMPLATE, tmp_path_factory.mktemp("third") / "template"))


@pytest.fixture(scope="module")
def site(copied: Path) -> Path:
    """Where the template is installed, without a network."""
    target = copied.parent / "site"
    built = copied.parent / "built"
    shutil.copytree(copied, built)
    options = ["--quiet", "--disable-pip-version-check", "--no-index", "--no-deps", "--no-build-isolation"]
    done = run(["-m", "pip", "install", *options, "--target", str(target), str(built)], at=copied)
    assert done.returncode == 0, done.stderr
    return target


@pytest.fixture(scope="module")
def home(copied: Path) -> Path:
    """A bench with the template's gauge among its descriptions."""
    folder = copied.parent / "bench"
    assert run([*PANELWRIGHT, "init", "--home", str(folder)], at=copied).returncode == 0
    shutil.copy(GAUGE, folder / "gauges")
    return folder


@pytest.mark.slow
def test_its_own_tests_pass_where_it_is_installed(copied: Path, site: Path) -> None:
    done = run(["-m", "pytest", "-q", "-p", "no:cacheprovider", "."], at=copied, site=site)
    assert done.returncode == 0, done.stdout
    assert "15 passed" in done.stdout


@pytest.mark.slow
def test_the_command_knows_its_gauge(copied: Path, site: Path, home: Path) -> None:
    done = run([*PANELWRIGHT, "gauges", "--home", str(home)], at=copied, site=site)
    assert done.returncode == 0, done.stderr
    assert "force-packet: Force gauge, streams packets (force in N, stream)" in done.stdout.splitlines()


@pytest.mark.slow
def test_a_recording_of_it_is_replayed(copied: Path, site: Path) -> None:
    recording = copied / "recordings" / "force-packet" / "changing.rec"
    words = [*PANELWRIGHT, "replay", str(recording), "--gauge", str(copied / "gauges" / GAUGE.name)]
    done = run(words, at=copied, site=site)
    assert done.returncode == 0, done.stderr
    assert "from 47 samples; 0 damaged" in done.stdout


@pytest.mark.slow
def test_without_the_package_the_family_is_unknown(copied: Path, home: Path) -> None:
    done = run([*PANELWRIGHT, "gauges", "--home", str(home)], at=copied)
    assert done.returncode == 1
    assert "no driver family is called 'packet'; known: contact, keyed, line, modbus, scpi" in done.stderr


@pytest.mark.slow
def test_two_packages_that_offer_one_name_are_both_named(copied: Path, site: Path, home: Path) -> None:
    both = copied.parent / "both"
    shutil.copytree(site, both)
    other = both / "rival_packets-2.0.dist-info"
    other.mkdir()
    (other / "METADATA").write_text(
        "Metadata-Version: 2.1\nName: rival-packets\nVersion: 2.0\n", encoding="utf-8"
    )
    (other / "entry_points.txt").write_text(
        "[panelwright.drivers]\npacket = nowhere:Packets\n", encoding="utf-8"
    )
    done = run([*PANELWRIGHT, "gauges", "--home", str(home)], at=copied, site=both)
    assert done.returncode == 1
    assert "'packet' is offered by panelwright-template and rival-packets; uninstall one" in done.stderr


@pytest.mark.parametrize("scenario", scenarios.SCENARIOS)
def test_its_recordings_can_be_made_again(scenario: str) -> None:
    recorded = invent.TEMPLATE / "recordings" / invent.NAME / f"{scenario}.rec"
    assert invent.made(scenario) == recorded.read_bytes()
