"""Steps being filled, from bytes to notes and journal."""

from pathlib import Path

import pytest

from acquire import answers
from acquire.errors import TransportError
from acquire.logger import readings
from acquire.model import CalibrationState
from acquire.notes import Note
from acquire.trials import strokes_on, trials_of
from acquire.verification import verify
from simulators.speech import WASH_BANNER
from tests.rig import Rig, SteppedClock, gloss, lay_out, rig, slip, wash

HALF_PULL = 180
"""So many lines into a pull its force is rising."""


def test_what_comes_after_the_last_one_asked_for_is_an_extra_and_said_so(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        task = bench.service.measure(bench.trial(), gloss())
        bench.press(90.1, 90.4, 90.2)
        assert task.done
        bench.press(90.3)
        assert [reading.extra for reading in bench.readings] == [False, False, False, True]
        assert bench.told("reading")[-1] == "3 of 3: 90.2 GU (unchecked today)"
        assert bench.told("full") == ["bare gloss on A: all 3 taken"]
        assert bench.told("extra") == ["90.3 GU (unchecked today): kept as an extra (3 were asked for)"]


def test_a_wrong_angle_is_an_extra_and_does_not_fill_the_step(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        task = bench.service.measure(bench.trial(), gloss())
        bench.press(70.0, angle=20)
        bench.press(90.1, 90.4)
        assert not task.done
        assert [reading.extra for reading in bench.readings] == [True, False, False]
        assert "measured at 20°, the method asks for 60°" in bench.told("extra")[0]


def test_an_outlier_is_told_and_written_down_when_the_step_is_full(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        method = bench.home.method_file.read_text(encoding="utf-8")
        bench.service.method = bench.service.method.model_copy(
            update={"gloss": bench.service.method.gloss.model_copy(update={"readings": 8})}
        )
        bench.service.measure(bench.trial(), gloss())
        bench.press(90.1, 90.2, 90.3, 97.0, 90.2, 90.1, 90.3)
        assert bench.amendments == []
        bench.press(90.2)
        assert [(one.reading, one.what) for one in bench.amendments] == [(bench.readings[3].id, "flagged")]
        assert bench.told("amended") == [f"stands out: {bench.amendments[0].reason}"]
        assert "Grubbs" in bench.amendments[0].reason
        assert bench.readings[3].flagged == bench.amendments[0].reason
        assert bench.home.method_file.read_text(encoding="utf-8") == method


def test_a_flag_that_no_longer_holds_is_taken_back(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        trial = bench.trial()
        bench.service.measure(trial, gloss())
        bench.press(90.0, 90.0, 97.0)
        first = bench.readings
        assert [reading.flagged is not None for reading in first] == [False, False, True]
        bench.press(84.0, 97.0)
        answers.rule(
            bench.service.journal, bench.clock, first[0].id, counts=False, reason="knocked", by="test"
        )
        bench.service.measure(trial, gloss())
        bench.press(90.5)
        assert [one.what for one in bench.amendments] == ["flagged", "unflagged", "ruling"]
        assert [reading.flagged for reading in bench.readings] == [None] * 6


def test_an_extra_that_stands_out_is_flagged_too(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        bench.service.method = bench.service.method.model_copy(
            update={"gloss": bench.service.method.gloss.model_copy(update={"readings": 8})}
        )
        bench.service.measure(bench.trial(), gloss())
        bench.press(90.1, 90.2, 90.3, 90.0, 90.2, 90.1, 90.3, 90.2)
        assert bench.amendments == []
        bench.press(99.0)
        assert [(one.reading, one.what) for one in bench.amendments] == [(bench.readings[8].id, "flagged")]
        assert bench.told("amended") == [f"stands out: {bench.readings[8].flagged}"]


def test_a_refused_pull_is_kept_with_its_reason_and_the_step_goes_on(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        bench.service.measure(bench.trial(), slip())
        bench.pull(2.5, "a")
        bench.snatch(2.5)
        bench.pull(2.6, "c")
        assert len(bench.readings) == 2
        (refusal,) = bench.refusals
        assert refusal.step == slip()
        assert refusal.reasons[0].startswith("too fast")
        assert bench.told("refused") == ["; ".join(refusal.reasons)]


def test_a_cable_that_comes_off_in_mid_pull_costs_that_pull_only(tmp_path: Path) -> None:
    from tests.benches import pull_lines

    with rig(tmp_path) as bench:
        bench.service.measure(bench.trial(), slip())
        bench.pull(2.5, "a")
        bench.say("force", pull_lines(2.5, "b")[:HALF_PULL], every_s=0.01, per_chunk=5)
        bench.lose("force")
        bench.wait(3.0)
        bench.open("force")
        bench.say("force", [b"00.00\r\n"], every_s=0.01)  # the line that was cut by the re-plug
        bench.pull(2.6, "c")
        assert [reading.raw.opening for reading in bench.readings] == [0, 1]
        assert [refusal.reasons for refusal in bench.refusals] == [("interrupted: unplugged",)]
        assert bench.told("lost") == ["unplugged; trying to get it back"]
        assert bench.told("port")[-1] == "back on invented port"


def test_a_step_goes_on_after_a_restart_and_does_not_count_twice(tmp_path: Path) -> None:
    clock = SteppedClock()
    with rig(tmp_path, clock) as bench:
        trial = bench.trial()
        bench.service.measure(trial, gloss())
        bench.press(90.1, 90.2)
    clock.move(60)
    with rig(tmp_path, clock) as again:
        task = again.service.measure(trial, gloss())
        assert again.told("waiting") == ["measure A 1 more times at 60°"]
        again.press(90.3)
        assert task.done
        assert again.told("reading") == ["3 of 3: 90.3 GU (unchecked today)"]
        again.press(90.4)
        assert [reading.extra for reading in again.readings] == [False, False, False, True]
    assert verify(again.home).holds


def test_outliers_left_unflagged_by_a_kill_are_flagged_at_the_next_start(tmp_path: Path) -> None:
    clock = SteppedClock()
    with rig(tmp_path, clock) as bench:
        trial = bench.trial()
        bench.service.measure(trial, gloss())
        bench.press(90.0, 90.0)
        bench.service.rest(bench.service._open["gloss"].task)  # type: ignore[arg-type]
        # The last reading gets into the journal, and the program is killed before it looks for outliers.
        bench.service.measure(trial, gloss())._close = lambda: None  # type: ignore[attr-defined]
        bench.press(97.0)
        assert bench.amendments == []
    clock.move(60)
    with rig(tmp_path, clock) as again:
        task = again.service.measure(trial, gloss())
        assert task.done
        assert [one.what for one in again.amendments] == ["flagged"]
        assert again.told("full") == [
            "bare gloss on A: all 3 were taken before; what comes now is kept as an extra"
        ]


def test_a_reading_says_how_its_gauge_stood(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        bench.service.check("gloss", "tile")
        bench.press(93.1, 93.0, 93.1)
        bench.service.measure(bench.trial(), gloss())
        bench.press(90.1)
        assert bench.readings[0].stamp.state is CalibrationState.IN_TOLERANCE
        assert bench.told("reading") == ["1 of 3: 90.1 GU"]


def logged_strokes(bench: Rig) -> int:
    return strokes_on("t", "A", bench.readings)


def test_strokes_are_logged_in_bunches_up_to_the_stage(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        task = bench.service.measure(bench.trial(), wash(60))
        bench.strokes(101, 159)
        assert logged_strokes(bench) == 51
        assert bench.told("full") == []
        bench.strokes(160, 160)
        assert [reading.value for reading in bench.readings] == [1.0] + [10.0] * 5 + [9.0]
        assert bench.told("full") == ["60 strokes: stop the machine, isolate it, then inspect A"]
        assert not task.done
        bench.wait(7.0)
        assert task.done


def test_no_stroke_is_told_that_is_not_in_the_journal(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        told: list[tuple[int, int]] = []

        def note(said: Note) -> None:
            if said.kind == "strokes" and said.progress is not None:
                told.append((said.progress[0], logged_strokes(bench)))

        bench.service._tell = note
        bench.service.measure(bench.trial(), wash(60))
        bench.strokes(1, 17)
        assert told == [(1, 1), (11, 11)]
        bench.wait(7.0)
        assert told[2:] == [(17, 17)]


def test_strokes_of_a_machine_that_is_stopped_late_all_count(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        task = bench.service.measure(bench.trial(), wash(60))
        bench.strokes(1, 60)
        bench.wait(4.0)
        bench.strokes(61, 70)
        assert not task.done
        bench.wait(7.0)
        assert task.done
        assert logged_strokes(bench) == 70
        assert bench.told("waiting")[-1] == "no stroke for 7 s: the machine stands at 70 strokes"
        assert len(bench.told("full")) == 1


def test_a_machine_that_moves_again_is_waited_for_anew(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        task = bench.service.measure(bench.trial(), wash(60))
        bench.strokes(1, 60)
        bench.wait(7.0)
        assert task.done
        bench.strokes(61, 62)
        assert not task.done
        bench.wait(7.0)
        assert task.done
        assert logged_strokes(bench) == 62


@pytest.mark.parametrize("back", [True, False])
def test_a_counter_that_is_away_is_not_seen_to_stand(tmp_path: Path, back: bool) -> None:
    with rig(tmp_path) as bench:
        task = bench.service.measure(bench.trial(), wash(60))
        bench.strokes(1, 60)
        bench.lose("wash")
        assert "before it was seen to stand still" in bench.told("waiting")[-1]
        bench.wait(60.0)
        assert not task.done
        if back:
            bench.open("wash")
            bench.strokes(64, 64)
            bench.wait(7.0)
            assert task.done
            assert logged_strokes(bench) == 64


@pytest.mark.parametrize("error", [TransportError("the clock jumped"), KeyboardInterrupt(), RuntimeError()])
def test_whatever_ends_the_run_counted_strokes_are_logged(tmp_path: Path, error: BaseException) -> None:
    bench = Rig(lay_out(tmp_path), SteppedClock())
    bench.service.measure(bench.trial(), wash(60))
    bench.strokes(1, 17)
    bench.end(error)
    with bench.home.journal(readonly=True) as journal:
        assert strokes_on("t", "A", readings(journal)) == 17


def test_strokes_beyond_the_stage_count_as_they_were_made(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        trial = bench.trial()
        bench.service.measure(trial, wash(60))
        bench.strokes(1, 64)
        assert logged_strokes(bench) == 64
        said = answers.inspect(bench.service.journal, bench.clock, trial, wash(60), passed=True)
        assert said.strokes == 64
        bench.service.measure(trial, wash(150))
        bench.strokes(65, 66)
        assert bench.told("strokes")[-1].startswith("65 of 150 strokes")


def test_a_stage_that_was_reached_before_asks_only_that_the_machine_stands(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        trial = bench.trial()
        bench.service.measure(trial, wash(60))
        bench.strokes(1, 60)
        task = bench.service.measure(trial, wash(60))
        assert len(bench.told("full")) == 2
        assert not task.done
        bench.wait(7.0)
        assert task.done


def test_strokes_survive_a_counter_that_starts_anew(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        bench.service.measure(bench.trial(), wash(60))
        bench.strokes(101, 113)
        bench.say("wash", [WASH_BANNER], every_s=1.7)
        bench.strokes(1, 12)
        bench.wait(7.0)
        assert bench.told("strokes")[-1].startswith("25 of 60")
        assert logged_strokes(bench) == 25


def test_strokes_made_while_the_port_was_lost_count_when_it_is_back(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        bench.service.measure(bench.trial(), wash(60))
        bench.strokes(1, 13)
        bench.lose("wash")
        assert logged_strokes(bench) == 13
        bench.wait(5.0)
        bench.open("wash")
        bench.strokes(17, 23)
        bench.wait(7.0)
        assert bench.told("strokes")[-1].startswith("23 of 60")
        assert logged_strokes(bench) == 23
        assert verify_closed(bench)


def verify_closed(bench: Rig) -> bool:
    """Whether the journal and the recordings so far agree."""
    report = verify(bench.home)
    assert report.holds, report.faults
    return report.readings_n == len(bench.readings)


def test_after_a_restart_logged_strokes_do_not_count_twice_and_only_an_unlogged_bunch_is_lost(
    tmp_path: Path,
) -> None:
    clock = SteppedClock()
    with rig(tmp_path, clock) as bench:
        trial = bench.trial()
        bench.service.measure(trial, wash(60))
        bench.strokes(1, 27)
        bench.service._open["wash"].task = None  # killed: the last six were not logged
    clock.move(60)
    with rig(tmp_path, clock) as again:
        again.service.measure(trial, wash(60))
        assert "21 of 60 strokes so far" in again.told("waiting")[0]
        again.strokes(28, 37)
        again.wait(7.0)
        assert again.told("strokes")[-1].startswith("31 of 60")
        assert logged_strokes(again) == 31
    assert verify(again.home).holds


def test_an_orderly_end_logs_the_last_strokes(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        task = bench.service.measure(bench.trial(), wash(60))
        bench.strokes(1, 13)
        bench.service.rest(task)
        assert logged_strokes(bench) == 13


def test_a_machine_that_stands_is_told_once_until_it_moves_again(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        bench.service.measure(bench.trial(), wash(60))
        bench.wait(30.0)
        bench.strokes(1, 13)
        for _ in range(4):
            bench.wait(5.0)
        assert bench.told("waiting")[1:] == ["no stroke for 10 s: the machine stands at 13 strokes"]
        assert logged_strokes(bench) == 13
        bench.strokes(14, 20)
        bench.wait(7.0)
        assert len(bench.told("waiting")) == 3


def test_a_count_that_cannot_be_is_refused_and_kept(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        bench.service.measure(bench.trial(), wash(60))
        bench.strokes(1, 3)
        bench.strokes(903, 903)
        assert "not believed" in bench.told("refused")[0]
        assert len(bench.refusals) == 1


def test_a_task_tells_how_far_it_is_as_numbers(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        bench.service.measure(bench.trial(), gloss())
        bench.press(90.1, 90.2)
        assert [note.progress for note in bench.notes if note.progress] == [(0, 3), (1, 3), (2, 3)]


@pytest.mark.parametrize("step", [slip(), gloss()])
def test_a_step_begins_by_saying_what_to_do(tmp_path: Path, step: object) -> None:
    with rig(tmp_path) as bench:
        bench.service.measure(bench.trial(), slip() if step == slip() else gloss())
        (said,) = bench.told("waiting")
        assert "3 times" in said
        assert "A" in said


def test_pulls_of_a_gauge_that_the_method_does_not_let_count_fill_no_step(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        bench.service.check("gloss", "tile", repeats=1)
        bench.press(90.0)
        task = bench.service.measure(bench.trial(), gloss())
        bench.press(90.1, 90.4, 90.2)
        assert not task.done
        assert bench.told("reading", "full") == []
        assert "90.1 GU (out of tolerance): kept, and not counted: gauge gloss was" in bench.told("extra")[0]
        assert [reading.extra for reading in bench.readings] == [False] * 3
        bench.service.rest(task)
        bench.service.check("gloss", "tile", repeats=1)
        bench.press(93.0)
        task = bench.service.measure(trials_of(bench.service.journal)["t"], gloss())
        bench.press(90.1, 90.4, 90.2)
        assert task.done


def test_strokes_of_a_counter_that_the_method_does_not_let_count_reach_no_stage(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        task = bench.service.check("wash", "strokes-10", repeats=1)
        bench.strokes(1, 14)
        bench.wait(30)
        bench.service.rest(task)
        assert bench.told("check")[0].startswith("fail")
        task = bench.service.measure(bench.trial(), wash(60))
        bench.strokes(15, 80)
        bench.wait(10)
        assert not task.done
        assert bench.told("strokes", "full") == []
        assert "stop the machine, check the counter" in bench.told("extra")[0]
        assert sum(reading.value for reading in bench.readings) == 66


def test_a_step_with_an_outlier_that_does_not_count_asks_for_one_more(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        method = bench.service.method
        bench.service.method = method.model_copy(
            update={"outliers": method.outliers.model_copy(update={"count": False})}
        )
        task = bench.service.measure(bench.trial(), gloss())
        bench.press(90.1, 90.1, 97.3)
        assert not task.done
        assert bench.told("waiting")[-1] == "measure A 1 more times at 60°"
        bench.press(90.2)
        assert task.done
        assert [reading.extra for reading in bench.readings] == [False] * 4
