"""Writes a published folder: pages, tables, cards and the bundle, all at once or not at all.

    verify ──> gather ──> pages, data/, cards/, bundle.zip ──> journal ("published") ──> put in place

The folder is made beside its place and moved there whole: nobody ever reads a mixture of old and new.
"""

import json
import os
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from acquire.clock import Clock
from acquire.errors import ConfigError, PanelwrightError
from acquire.home import Home
from acquire.outputs.pages import style
from acquire.outputs.publish.bundle import write_bundle
from acquire.outputs.publish.cards import write_cards
from acquire.outputs.publish.content import Content, gather_content
from acquire.outputs.publish.exports import write_exports
from acquire.outputs.publish.pages import Download, Note, Pages
from acquire.outputs.publish.signing import SigningKey
from acquire.publications import publish
from acquire.scoring.method import Method
from acquire.verification import VerificationReport, verify

MARK = "published.json"
"""Stands in every folder written here; only such a folder is ever replaced."""
FORMAT = "panelwright-site 1"
_HINT = "choose another folder with --out"
_WHAT = {
    "standings.csv": "standings as a table",
    "scores.csv": "points of every test of every trial, as a table",
    "readings.csv": "every reading, as a table",
    "columns.csv": "what the columns of the tables mean, with their units",
    "scorecards.json": "scorecards with every step of their working, for programs",
    "standings.json": "standings with every pair, for programs",
    "standings.parquet": "standings, columns with types and units",
    "scores.parquet": "points, columns with types and units",
    "readings.parquet": "readings, columns with types and units",
}

Watch = Callable[[str], None]
"""Told what is being done, in a few words."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """How a folder is to be written."""

    method: Method
    where: str
    """Where it will be read, as the person puts it."""
    draft: bool = False
    """Nothing goes into the journal, nothing is verified, and there is no bundle."""
    unverified: bool = False
    """Go on although verification fails; every page says so."""
    leave_out_blind: bool = False
    key: SigningKey | None = None
    cards: bool = True
    """Also draw the cards for video."""


def publish_site(
    home: Home, out: Path, clock: Clock, wanted: Wanted, *, watch: Watch = lambda _: None
) -> Path:
    """Publishes a bench into the folder `out`, which is new, empty, or was published before.

    Returns:
        The first page.

    Raises:
        ConfigError: there is nothing to publish, a trial is still blind, the folder holds something else, or
            a file of the bench is missing or faulty.
        PanelwrightError: verification fails, or something cannot be written.
        JournalError: the journal cannot be read or written.
    """
    _must_be_ours(out)
    note = Note(draft=True, faults=(), checked="")
    if not wanted.draft:
        watch("verifying")
        note = _verified(verify(home), go_on=wanted.unverified)
    watch("gathering readings and their bytes")
    content = gather_content(home, wanted.method, draft=wanted.draft, leave_out_blind=wanted.leave_out_blind)
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        with TemporaryDirectory(prefix=f".{out.name}-", dir=out.parent) as beside:
            made = Path(beside) / "new"
            made.mkdir()
            _write(made, home, content, note, wanted, watch)
            if not wanted.draft:
                # Not before all is written: what could not be published must not be said to be.
                _record(home, clock, content, wanted)
            _put_in_place(made, out, Path(beside) / "old")
    except OSError as error:
        raise PanelwrightError(f"{out} cannot be written: {error}", hint=_HINT) from error
    return out / "index.html"


def _must_be_ours(out: Path) -> None:
    if not out.exists():
        return
    if not out.is_dir():
        raise ConfigError(f"{out} is no folder", hint=_HINT)
    try:
        ours = json.loads((out / MARK).read_text(encoding="utf-8"))["format"] == FORMAT
    except (OSError, ValueError, KeyError, TypeError):
        ours = not any(out.iterdir())
    if not ours:
        raise ConfigError(f"{out} holds something else, which would be lost", hint=_HINT)


def _verified(report: VerificationReport, *, go_on: bool) -> Note:
    faults = [str(fault) for fault in report.faults]
    if report.chain.broken is not None:
        faults.insert(0, report.chain.broken.detail)
    if faults and not go_on:
        raise PanelwrightError(
            f"what would be published does not hold: {faults[0]}"
            + (f", and {len(faults) - 1} more" if len(faults) > 1 else ""),
            hint="panelwright verify lists it; --unverified goes on and marks every page",
        )
    checked = (
        f"before publishing: {report.chain.events_n} events, every link holds; "
        f"{report.readings_n} readings and {report.refusals_n} refusals came "
        f"out of {report.recordings_n} recordings the same; "
        f"{report.stamps_n} stamps and {report.checks_n} checks derived again"
    )
    return Note(draft=False, faults=tuple(faults), checked="" if faults else checked)


def _put_in_place(made: Path, out: Path, old: Path) -> None:
    if out.exists():
        os.replace(out, old)
    try:
        os.replace(made, out)
    except OSError:
        if old.exists():
            os.replace(old, out)
        raise


def _write(made: Path, home: Home, content: Content, note: Note, wanted: Wanted, watch: Watch) -> None:
    pages, main = Pages(content, note), content.views[0]
    cards = list(content.cards.values())
    watch("tables")
    taken = list(_listed(made, write_exports(made / "data", content.material, cards, main.ranked)))
    shown: dict[str, list[Download]] = {}
    if wanted.cards:
        watch("cards")
        drawn = write_cards(made / "cards", cards, main.ranked, simulated=bool(content.simulated))
        links = [
            [Download(f"cards/{path.name}", card.title) for path in (card.png, card.svg)] for card in drawn
        ]
        shown = {row.trial: found for row, found in zip(main.ranked.rows, links, strict=False)}
        taken += [link for found in links[len(main.ranked.rows) :] for link in found]
    _put(made, "style.css", style("report.css", "figures.css", "site.css"))
    for file, text in _pages(pages, content, shown, watch):
        _put(made, file, text)
    if not wanted.draft:
        watch("bundle")
        bundle = write_bundle(
            home,
            made,
            wanted.key,
            method=content.method,
            at_seq=content.newest.seq,
            cards=cards,
            ranked=main.ranked,
            unverified=bool(note.faults),
        )
        taken += _vouched(made, bundle, wanted.key)
    _put(made, "index.html", pages.standings(main, taken))
    _put(made, MARK, json.dumps(_about(content, wanted), indent=1) + "\n")


def _pages(
    pages: Pages, content: Content, shown: dict[str, list[Download]], watch: Watch
) -> Iterator[tuple[str, str]]:
    """Every page but the first, with its file name."""
    for view in content.views[1:]:
        yield view.file, pages.standings(view)
    if content.views[0].ranked.pairs:
        yield "differences.html", pages.differences()
    for product, file in content.product_files.items():
        watch(f"page of {product}")
        yield file, pages.product(product, shown.get(product, ()))
    for trial in content.material.trials:
        watch(f"readings of {trial.id}")
        yield content.trial_files[trial.id], pages.trial(trial)
    yield "calibration.html", pages.calibration()
    yield "method.html", pages.method()


def _record(home: Home, clock: Clock, content: Content, wanted: Wanted) -> None:
    with home.journal() as journal:
        publish(
            journal,
            clock,
            where=wanted.where,
            method=content.method,
            cards=list(content.cards.values()),
            ranked=content.by_trial,
            at_seq=content.newest.seq,
        )


def _listed(made: Path, files: Iterable[Path]) -> Iterator[Download]:
    for path in files:
        yield Download(path.relative_to(made).as_posix(), _WHAT.get(path.name, "for programs"))


def _vouched(made: Path, bundle: Path, key: SigningKey | None) -> list[Download]:
    found = [
        Download(
            bundle.name,
            "journal, recordings and method: all it takes to work every figure out again, with "
            f"panelwright verify {bundle.name}. "
            + ("Not signed." if key is None else f"Signed; fingerprint of the key {key.public.fingerprint}."),
        )
    ]
    found += [
        Download(path.name, "public half of the key; a signature says who, not that it is true")
        for path in sorted(made.glob("*.pem"))
    ]
    return found


def _about(content: Content, wanted: Wanted) -> dict[str, object]:
    return {
        "format": FORMAT,
        "where": wanted.where,
        "draft": wanted.draft,
        "method_sha256": content.method.sha256,
        "at_seq": content.newest.seq,
        "head": content.newest.hash,
        "trials": [trial.id for trial in content.material.trials],
    }


def _put(made: Path, name: str, text: str) -> None:
    (made / name).write_text(text, encoding="utf-8")
