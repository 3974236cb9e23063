"""Laws of recordings: what was written is read; both readers give the same for any file whatever."""

import tempfile
from itertools import accumulate
from pathlib import Path
from typing import Literal, get_args

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acquire.recordings import Header, Line, LineKind, Recorder, read_recording
from tests.manual_clock import ManualClock
from tests.recording_tools import from_columns, from_lines

HEAD = b"# format: panelwright-rec 1\n# driver: x\n# start-utc: 2031-05-04T08:00:00.000000Z\n"

kinds: st.SearchStrategy[LineKind] = st.sampled_from(get_args(LineKind))
steps_us = st.one_of(st.just(0), st.integers(0, 20_000), st.integers(0, 10**12))
events = st.lists(
    st.tuples(kinds, steps_us, st.binary(min_size=1, max_size=40), st.text(max_size=20)), max_size=30
)
block_sizes = st.sampled_from([1, 2, 7, 40, 100, 1 << 19])


def record(path: Path, todo: list[tuple[LineKind, int, bytes, str]]) -> list[Line]:
    """Writes the events, and gives the lines that must be read back."""
    expected: list[Line] = []
    with Recorder(path, Header(driver="x"), ManualClock()) as recorder:
        times = accumulate(step for _, step, _, _ in todo)
        # Format, driver, start-utc and expect come first.
        for number, ((kind, _, data, note), t_us) in enumerate(zip(todo, times, strict=True), start=5):
            if kind == "chunk":
                recorder.chunk(data, t_us)
            elif kind == "sent":
                recorder.sent(data, t_us)
            else:
                kept = recorder.mark(kind, note, t_us)
                expected.append(Line(t_us, kind, b"", kept, number))
                continue
            expected.append(Line(t_us, kind, data, "", number))
    return expected


@pytest.mark.slow
@given(todo=events, block_bytes=block_sizes)
@settings(max_examples=150)
def test_what_is_written_is_read_by_both_readers(
    todo: list[tuple[LineKind, int, bytes, str]], block_bytes: int
) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.rec"
        expected = record(path, todo)
        assert from_lines(path) == (expected, None, None)
        assert from_columns(path, block_bytes) == (expected, None, None)


@pytest.mark.slow
@given(
    todo=events,
    block_bytes=block_sizes,
    hits=st.lists(
        st.tuples(
            st.sampled_from(["replace", "insert", "delete"]),
            st.floats(0, 1, exclude_max=True),
            st.sampled_from(b" \n<>!+.0189AFag\r\xff"),
        ),
        min_size=1,
        max_size=3,
    ),
)
@settings(max_examples=300)
def test_a_damaged_file_is_the_same_to_both_readers(
    todo: list[tuple[LineKind, int, bytes, str]],
    block_bytes: int,
    hits: list[tuple[Literal["replace", "insert", "delete"], float, int]],
) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.rec"
        record(path, [("chunk", 0, b"A", ""), *todo])
        body = bytearray(path.read_bytes().partition(b"# expect: readings\n")[2])
        for what, where, byte in hits:
            at = int(where * len(body))
            body[at : at + (what != "insert")] = b"" if what == "delete" else bytes([byte])
        # The first byte stays: with a '#' there it would be the header's business.
        path.write_bytes(HEAD + b"+" + bytes(body[1:]))
        assert from_columns(path, block_bytes) == from_lines(path)


@pytest.mark.slow
@given(body=st.binary(max_size=300), block_bytes=block_sizes)
@settings(max_examples=150)
def test_any_bytes_are_the_same_to_both_readers(body: bytes, block_bytes: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.rec"
        path.write_bytes(HEAD + b"+0.000000 < 41\n" + body)
        assert from_columns(path, block_bytes) == from_lines(path)
        assert next(read_recording(path)[1]).data == b"A"


forms = st.sampled_from(
    ["+{}.{:06d} < 41 42", "+{}.{:06d} < 43", "+{}.{:06d} > 44", "+{}.{:06d} ! lost < 41", "+0{}.{:06d} < 45"]
)


@pytest.mark.slow
@given(
    lines=st.lists(st.tuples(forms, st.integers(0, 120), st.integers(0, 999_999)), max_size=20),
    ordered=st.booleans(),
    block_bytes=block_sizes,
)
@settings(max_examples=150)
def test_every_form_of_line_beside_every_other_is_the_same_to_both_readers(
    lines: list[tuple[str, int, int]], ordered: bool, block_bytes: int
) -> None:
    if ordered:
        times = sorted((seconds, micros) for _, seconds, micros in lines)
        lines = [(form, *time) for (form, _, _), time in zip(lines, times, strict=True)]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.rec"
        path.write_bytes(HEAD + "".join(form.format(*time) + "\n" for form, *time in lines).encode())
        found, error, cut = from_lines(path)
        assert from_columns(path, block_bytes) == (found, error, cut)
        if ordered:
            assert (len(found), error) == (len(lines), None)
