"""A driver in a package of its own, to be copied: invented gauges that send binary packets.

    A5 5A   flags   value (4 bytes, signed, high byte first)   CRC (2 bytes, of flags and value)

Flags: 01 overload, 02 low battery. The value counts steps of the gauge's resolution.

A family says what its table in a gauge file holds (`PacketSettings`), where a frame ends (`split`) and what a
frame says (`decode`). Waiting for the rest of a frame, cuts, lengths and offsets are the business of the base
class. It owns no port, no clock and no thread.
"""

import struct
from binascii import crc_hqx
from typing import ClassVar

from drivers.base import Driver, FrameError, Kind, Sample
from drivers.description import GaugeDescription, Table

SYNC = b"\xa5\x5a"
LENGTH = 9
FLAGS = {1: "overload", 2: "low battery"}


class PacketSettings(Table):
    """The `[packet]` table of a gauge file. Unknown keys are refused with the nearest known one."""

    crc_start: int = 0
    """What the CRC begins with."""


class PacketDriver(Driver):
    """Driver of the family "packet"."""

    settings_key = "packet"
    Settings: ClassVar[type[PacketSettings]] = PacketSettings
    max_frame_bytes = 64
    # Packets are found by their content, so a whole one must survive at the end of skipped noise.
    split_tail_bytes = LENGTH

    def __init__(self, description: GaugeDescription) -> None:
        self._crc_start = description.settings_as(PacketSettings, "packet").crc_start
        super().__init__(description)

    def split(self, data: bytes, start: int) -> tuple[int, int] | None:
        """The packet at `start`; or, as a frame of its own, the noise in front of the next whole packet."""
        place = data.find(SYNC, start)
        while place >= 0 and place + LENGTH <= len(data):
            if self._whole(data[place : place + LENGTH]):
                stop = place + LENGTH if place == start else place
                return stop, stop
            place = data.find(SYNC, place + 1)
        return None

    def _whole(self, frame: bytes) -> bool:
        crc = crc_hqx(frame[2:7], self._crc_start)
        return len(frame) == LENGTH and frame[:2] == SYNC and frame[7:] == crc.to_bytes(2, "big")

    def decode(self, frame: bytes) -> Sample:
        """Says what one packet means, see `Driver.decode`."""
        if not self._whole(frame):
            raise FrameError("not a packet", frame)
        said, steps = struct.unpack(">Bi", frame[2:7])
        if said & ~3:
            raise FrameError(f"flags {said:02X} are not known", frame)
        value = steps * self.description.resolution
        if self.description.quantity == "force" and self.description.tension == "negative":
            value = -value
        flags = {word for bit, word in FLAGS.items() if said & bit}
        low, high = self.description.range
        if not low <= value <= high:
            flags.add("out of range")
        kind = Kind(self.description.quantity, self.description.unit, None, frozenset(flags))
        # Adding zero makes -0.0 the 0.0 a person means.
        return Sample(kind, round(value, 9) + 0.0)
