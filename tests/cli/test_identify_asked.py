"""`panelwright identify` with gauges that are asked in SCPI or Modbus, as a person meets it."""

import os
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from acquire.cli import main
from acquire.cli.identify_said import RANGE, REGISTERS, UNIT, UNITS_ON_LINE
from drivers.description import load_description
from tests.sim_process import SimProcess

LIMIT_S = 90.0
SIMULATORS = {
    "scpi": ("force", "--speaks", "scpi-force"),
    "scpi-shy": ("force", "--speaks", "scpi-force"),
    "scpi-silent": ("force", "--speaks", "scpi-force"),
    "modbus": ("force", "--speaks", "modbus-force"),
    "climate": ("room", "--speaks", "modbus-climate"),
    "climate-unsaid": ("room", "--speaks", "modbus-climate"),
    "bus": ("bus", "--speaks", "modbus-bus"),
}
HANDS = {"scpi": "weight 0.2", "modbus": "weight 0.2"}
RUNS: dict[str, tuple[list[str], str]] = {
    # One person at the keyboard: may it ask? may it ask MEAS? range; no, it does not become negative.
    "scpi": (["--name", "mine"], "y\ny\n-250..250\nn\nmine\n"),
    "scpi-shy": (["--yes", "--range=-250..250"], ""),
    "scpi-silent": (["--listen-only", "--ask-measure"], ""),
    # May it ask? the first of the list, then unit, range, scale, and yes, pulling shows a negative value.
    "modbus": (["--units", "1", "--name", "mine"], "y\n1\n1\nN\n-200..200\ny\nmine\n"),
    "climate": (
        ["--yes", "--units", "2", "--register", "1:int16*0.1=%,0..100", "--name", "mine", "--json"],
        "",
    ),
    "climate-unsaid": (["--yes", "--units", "2"], ""),
    "bus": (["--yes", "--units", "1-3", "--register", "100:int32", "--unit", "N"], ""),
}


@pytest.fixture(scope="module")
def ended(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, tuple[int, str, Path]]]:
    """Exit code, everything that was said, and the bench, of every run; all at the same time."""
    folder = tmp_path_factory.mktemp("asked")

    def run(name: str, port: str) -> tuple[int, str, Path]:
        home = folder / f"bench-{name}"
        options, keys = RUNS[name]
        done = subprocess.run(
            [sys.executable, "-c", "from acquire.cli import main; main()", "identify", port,
             "--home", str(home), *options],
            input=keys, capture_output=True, text=True, timeout=LIMIT_S, check=False,
            env={**os.environ, "PYTHONUTF8": "1"},
        )  # fmt: skip
        return done.returncode, done.stdout + done.stderr, home

    with ExitStack() as sims, ThreadPoolExecutor(len(RUNS)) as pool:
        ports = {}
        for name, args in SIMULATORS.items():
            sim = sims.enter_context(SimProcess(*args, "--link", str(folder / name)))
            if name in HANDS:
                sim.tell(HANDS[name])
            ports[name] = sim.port
        yield dict(zip(ports, pool.map(run, ports, ports.values()), strict=True))


Ended = dict[str, tuple[int, str, Path]]
on_terminals = [
    pytest.mark.slow,
    pytest.mark.skipif(not hasattr(os, "openpty"), reason="this system has no pseudo-terminals"),
]


class TestOnPseudoTerminals:
    pytestmark = on_terminals

    def test_a_person_agrees_to_measuring_queries_and_gets_a_description(self, ended: Ended) -> None:
        code, said, home = ended["scpi"]
        assert code == 0, said
        assert said.index("may set a meter up anew") < said.index("MEAS:FORC? brings")
        description = load_description(home / "gauges" / "mine.toml")
        assert (description.driver, description.unit, description.range) == ("scpi", "N", (-250.0, 250.0))
        assert "To be confirmed" not in description.text
        shown = said.partition("It reads, live")[2].splitlines()[1:6]
        # 0.2 kg times standard gravity, 9.80665 m/s² (exact by definition; from memory).
        assert [float(line.removesuffix(" N")) for line in shown] == pytest.approx([1.9613] * 5, abs=0.05)

    def test_yes_does_not_agree_to_measuring_queries(self, ended: Ended) -> None:
        code, said, home = ended["scpi-shy"]
        assert code == 1
        assert "MEAS:FORC? brings" not in said
        assert "no query that was asked brings a value" in said
        assert "--ask-measure" in said
        assert "scpi-force.toml" in said
        assert not home.exists()

    def test_listening_only_asks_nothing_whatever_else_is_said(self, ended: Ended) -> None:
        code, said, _ = ended["scpi-silent"]
        assert code == 1
        assert "the gauge says nothing" in said
        assert "*IDN?" not in said

    def test_a_person_picks_a_register_from_the_list(self, ended: Ended) -> None:
        code, said, home = ended["modbus"]
        assert code == 0, said
        assert "4/10:float32:CDAB" in said
        assert "stand in no register" in said
        text = load_description(home / "gauges" / "mine.toml").text
        assert 'tension = "negative"' in text
        assert 'order = "CDAB"' in text
        assert "Scale of register 10: said by a person" in text

    def test_a_script_says_everything_and_gets_json(self, ended: Ended) -> None:
        code, said, home = ended["climate"]
        assert code == 0, said
        description = load_description(home / "gauges" / "mine.toml")
        assert (description.quantity, description.unit, description.resolution) == ("humidity", "%", 0.1)
        assert '"family": "modbus"' in said

    def test_without_a_register_the_list_is_shown_and_what_to_say_is_named(self, ended: Ended) -> None:
        code, said, home = ended["climate-unsaid"]
        assert code == 1
        assert "3/0:int16" in said
        assert "always" in said or "between" in said
        assert "--register" in said.splitlines()[-1]
        assert not home.exists()

    def test_on_a_bus_the_other_units_are_named_and_a_wrong_register_is_refused(self, ended: Ended) -> None:
        code, said, _ = ended["bus"]
        assert code == 1
        assert "also answering on this line: unit 3 (--units 3)" in said
        assert "unit 1 did not answer there" in said
        assert "--registers FIRST-LAST" in said


@pytest.mark.parametrize(
    ("option", "value", "why"),
    [
        ("--units", "0", "lie within 1 to 247"),
        ("--units", "a-b", "no list of numbers"),
        ("--registers", "0-9999", "no more than"),
        ("--range", "5..1", "is no range"),
        ("--range", "1..inf", "is no range"),
        ("--unit", "furlong", "no unit that is known"),
    ],
)
def test_an_option_that_makes_no_sense_is_refused_before_anything_is_opened(
    option: str, value: str, why: str
) -> None:
    result = CliRunner().invoke(main, ["identify", "nowhere", f"{option}={value}"])
    assert result.exit_code == 2
    assert why in " ".join(result.output.replace("│", " ").split())


def test_options_are_read_as_people_write_them() -> None:
    context = click.Context(main)
    assert UNITS_ON_LINE.convert("1-3,7", None, context) == [1, 2, 3, 7]
    assert REGISTERS.convert("100-131", None, context) == list(range(100, 132))
    assert RANGE.convert("-2.5..1e3", None, context) == (-2.5, 1000.0)
    assert UNIT.convert("mW/cm2", None, context) == "mW/cm2"
