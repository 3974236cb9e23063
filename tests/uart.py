"""What a receiver set to one speed makes of bytes sent at another: levels on a line, sampled where due."""

from drivers.description import SerialSettings


def received(data: bytes, sent: SerialSettings, listens: SerialSettings) -> bytes:
    """The bytes an eight-bit receiver gets; a byte with a framing error is what was sampled, as usual."""
    levels = _levels(data, sent)
    bits = bytes(levels)
    step = sent.baudrate / listens.baudrate  # bit times of the sender in one of the receiver

    def level(at: float) -> int:
        return levels[int(at)] if at < len(levels) else 1

    out = bytearray()
    at = 0.0
    while (start := bits.find(0, int(at))) >= 0:
        begin = max(at, float(start))
        out.append(sum(level(begin + (1.5 + place) * step) << place for place in range(8)))
        at = begin + 9.5 * step
        if level(at) == 0:  # a break: the receiver waits until the line rests
            rest = bits.find(1, int(at))
            at = float(rest) if rest >= 0 else float(len(levels))
    return bytes(out)


def _levels(data: bytes, sent: SerialSettings) -> list[int]:
    """Level of the line for each bit time: start, data from the lowest bit, parity, stop, a little rest."""
    levels: list[int] = []
    for byte in data:
        bits = [byte >> place & 1 for place in range(sent.bytesize)]
        levels += [0, *bits]
        if sent.parity != "none":
            levels.append(sum(bits) % 2 ^ (sent.parity == "odd"))
        levels += [1] * sent.stopbits
        levels += [1] * (20 if byte == 0x0A else 0)
    return levels
