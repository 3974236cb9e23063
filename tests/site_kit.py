"""A bench with something of everything to publish, and what tests ask of the written pages."""

from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote

from acquire.home import Home
from acquire.model import Test as Kind
from acquire.outputs.publish.site import Wanted, publish_site
from acquire.protocol_events import Application
from tests.benches import MadeBench
from tests.manual_clock import ManualClock

ODD_NAME = "Wax <b>& Co</b> (invented)"
VOID = {"meta", "link", "br", "img", "input", "hr", "col", "wbr"}


def fill(made: MadeBench) -> None:
    """Two products, one of them twice, and an untreated control; a check before and one behind."""
    made.check_force()
    trials = (
        ("alder", ODD_NAME, 2.0),
        ("birch", "Sealant (invented)", 2.2),
        ("birch-2", "Sealant (invented)", 2.3),
    )
    for trial, product, treated_n in (*trials, ("control", "Untreated (invented)", 3.0)):
        made.begin(trial, product, control=trial == "control")
        made.slip(trial, "A", "bare", [3.0, 3.2, 3.1], refused=1)
        made.slip(trial, "A", "treated", [treated_n, treated_n + 0.1, treated_n - 0.1, treated_n])
        made.gloss(trial, "A", "bare", [91.0, 90.8, 91.2])
        made.gloss(trial, "A", "treated", [93.0, 92.8, 93.2])
        made.rate(trial, Kind.APPEARANCE, "A", 8.0, f"rating.a.{trial}")
        if trial != "control":
            made.rate(trial, Kind.HANDLING, "A", 7.5, f"rating.h.{trial}")
        made.wash(trial, "A", 60, 60, passed=trial != "control")
    made.wash("birch", "A", 150, 150, passed=False)
    made.write(
        "application",
        Application(id="application.1", trial="alder", panel="A", sprays=3, t_utc=made.clock.utc()),
        "application.1",
    )
    made.check_force()


def wanted(
    home: Home, *, draft: bool = False, unverified: bool = False, leave_out_blind: bool = False
) -> Wanted:
    return Wanted(
        home.method(),
        "a test",
        draft=draft,
        unverified=unverified,
        leave_out_blind=leave_out_blind,
        cards=False,
    )


def write_draft(made: MadeBench, out: Path) -> Path:
    publish_site(made.home, out, ManualClock(), wanted(made.home, draft=True))
    return out


class Page(HTMLParser):
    """One page: its elements, its words, and whether it is well formed."""

    def __init__(self, path: Path) -> None:
        super().__init__()
        self.path = path
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.faults: list[str] = []
        self.words = ""
        self._open: list[str] = []
        self.feed(path.read_text(encoding="utf-8"))
        self.faults += [f"never closed: {tag}" for tag in self._open]
        self.words = " ".join(self.words.split())

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self._open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        if not self._open or self._open.pop() != tag:
            self.faults.append(f"closed out of turn: {tag} at {self.getpos()}")

    def handle_data(self, data: str) -> None:
        self.words += data

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.tags if name == tag]

    @property
    def ids(self) -> list[str]:
        return [str(attributes["id"]) for _, attributes in self.tags if "id" in attributes]

    @property
    def leads_to(self) -> list[tuple[Path, str]]:
        """File and place of every link, script, style sheet and picture."""
        said = [attributes.get(name) for _, attributes in self.tags for name in ("href", "src", "xlink:href")]
        parts = [one.partition("#") for one in said if one is not None]
        return [
            ((self.path.parent / unquote(file)) if file else self.path, unquote(place))
            for file, _, place in parts
        ]


def pages_in(folder: Path) -> dict[str, Page]:
    return {path.name: Page(path) for path in sorted(folder.glob("*.html"))}
