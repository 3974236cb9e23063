"""Somebody's force trace in somebody's format: what is read, and one clear error where it cannot be."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from acquire.capture.trace_file import read_trace
from acquire.errors import SourceError

T = [0.0, 0.1, 0.2]
F = [0.01, 1.5, -2.25]


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("0.0,0.01\n0.1,1.5\n0.2,-2.25\n", "plain"),
        ("time,force\n0.0,0.01\n0.1,1.5\n0.2,-2.25\n", "titles"),
        ("time,force\ns,N\n0.0,0.01\n0.1,1.5\n0.2,-2.25\n", "titles and units"),
        ("\ufefftime,force\r\n0.0,0.01\r\n0.1,1.5\r\n0.2,-2.25\r\n", "byte order mark, other line ends"),
        ("0,0;0,01\n0,1;1,5\n0,2;-2,25\n", "semicolons and decimal commas"),
        ("t;F\n0,0;0,01\n0,1;1,5\n0,2;-2,25\n", "the same with titles"),
        ("0.0\t0.01\n0.1\t1.5\n0.2\t-2.25\n", "tabs"),
        ("0,0\t0,01\n0,1\t1,5\n0,2\t-2,25\n", "tabs and decimal commas"),
        ("  0.0   0.01\n  0.1   1.5\n  0.2  -2.25\n", "blanks"),
        ("# a comment\n% another\n// a third\n0.0,0.01\n\n0.1,1.5\n0.2,-2.25\n", "comments, empty lines"),
        ("0.0,0.01\n0.05,\n0.1,1.5\n0.15,nan\n0.2,-2.25\n", "missing cells"),
        ('"time","force"\n"0.0","0.01"\n"0.1","1.5"\n"0.2","-2.25"\n', "quotes"),
        ("0e0,1e-2\n1e-1,1.5e0\n2e-1,-2.25\n", "powers of ten"),
        ("0.0,0.01,ok\n0.1,1.5,ok\n0.2,-2.25,end\n", "a column of text behind"),
        ("made by hand\n\ntime,force\n0.0,0.01\n0.1,1.5\n0.2,-2.25\n", "a line of text in front"),
    ],
)
def test_the_world_s_formats(tmp_path: Path, text: str, why: str) -> None:
    path = tmp_path / "trace.csv"
    path.write_text(text, encoding="utf-8", newline="")
    trace = read_trace(path)
    assert trace.t.tolist() == pytest.approx(T), why
    assert trace.f.tolist() == pytest.approx(F), why
    assert trace.breaks == ()


def write(folder: Path, text: str) -> Path:
    path = folder / "trace.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_columns_by_title_and_by_index(tmp_path: Path) -> None:
    path = write(tmp_path, "n,load,clock\n1,0.01,0.0\n2,1.5,0.1\n3,-2.25,0.2\n")
    for time, force in (("clock", "load"), ("2", "1")):
        trace = read_trace(path, time_column=time, force_column=force)
        assert trace.t.tolist() == T
        assert trace.f.tolist() == F


@pytest.mark.parametrize(("unit", "factor"), [("s", 1.0), ("ms", 1e-3), ("us", 1e-6)])
def test_units_of_time(tmp_path: Path, unit: str, factor: float) -> None:
    trace = read_trace(write(tmp_path, "0,1\n100,2\n200,3\n"), time_unit=unit)
    assert trace.t.tolist() == pytest.approx([0.0, 100 * factor, 200 * factor])


def test_rows_without_a_number_are_counted(tmp_path: Path) -> None:
    trace = read_trace(write(tmp_path, "0,1\n0.1,\n0.2,-\n0.3,inf\n0.4,2\n"))
    assert trace.missing == 3
    assert trace.f.tolist() == [1.0, 2.0]


def test_a_clock_that_starts_again_begins_a_new_run(tmp_path: Path) -> None:
    trace = read_trace(write(tmp_path, "0,1\n0.1,2\n0.2,3\n0.0,4\n0.1,5\n"))
    assert trace.breaks == (3,)


def test_a_clock_printed_too_coarsely_is_spread(tmp_path: Path) -> None:
    rows = "".join(f"{i // 5},{i}\n" for i in range(25))
    trace = read_trace(write(tmp_path, rows))
    assert np.diff(trace.t).tolist() == pytest.approx([0.2] * 24)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "no data in it"),
        ("# only a comment\n", "no data in it"),
        ("nothing here\nthat is a number\n", "no row with two numbers in it"),
        ("0,1\n", "fewer than two samples"),
        ("0,1\n0.1,\n", "fewer than two samples"),
        ("time,force\n0,1\n0.1,2\n0.2,broken\n0.3,3\n", "line 4, column 1 (force): 'broken' is not a number"),
        ("0,1\n0.1,1_0\n0.2,2\n0.3,2\n0.4,2\n", "line 2, column 1: '1_0' is not a number"),
        ("7\n8\n9\n", "no column 1; the rows have 1 columns, counted from 0"),
    ],
)
def test_one_clear_error(tmp_path: Path, text: str, said: str) -> None:
    path = write(tmp_path, text)
    with pytest.raises(SourceError) as raised:
        read_trace(path)
    assert str(raised.value).startswith(str(path))
    assert str(raised.value).endswith(said)
    assert raised.value.hint


def test_an_unknown_column_is_named_with_those_there_are(tmp_path: Path) -> None:
    path = write(tmp_path, "time,force\n0,1\n0.1,2\n")
    with pytest.raises(SourceError, match="no column 'load'; its columns are 'time', 'force'"):
        read_trace(path, force_column="load")
    with pytest.raises(SourceError, match="no column 2"):
        read_trace(path, force_column="2")


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(SourceError, match="No such file"):
        read_trace(tmp_path / "none.csv")


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.text(max_size=200)
    | st.text(alphabet="0123456789.,;\t -+eEnaif#\"'\n\r", max_size=200)
    | st.binary(max_size=200).map(lambda data: data.decode("latin-1"))
)
def test_any_text_is_read_or_refused(tmp_path: Path, text: str) -> None:
    path = tmp_path / "any.csv"
    path.write_bytes(text.encode("utf-8", "surrogatepass"))
    try:
        trace = read_trace(path)
    except SourceError:
        return
    assert len(trace.t) == len(trace.f) >= 2
    assert np.isfinite(trace.t).all()
    assert np.isfinite(trace.f).all()


def test_titles_are_found_in_any_of_the_rows_above_the_data(tmp_path: Path) -> None:
    path = tmp_path / "trace.csv"
    path.write_text(
        "Range, 0, 50\nTime,Load,Travel\ns,N,mm\n0.0,0.1,5\n0.1,0.2,6\n0.2,0.4,7\n", encoding="utf-8"
    )
    trace = read_trace(path, force_column="Load")
    assert trace.f.tolist() == [0.1, 0.2, 0.4]
    with pytest.raises(SourceError, match="'Time', 'Load', 'Travel'"):
        read_trace(path, force_column="Force")


@pytest.mark.parametrize(
    ("titles", "time_unit", "force_unit"),
    [
        ("Time (ms);Force (gf)", "ms", "gf"),
        ("Time [us];Force [mN]", "us", "mN"),
        ("t/ms;F / kN", "ms", "kN"),
        ("Time;Force\nms;lbf", "ms", "lbf"),
        ("time;load", "s", None),
        ("Seconds;Reaction N2", "s", None),
        ("Time (ms);Force (gf)\ns;N", "s", None),  # two units say nothing
    ],
)
def test_units_in_the_titles_are_taken_at_their_word(
    tmp_path: Path, titles: str, time_unit: str, force_unit: str | None
) -> None:
    trace = read_trace(write(tmp_path, f"{titles}\n0;1\n100;2\n200;3\n"))
    assert (trace.time_unit, trace.force_unit) == (time_unit, force_unit)
    scale = {"s": 1.0, "ms": 1e-3, "us": 1e-6}[time_unit]
    assert trace.t[-1] == pytest.approx(200 * scale)
    said = read_trace(write(tmp_path, f"{titles}\n0;1\n100;2\n200;3\n"), time_unit="s")
    assert said.t[-1] == 200.0, "what a person says goes before the title"


def test_numbers_torn_in_two_by_their_commas_are_refused_with_what_to_do(tmp_path: Path) -> None:
    path = write(tmp_path, "time,force\n0,00,1,25\n0,01,1,27\n0,02,1,30\n")
    with pytest.raises(SourceError, match="commas mark decimals and columns alike") as caught:
        read_trace(path)
    assert "semicolons" in caught.value.hint
