"""A recording and what it must give: `<gauge>/<scenario>.rec` beside `<gauge>/<scenario>.expected.jsonl`.

An expectation holds one line for each sample and each damaged frame, in stream order within each opening.
"""

import json
from collections.abc import Callable, Iterator
from pathlib import Path

from acquire.recordings import read_header, read_recording
from drivers.registry import make_driver
from tests.contract.families import Sent, Talk, converse
from tests.contract.gauges import description

FOLDER = Path(__file__).parent
Cutter = Callable[[list[bytes]], list[bytes]]


def names() -> list[str]:
    return sorted(path.relative_to(FOLDER).with_suffix("").as_posix() for path in FOLDER.glob("*/*.rec"))


def recording(name: str) -> Path:
    return FOLDER / f"{name}.rec"


def expectation(name: str) -> Path:
    return FOLDER / f"{name}.expected.jsonl"


def openings(name: str) -> list[Talk]:
    """What went over the line at each opening of the port, as recorded.

    Raises:
        ValueError: the recording is cut.
    """
    _, lines = read_recording(recording(name))
    found: list[Talk] = []
    for line in lines:
        if line.kind == "open":
            found.append([])
        elif line.kind == "chunk":
            found[-1].append(line.data)
        elif line.kind == "sent":
            found[-1].append(Sent(line.data))
    if lines.cut:
        raise ValueError(f"{name}: {lines.cut}")
    return found


def outcome(name: str, cut: Cutter = list) -> str:
    """What a recording gives when its chunks are cut another way, as the text of an expectation.

    Raises:
        RequestError: a request was sent that the description does not send.
    """
    driver = make_driver(description(read_header(recording(name)).driver))
    rows: list[str] = []
    for number, talk in enumerate(openings(name)):
        driver.reset()
        samples, errors = converse(driver, talk, cut)
        several = len({sample.kind.quantity for sample in samples}) > 1
        found: list[dict[str, object]] = [
            {
                "end": sample.end,
                "value": sample.value if sample.value == sample.value else None,
                **({"quantity": sample.kind.quantity} if several else {}),
                "unit": sample.kind.unit,
                "channel": sample.kind.channel,
                "flags": sorted(sample.kind.flags),
                "good": sample.kind.good,
            }
            for sample in samples
        ]
        found += [{"end": at, "damaged": why, "frame": frame.hex(" ").upper()} for why, frame, at in errors]
        found.sort(key=lambda row: int(str(row["end"])))
        rows += [json.dumps({"opening": number, **row}) for row in found]
    return "".join(f"{row}\n" for row in rows)


def good_rows(text: str) -> Iterator[dict[str, object]]:
    for line in text.splitlines():
        row = json.loads(line)
        if row.get("good"):
            yield row
