"""Lets the fuzzer loose on one target, in a process of its own: `python -m tests.fuzz.one TARGET`."""

import sys
from typing import Any

import atheris


def main() -> None:
    """The first word names the target; the rest is the fuzzer's own."""
    name = sys.argv.pop(1)
    rooms = ["drivers", "acquire", "tomllib", "csv"]
    with atheris.instrument_imports(include=rooms):
        from tests.fuzz.targets import TARGETS, load_all

        load_all()
    run = TARGETS[name].run

    def once(data: bytes) -> Any:
        run(data)

    atheris.Setup(sys.argv, once)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
