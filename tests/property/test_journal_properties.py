import tempfile
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from acquire.chain import GENESIS, Verdict, make_row, walk
from acquire.journal import Draft, Journal

values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=8,
)
bodies = st.dictionaries(st.text(), values, max_size=4)
kinds = st.sampled_from(["reading", "refusal", "check", "port lost"])
times = st.datetimes(timezones=st.just(UTC))
batches = st.lists(
    st.tuples(
        st.lists(st.tuples(kinds, bodies), min_size=1, max_size=3), times, st.integers(-(2**63), 2**63 - 1)
    ),
    max_size=5,
)


@given(batches)
@settings(max_examples=40, deadline=None)
def test_any_events_come_back_as_written_and_verify(
    written: list[tuple[list[tuple[str, dict[str, Any]]], datetime, int]],
) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "journal.sqlite"
        with Journal.open(path) as journal:
            returned = [
                event
                for drafts, t_utc, t_mono_ns in written
                for event in journal.append_all(
                    [Draft(kind, body) for kind, body in drafts], t_utc=t_utc, t_mono_ns=t_mono_ns
                )
            ]
            head = journal.head()
        with Journal.open(path, readonly=True) as journal:
            assert list(journal.events()) == returned
            assert journal.verify(expected_head=head[1]) == Verdict(len(returned), head[1])
    said = [(kind, body, t, ns) for drafts, t, ns in written for kind, body in drafts]
    assert [(event.kind, event.body, event.t_utc, event.t_mono_ns) for event in returned] == said


FIELDS = ["id", "kind", "t_utc", "t_mono_ns", "body", "prev", "hash"]


def chain(length: int) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = []
    prev = GENESIS
    for seq in range(1, length + 1):
        row = make_row(
            prev, seq=seq, event_id=f"note-{seq}", kind="note", t_utc="t", t_mono_ns=0, body='{"number":1}'
        )
        rows.append(row)
        prev = row["hash"]
    return rows


@given(st.integers(1, 6), st.data())
def test_any_single_change_is_found_at_its_event(length: int, data: st.DataObject) -> None:
    rows = chain(length)
    seq = data.draw(st.integers(1, length))
    field = data.draw(st.sampled_from(FIELDS))
    value = data.draw(st.one_of(st.none(), st.integers(), st.text(), st.binary()))
    changed = rows[seq - 1] | {field: value}
    verdict = walk([*rows[: seq - 1], changed, *rows[seq:]])
    if changed == rows[seq - 1]:
        assert verdict.holds
    else:
        assert verdict.broken is not None
        assert verdict.broken.seq == seq


@given(st.integers(1, 6), st.data())
def test_any_leaving_out_but_at_the_end_is_found(length: int, data: st.DataObject) -> None:
    rows = chain(length)
    kept = data.draw(st.lists(st.sampled_from(rows), unique_by=lambda row: row["seq"]).map(by_seq))
    verdict = walk(kept)
    assert verdict.holds == (kept == rows[: len(kept)])


def by_seq(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return sorted(rows, key=lambda row: int(row["seq"]))
