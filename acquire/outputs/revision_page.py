"""A revision as one page that needs nothing else to be read."""

from pathlib import Path

from acquire.bench import Bench
from acquire.facts import facts
from acquire.home import Home
from acquire.journal import Journal
from acquire.model import StreamStart
from acquire.outputs import revision_words, words
from acquire.outputs.pages import put, render, said_simulated, style
from acquire.revision import Revision

MOST_ROWS = 500
"""Trials that moved furthest up the page; beyond, a browser would be slow. --json has all."""


def write_revision(home: Home, bench: Bench, journal: Journal, revision: Revision, out: Path) -> Path:
    """Writes the page; what stands at `out` is replaced.

    Returns:
        The page.

    Raises:
        JournalError: the journal cannot be read.
        PanelwrightError: it cannot be written.
    """
    moves = revision.trials[:MOST_ROWS]
    text = render(
        "revision.html",
        words=words,
        said=revision_words,
        bench=bench,
        revision=revision,
        moves=moves,
        more_n=len(revision.trials) - len(moves),
        tests=revision_words.tests_of(revision),
        simulated=said_simulated(home, bench, (start for _, start in facts(journal, "stream", StreamStart))),
        css=style("report.css", "revision.css"),
    )
    put(out, text, hint="choose another file with --out")
    return out
