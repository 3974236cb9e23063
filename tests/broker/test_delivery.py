"""Events of the journal on a real broker: each once and in order, whatever becomes of broker and bus."""

import sqlite3
import time
from pathlib import Path

import pytest

from acquire.errors import ConfigError
from acquire.model import Test as Kind
from acquire.outputs.mqtt.cursor import FILE, open_cursor
from acquire.outputs.mqtt.messages import FACTS
from tests.benches import MadeBench
from tests.broker.broker import Broker
from tests.broker.running import bus, following, hearing, on, said, until, write_events


def _published(made: MadeBench) -> list[int]:
    return [event.seq for event in made.journal.events() if event.kind in FACTS]


def test_what_is_written_comes_word_for_word_with_its_place_in_the_chain(
    made: MadeBench, broker: Broker
) -> None:
    made.check_force()
    made.slip("larch", "A", "bare", [1.9, 2.0, 2.1], refused=1)
    with following(broker.settings()) as seen, bus(made.home, broker.settings()):
        until(lambda: seen.seqs == _published(made), lambda: seen.shown)
        made.rate("larch", Kind.HANDLING, "A", 4.0, "rating.larch.1")
        until(lambda: seen.events[-1].kind == "rating")
    journal = {event.seq: event for event in made.journal.events()}
    for event in seen.events:
        written = journal[event.seq]
        assert (event.id, event.kind, event.t_utc) == (written.id, written.kind, written.t_utc)
        assert (event.hash, event.body) == (written.hash, written.body)
    assert [event.follows for event in seen.events] == [0, *seen.seqs[:-1]]
    assert not seen.gaps


@pytest.mark.slow
def test_a_broker_killed_and_started_again_during_a_run_costs_nobody_an_event(
    made: MadeBench, broker: Broker
) -> None:
    with following(broker.settings()) as seen, bus(made.home, broker.settings(rate_per_s=400.0)) as running:
        for _ in range(3):
            seen_n = len(seen.events)
            write_events(made.journal, 60)
            until(lambda: len(seen.events) > seen_n + 10)  # noqa: B023 - used at once
            broker.kill()
            write_events(made.journal, 40)
            broker.start()
        until(lambda: seen.seqs == _published(made), lambda: (seen.seqs, seen.gaps, running.said))
    assert len(seen.connections) >= 4
    assert not seen.gaps


@pytest.mark.slow
def test_a_backlog_of_hours_comes_once_and_in_order(made: MadeBench, broker: Broker) -> None:
    broker.kill()
    with bus(made.home, broker.settings()) as running:
        until(lambda: bool(running.said))
        write_events(made.journal, 5000)
        broker.start()
        with following(broker.settings()) as seen:
            until(lambda: len(seen.events) >= 5001, lambda: (len(seen.events), running.said))
    assert seen.seqs == _published(made)
    assert not seen.gaps


@pytest.mark.slow
def test_a_backlog_comes_no_faster_than_allowed(made: MadeBench, broker: Broker) -> None:
    write_events(made.journal, 200)
    with hearing(broker.settings()) as heard:
        begun_s = time.monotonic()
        with bus(made.home, broker.settings(rate_per_s=200.0)):
            until(lambda: len(on(heard, "/event/clock-step")) == 200)
        taken_s = time.monotonic() - begun_s
    # The last window of twenty goes out at once.
    assert taken_s >= (200 - 20) / 200.0


def test_the_bus_goes_on_where_it_was(made: MadeBench, broker: Broker) -> None:
    with hearing(broker.settings()) as heard:
        for _ in range(3):
            write_events(made.journal, 5)
            with bus(made.home, broker.settings()):
                until(lambda: len(on(heard, "/event/clock-step")) % 5 == 0 and len(heard) > 0)
                until(lambda: on(heard, "/state")[-1]["waiting_n"] == 0)
        numbers = [event["seq"] for event in on(heard, "/event/clock-step")]
    assert numbers == sorted(set(numbers))
    assert len(numbers) == 15


def test_what_comes_twice_after_a_crash_is_dropped_by_who_follows(made: MadeBench, broker: Broker) -> None:
    write_events(made.journal, 30)
    with following(broker.settings()) as seen, hearing(broker.settings()) as heard:
        for times_n in (30, 40):
            with bus(made.home, broker.settings()):
                until(lambda: len(on(heard, "/event/clock-step")) == times_n)  # noqa: B023 - used at once
                until(lambda: len(seen.events) == 31)
                until(lambda: on(heard, "/state")[-1]["seq"] == 31)
            # As after a crash between the broker's acknowledgement and the note of it.
            with sqlite3.connect(made.home.folder / FILE) as connection:
                journal = list(made.journal.events())
                connection.execute("UPDATE delivered SET seq = ?, hash = ?", (21, journal[20].hash))
            connection.close()
    numbers = [event["seq"] for event in on(heard, "/event/clock-step")]
    assert numbers == [*range(2, 32), *range(22, 32)]
    assert seen.seqs == list(range(1, 32))


def test_one_that_comes_late_can_have_everything_from_the_beginning(made: MadeBench, broker: Broker) -> None:
    write_events(made.journal, 50)
    with hearing(broker.settings()) as heard, bus(made.home, broker.settings()):
        until(lambda: bool(on(heard, "/state")) and on(heard, "/state")[-1]["seq"] == 51)
        with following(broker.settings(), since=0) as late, following(broker.settings()) as now:
            until(lambda: late.seqs == list(range(1, 52)), lambda: late.shown)
            write_events(made.journal, 1)
            until(lambda: late.seqs[-1] == 52 and now.seqs == [52], lambda: (late.shown, now.shown))


def test_another_journal_in_its_place_is_delivered_from_its_beginning(
    made: MadeBench, broker: Broker, tmp_path: Path
) -> None:
    write_events(made.journal, 5)
    with following(broker.settings()) as seen:
        with bus(made.home, broker.settings()):
            until(lambda: seen.seqs == list(range(1, 7)))
        with MadeBench(tmp_path / "anew") as anew:
            anew.begin("spruce", "Another Wax (invented)")
            (made.home.folder / FILE).rename(anew.home.folder / FILE)
            with sqlite3.connect(anew.home.folder / FILE) as connection:
                # The folder is another, the broker and the bench's name are the same.
                assert connection.execute("SELECT seq FROM delivered").fetchall() == [(6,)]
            connection.close()
            with bus(anew.home, broker.settings()) as running:
                until(lambda: seen.seqs[-1] == 1, lambda: seen.shown)
            assert "starting from its beginning" in running.said[0]
    assert seen.events[-1].body["id"] == "spruce"


def test_only_one_program_feeds_the_bus_of_a_bench(made: MadeBench, broker: Broker) -> None:
    with (
        open_cursor(made.home.folder, "somewhere"),
        pytest.raises(ConfigError, match="another program feeds the bus"),
        bus(made.home, broker.settings()),
    ):
        pass


def test_without_a_broker_it_says_so_once_and_stops_at_once(made: MadeBench, broker: Broker) -> None:
    broker.kill()
    with bus(made.home, broker.settings()) as running:
        until(lambda: bool(running.said))
        time.sleep(0.5)
        begun_s = time.monotonic()
    assert time.monotonic() - begun_s < 1.0
    assert len(running.said) == 1
    assert running.said[0].startswith(f"no connection to the broker mqtt://127.0.0.1:{broker.port}: ")


def test_the_last_of_each_kind_and_all_states_are_kept_for_who_comes_later(
    made: MadeBench, broker: Broker
) -> None:
    made.check_force()
    made.slip("larch", "A", "bare", [1.9, 2.0, 2.1])
    with hearing(broker.settings()) as early, bus(made.home, broker.settings()):
        until(lambda: bool(on(early, "/standings")), lambda: [str(one.topic) for one in early])
        until(lambda: len(on(early, "/event/reading")) == 3)
    with hearing(broker.settings()) as late:
        until(lambda: len(late) == len({str(one.topic) for one in early}), lambda: late)
    kept = {
        str(message.topic).removeprefix("panelwright/1/test-bench-invented/"): message for message in late
    }
    assert all(message.retain for message in late)
    assert said(kept["event/reading"]) == on(early, "/event/reading")[-1]
    assert said(kept["state"])["online"] is False
    assert said(kept["state"])["said"] == "stopped"
    assert said(kept["gauge/force"])["checks"][0]["verdict"] == "pass"
    assert said(kept["scorecard/larch"])["scorecard"]["trial"] == "larch"
    assert said(kept["standings"])["standings"]["rows"][0]["trial"] == "larch"
