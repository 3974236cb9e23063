"""The pages beside the bench view: what they show, what their forms write, and what they refuse."""

from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote

import pytest

from acquire.answers import rule
from acquire.errors import ConfigError, RecordingError
from acquire.facts import facts, read_fact
from acquire.model import Inspection, Rating, RawRef, Reading
from acquire.notebook import MOST_PHOTO_BYTES, notes_of
from acquire.outputs.screen.forms import form_number
from acquire.outputs.screen.listening import Listening
from acquire.outputs.screen.raw_bytes import PART_BYTES, bytes_of, part_of
from acquire.outputs.screen.steps import trial_view
from acquire.outputs.screen.views import routes, setup
from acquire.ports import PortInfo
from acquire.protocol_events import Application, StepEvent
from acquire.trials import trials_of
from tests.benches import MadeBench
from tests.screen_kit import PIXEL, Pages, pages, text_of

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def shown(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[MadeBench, Pages]]:
    """A filled bench that no test writes to."""
    with pages(tmp_path_factory.mktemp("shown")) as one:
        yield one


@pytest.fixture
def led(tmp_path: Path) -> Iterator[tuple[MadeBench, Pages]]:
    """A bench with one trial, opened on its page."""
    with pages(tmp_path, filled=False) as (made, asked):
        opened = asked.post("/trials", NEW | {"form": form_number()})
        assert (opened.status_code, opened.headers["location"]) == (303, "/trial/larch")
        yield made, asked


NEW = {"id": "larch", "product": "Larch wax", "panels": "black-1, white-1", "product_class": "wax"}


def first_reading(made: MadeBench) -> Reading:
    return read_fact(Reading, next(made.journal.events("reading")))


def key_of(made: MadeBench, kind: str, trial: str = "larch") -> str:
    found = trials_of(made.journal)[trial]
    view = trial_view(made.journal, made.bench, made.home.method(), found, made.clock.utc())
    return next(one.key for one in view.steps if one.kind == kind)


def act(
    asked: Pages, key: str, words: dict[str, str], *, data: bool = True
) -> tuple[int, dict[str, list[str]]]:
    """Sends a form of a step; its status, and its faults by field."""
    answer = asked.post(f"/trial/larch/step/{key}", {"form": form_number()} | words, data=data)
    return answer.status_code, answer.json().get("faults", {}) if data else {}


@pytest.mark.parametrize(
    ("path", "says"),
    [
        ("/trials", "Spruce coating"),
        ("/trial/spruce", "Next: Apply the product on white-1"),
        ("/trial/spruce/step/bare-slip/black-1", "2.96 N force doubtful"),
        ("/checks", "Hang weights low"),
        ("/drift/force", "The newest check failed"),
        ("/standings", "Chance of first place"),
        ("/score/fir", "Uncertainty budget of the total"),
        ("/setup", "200 g ± 0.01 g"),
    ],
)
def test_every_page_is_there_without_a_script_and_under_the_strict_policy(
    shown: tuple[MadeBench, Pages], path: str, says: str
) -> None:
    page = shown[1].get(path)
    assert page.status_code == 200
    assert says in text_of(page)
    assert "script-src 'self'" in page.headers["content-security-policy"]
    for inline in ("<script>", "style=", "onclick=", "<style"):
        assert inline not in page.text


def test_what_is_not_there_is_said_in_words(shown: tuple[MadeBench, Pages]) -> None:
    for path in ("/trial/nope", "/trial/larch/step/nope", "/drift/nope", "/score/nope", "/reading/nope"):
        page = shown[1].get(path)
        assert page.status_code == 404
        assert "nope" in text_of(page)


def test_a_reading_is_shown_down_to_its_bytes_then_and_now(shown: tuple[MadeBench, Pages]) -> None:
    made, asked = shown
    reading = first_reading(made)
    page = asked.get(f"/reading/{quote(reading.id, safe='')}")
    event = made.journal.find(reading.id)
    assert event is not None
    assert event.hash in page.text
    assert "not confirmed by a check behind it" in page.text
    assert "confirmed by a check behind it" in page.text
    assert "W-1 (invented)" in page.text
    assert '<svg xmlns="http://www.w3.org/2000/svg"' in page.text
    data = bytes_of(made.home.recordings, reading.raw)
    assert data[:16].hex(" ").upper() in page.text


def test_the_bytes_are_those_of_the_recordings_lines(shown: tuple[MadeBench, Pages]) -> None:
    made, _ = shown
    # Held against the recording's own text, line by line, not against the reader of ours.
    reading = first_reading(made)
    lines = (made.home.recordings / reading.raw.recording).read_text(encoding="utf-8").splitlines()
    received = b"".join(bytes.fromhex(line.split(" < ")[1]) for line in lines if " < " in line)
    raw = reading.raw
    assert bytes_of(made.home.recordings, raw) == received[raw.first_byte : raw.last_byte]
    beyond = RawRef(recording=raw.recording, opening=3, first_byte=0, last_byte=7, ordinal=0)
    with pytest.raises(RecordingError, match="holds 0 of the 7 bytes"):
        bytes_of(made.home.recordings, beyond)


def test_long_bytes_come_in_parts_and_none_is_lost() -> None:
    data = bytes(range(256)) * 17
    parts = [part_of(data, 100, number) for number in (1, 2, 3)]
    assert [(one.number, one.of) for one in parts] == [(1, 3), (2, 3), (3, 3)]
    again = b"".join(bytes.fromhex(row[11:58]) for one in parts for row in one.rows.splitlines())
    assert again == data
    assert parts[1].rows.startswith(f"{100 + PART_BYTES:>9}  ")
    assert part_of(data, 100, 99) == parts[2]


def test_a_sealed_product_stays_unnamed_on_every_page(shown: tuple[MadeBench, Pages]) -> None:
    asked = shown[1]
    page = asked.get("/trial/spring-a")
    assert "Code letter A of spring" in page.text
    for path in ("/trials", "/trial/spring-a", "/trial/spring-b", "/standings", "/score/spring-a"):
        said = asked.get(path).text
        assert "Invented wax" not in said
        assert "Invented coating" not in said


def test_a_ruling_on_a_published_reading_shows_in_the_standings(tmp_path: Path) -> None:
    with pages(tmp_path) as (made, asked):
        assert "an invented film" not in asked.get("/standings").text
        rule(made.journal, made.clock, first_reading(made).id, counts=False, reason="knocked", by="Kim")
        said = text_of(asked.get("/standings"))
        assert "Published in an invented film" in said
        page = asked.get(f"/reading/{quote(first_reading(made).id, safe='')}")
        assert "Ruled out" in page.text
        assert "knocked" in page.text


def test_a_trial_is_opened_once_however_often_its_form_comes(led: tuple[MadeBench, Pages]) -> None:
    made, asked = led
    seq, _ = made.journal.head()
    assert asked.post("/trials", NEW | {"form": form_number()}).status_code == 303
    assert made.journal.head()[0] == seq
    other = asked.post("/trials", NEW | {"form": form_number(), "product": "Fir"}, data=True)
    assert other.json() == {"faults": {"id": ["there is a trial 'larch' already", "choose another id"]}}
    bad = asked.post("/trials", {"form": form_number(), "id": "No!", "product": "x", "panels": " , "})
    assert bad.status_code == 422
    assert 'value="No!"' in bad.text
    assert 'aria-invalid="true"' in bad.text


def test_ratings_and_inspections_are_held_back_unless_begun_early(led: tuple[MadeBench, Pages]) -> None:
    made, asked = led
    key = key_of(made, "rate")
    status, faults = act(asked, key, {"do": "rate", "value": "7"})
    assert (status, list(faults)) == (422, ["early"])
    assert faults["early"][0].startswith("first comes")
    assert act(asked, key, {"do": "rate", "value": "7.25", "early": "on"})[1]["value"] == [
        "7.25 is not on the scale", "from 0 to 10 in steps of 0.5"
    ]  # fmt: skip
    assert list(facts(made.journal, "rating", Rating)) == []
    assert act(asked, key, {"do": "rate", "value": "7.5", "early": "on"})[0] == 200
    assert [one.value for _, one in facts(made.journal, "rating", Rating)] == [7.5]
    assert [(one.step, one.what, one.early) for _, one in facts(made.journal, "step", StepEvent)] == [
        (key, "begun", True)
    ]
    words = {"do": "inspect", "passed": "no", "against_control": "same", "note": "flat", "early": "on"}
    assert act(asked, key_of(made, "inspect"), words)[0] == 200
    found = [one for _, one in facts(made.journal, "inspection", Inspection)]
    assert [(one.passed, one.against_control, one.note) for one in found] == [(False, "same", "flat")]


def test_a_form_sent_again_after_its_answer_was_lost_is_written_once(led: tuple[MadeBench, Pages]) -> None:
    made, asked = led
    key, number = key_of(made, "rate"), form_number()
    words = {"form": number, "do": "rate", "value": "7", "early": "on"}
    for _ in range(2):
        assert asked.post(f"/trial/larch/step/{key}", words, data=True).status_code == 200
    assert [event.id for event, _ in facts(made.journal, "rating", Rating)] == [f"rating.{number}"]
    skip = {"form": form_number(), "do": "skipped", "reason": "no light", "by": "Kim"}
    left_out = key_of(made, "prepare")
    for _ in range(2):
        assert asked.post(f"/trial/larch/step/{left_out}", skip, data=True).status_code == 200
    said = [one for _, one in facts(made.journal, "step", StepEvent) if one.what == "skipped"]
    assert [(one.step, one.reason, one.by) for one in said] == [(left_out, "no light", "Kim")]


def test_what_is_applied_needs_an_amount_and_is_kept_with_it(led: tuple[MadeBench, Pages]) -> None:
    made, asked = led
    key = key_of(made, "apply")
    assert list(act(asked, key, {"do": "apply", "early": "on"})[1]) == ["sprays"]
    assert list(act(asked, key, {"do": "apply", "early": "on", "mass_g": "much"})[1]) == ["mass_g"]
    assert act(asked, key, {"do": "apply", "early": "on", "sprays": "4", "wipe_off_min": "3"})[0] == 200
    found = [one for _, one in facts(made.journal, "application", Application)]
    assert [(one.panel, one.sprays, one.wipe_off_min) for one in found] == [("black-1", 4.0, 3.0)]


def test_a_reason_is_asked_for_and_typed_words_come_back(led: tuple[MadeBench, Pages]) -> None:
    made, asked = led
    key = key_of(made, "prepare")
    page = asked.post(f"/trial/larch/step/{key}", {"form": form_number(), "do": "skipped", "by": "Kim <b>"})
    assert page.status_code == 422
    assert "this is missing" in page.text
    assert "Kim &lt;b&gt;" in page.text
    assert act(asked, key, {"do": "done"})[0] == 200
    assert act(asked, key, {"do": "skipped", "reason": "late"})[0] == 422
    assert act(asked, key, {"do": "voided", "reason": "wrong panel"})[0] == 200
    assert [one.what for _, one in facts(made.journal, "step", StepEvent)] == ["done", "voided"]


@pytest.mark.parametrize("words", [{"do": "burn"}, {}, {"do": "done", "path": "/etc/passwd"}, {"do": "arm"}])
def test_orders_that_are_none_are_refused(led: tuple[MadeBench, Pages], words: dict[str, str]) -> None:
    made, asked = led
    seq, _ = made.journal.head()
    status, faults = act(asked, key_of(made, "prepare"), words)
    assert (status, list(faults)) == (422, [""])
    assert made.journal.head()[0] == seq


def test_a_note_keeps_its_photograph_and_refuses_what_is_none(led: tuple[MadeBench, Pages]) -> None:
    made, asked = led
    words = {"form": form_number(), "text": "haze", "by": "Kim"}
    for _ in range(2):
        files = {"photo": ("../../etc/x.png", PIXEL, "image/png")}
        assert asked.post("/trial/larch/notes", words, files=files).status_code == 303
    (note,) = notes_of(made.journal, "larch")
    assert note.photo is not None
    seen = asked.get(f"/photo/{note.photo.name}")
    assert (seen.content, seen.headers["content-type"]) == (PIXEL, "image/png")
    assert seen.headers["x-content-type-options"] == "nosniff"
    assert asked.get(f"/photo/{'0' * 64}.png").status_code == 404
    assert asked.get("/photo/..%2Fbench.toml").status_code == 404
    for data, said in ((b"<svg>", "no photograph"), (PIXEL.ljust(MOST_PHOTO_BYTES + 1), "10 MB")):
        files = {"photo": ("x.png", data, "image/png")}
        refused = asked.post("/trial/larch/notes", words | {"form": form_number()}, data=True, files=files)
        assert said in refused.json()["faults"]["photo"][0]
    flood = {"photo": ("x.png", bytes(3 * MOST_PHOTO_BYTES), "image/png")}
    assert asked.post("/trial/larch/notes", words, data=True, files=flood).status_code == 422
    assert len(notes_of(made.journal, "larch")) == 1


def test_links_are_shown_once_and_withdrawn(tmp_path: Path) -> None:
    with pages(tmp_path, admissions=True, filled=False) as (_, asked):
        admissions = asked.screen.admissions
        assert admissions is not None
        cookie = {"cookie": f"panelwright={admissions.admit('all', 'tablet')}"}
        origin = cookie | {"origin": "http://127.0.0.1:8460"}
        words = {"form": form_number(), "label": "camera 1"}
        made = asked.call("POST", "/setup/links", data=words, headers=origin)
        link = made.text.split('id="new-link" href="')[1].split('"')[0]
        assert link not in asked.get("/setup", **cookie).text
        assert asked.get(link).status_code == 200
        digest = next(one.digest for one in admissions.known if one.label == "camera 1")
        gone = {"form": form_number(), "digest": digest}
        assert asked.call("POST", "/setup/withdraw", data=gone, headers=origin).status_code == 303
        assert asked.get(link).status_code == 401


def test_only_a_listed_port_without_a_gauge_is_listened_to(tmp_path: Path) -> None:
    with pages(tmp_path, filled=False) as (made, asked):
        begun: list[str] = []

        class Ear(Listening):
            def begin(self, port: PortInfo) -> None:
                begun.append(port.device)

        text = made.home.bench_file.read_text(encoding="utf-8")
        made.home.bench_file.write_text(
            text.replace("tcp://127.0.0.1:2", "serial:/dev/own"), encoding="utf-8"
        )
        ports = [
            PortInfo(
                device=name,
                description="",
                usb_serial_number=None,
                state="not tried",
                address=f"serial:{name}",
            )
            for name in ("/dev/own", "/dev/spare")
        ]
        own = [one for one in routes(asked.screen) if not str(getattr(one, "path", "")).startswith("/setup")]
        asked.routes = own + setup.routes(asked.screen, lambda: ports, Ear(made.clock))
        for device, said in (("/dev/own", "belongs to gloss"), ("/etc/passwd", "no longer there")):
            words = {"form": form_number(), "device": device}
            assert said in asked.post("/setup/listen", words, data=True).json()["faults"][""][0]
        assert begun == []
        assert asked.post("/setup/listen", {"form": form_number(), "device": "/dev/spare"}).status_code == 303
        assert begun == ["/dev/spare"]
        assert asked.get("/setup/listening.json").json() is None


def test_a_check_against_what_the_bench_has_not_is_refused_at_its_form(
    shown: tuple[MadeBench, Pages],
) -> None:
    words = {"form": form_number(), "against": "weight-200g", "repeats": "99"}
    page = shown[1].post("/checks/force", words)
    assert page.status_code == 422
    assert 'name="repeats" type="number" value="99"' in page.text


def test_standings_by_what_is_not_there_say_so(shown: tuple[MadeBench, Pages]) -> None:
    asked = shown[1]
    assert "glue" in asked.get("/standings?product_class=glue").text
    assert asked.get("/standings?by=price").status_code == 404
    assert asked.get("/standings?path=x").status_code == 404


def test_a_step_of_another_trial_is_not_found(shown: tuple[MadeBench, Pages]) -> None:
    made, _ = shown
    trial = trials_of(made.journal)["spruce"]
    view = trial_view(made.journal, made.bench, made.home.method(), trial, made.clock.utc())
    with pytest.raises(ConfigError, match="no step 'slip/p1'"):
        view.step("slip/p1")
