"""An independent Modbus server behind a pseudo-terminal, as a process of its own.

`python -m tests.modbus_peer LINK` makes two pseudo-terminals, joins them like a null-modem cable, runs
pymodbus's serial server on one and links the other to LINK. It prints "ready" and ends with its stdin.

Its units 1, 2 and 3 hold: input and holding registers 0 to 299, each with its own address times unit.
"""

import asyncio
import os
import subprocess
import sys
import tty
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

UNITS = (1, 2, 3)
REGISTERS_N = 300


def held(unit: int, address: int) -> int:
    """What the server's register holds."""
    return unit * address


def _pass_on(here: int, there: int) -> None:
    os.write(there, os.read(here, 4096))


async def _serve(link: Path) -> None:
    from pymodbus.framer import FramerType
    from pymodbus.server import ModbusSerialServer
    from pymodbus.simulator import DataType, SimData, SimDevice

    ends = [os.openpty(), os.openpty()]
    for gauge_end, port_end in ends:
        tty.setraw(port_end)
        os.set_blocking(gauge_end, False)
    loop = asyncio.get_running_loop()
    for (here, _), (there, _) in (ends, ends[::-1]):
        loop.add_reader(here, _pass_on, here, there)
    devices = [
        SimDevice(
            unit,
            SimData(
                0,
                values=[held(unit, address) for address in range(REGISTERS_N)],
                datatype=DataType.REGISTERS,
            ),
        )
        for unit in UNITS
    ]
    server = ModbusSerialServer(
        devices,
        framer=FramerType.RTU,
        port=os.ttyname(ends[1][1]),
        baudrate=115200,
    )
    await server.serve_forever(background=True)
    link.unlink(missing_ok=True)
    link.symlink_to(os.ttyname(ends[0][1]))
    sys.stdout.write("ready\n")
    sys.stdout.flush()
    await loop.run_in_executor(None, sys.stdin.read)
    await server.shutdown()  # type: ignore[no-untyped-call]  # theirs


@contextmanager
def peer(link: Path) -> Iterator[str]:
    """Runs the server; gives the device to open."""
    command = [sys.executable, "-m", "tests.modbus_peer", str(link)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert process.stdin is not None
        assert process.stdout.readline() == "ready\n"
        try:
            yield str(link)
        finally:
            process.stdin.close()
            process.wait(10)


if __name__ == "__main__":
    asyncio.run(_serve(Path(sys.argv[1])))
