"""All laws of a driver on our gauge and its recordings; see drivers/contract.py."""

from pathlib import Path

from drivers.contract import Checked, DriverContract

HERE = Path(__file__).parent


class TestPacket(Checked, DriverContract):
    gauges = (HERE / "gauges" / "force-packet.toml",)
    recordings = HERE / "recordings"
