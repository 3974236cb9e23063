"""The pages of a published folder: what each shows, from the content that all share."""

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from acquire.model import Test, Trial
from acquire.outputs import budgets, step_words, words
from acquire.outputs.pages import render
from acquire.outputs.places import all_letters, level_letters
from acquire.outputs.publish import names
from acquire.outputs.publish.content import Content, View
from acquire.outputs.publish.figures import Bar, bars
from acquire.outputs.publish.parts import runs_of_trial, shown, steps_of, trial_part
from acquire.outputs.report.page import gauge_lines
from acquire.scoring.lifetime import lifetime, lifetime_in_words
from acquire.scoring.standings import Standing, Standings

LEAST_CHANCE = 0.01
MOST_BARS = 60


@dataclass(frozen=True, slots=True)
class Note:
    """What stands on every page besides its own content."""

    draft: bool
    faults: tuple[str, ...]
    """What verification found wrong; the page says so."""
    checked: str
    """What verification came to, for a person; empty where it was not asked."""


@dataclass(frozen=True, slots=True)
class Download:
    """A file beside the pages."""

    href: str
    what: str


class Pages:
    """Renders every page of one published folder."""

    def __init__(self, content: Content, note: Note) -> None:
        self._content, self._note = content, note

    def standings(self, view: View, downloads: Sequence[Download] = ()) -> str:
        """One table of standings; the main one also says what there is to take along."""
        ranked = view.ranked
        return self._render(
            "site_standings.html",
            view=view,
            ranked=ranked,
            bars=_bars(ranked),
            tests=list(ranked.rows[0].by_test),
            chances_of=_chances,
            level={row.trial: level_letters(row.letters, all_letters(ranked)) for row in ranked.rows},
            coverage=next((f"{100 * row.total.coverage:g}" for row in ranked.rows if row.total), ""),
            downloads=downloads,
            main=view is self._content.views[0],
        )

    def differences(self) -> str:
        """Every pair of the main standings."""
        return self._render("site_differences.html", ranked=self._content.views[0].ranked)

    def product(self, product: str, cards: Sequence[Download] = ()) -> str:
        """One product: all its trials, each with what was measured and what it rests on."""
        content = self._content
        row = next(row for row in content.views[0].ranked.rows if row.trial == product)
        trials = content.products[product]
        runs = [run for one in trials for run in runs_of_trial(content, one)]
        used = [content.cards[one.id] for one in trials]
        return self._render(
            "site_product.html",
            product=product,
            row=row,
            trials=[trial_part(content, one) for one in trials],
            life=lifetime_in_words(lifetime(product, runs)) if len(trials) > 1 and runs else "",
            gauges=gauge_lines(content.material, used),
            chances_of=_chances,
            cards=cards,
        )

    def trial(self, trial: Trial) -> str:
        """Every reading of one trial with its bytes."""
        steps, stamps = steps_of(self._content, trial)
        return self._render("site_trial.html", trial=trial, steps=steps, stamps=stamps)

    def calibration(self) -> str:
        """Gauges, their checks, and the references behind them."""
        return self._render("site_calibration.html")

    def method(self) -> str:
        """The method's text, and what figures rest on besides the readings."""
        return self._render("site_method.html", card=next(iter(self._content.cards.values())))

    def _render(self, template: str, **own: object) -> str:
        return render(
            template,
            content=self._content,
            note=self._note,
            method=self._content.method,
            words=words,
            step_words=step_words,
            budgets=budgets,
            names=names,
            Test=Test,
            shown=shown,
            **own,
        )


def _chances(row: Standing) -> str:
    """Places that are not next to impossible, most likely first: "place 1: 63 %, place 2: 36 %"."""
    often = sorted(row.chances.items(), key=lambda one: (-one[1], one[0]))
    return ", ".join(
        f"place {place}: {100 * chance:.0f} %" for place, chance in often if chance >= LEAST_CHANCE
    )


def _bars(ranked: Standings) -> Markup | None:
    """The ranked rows with their uncertainties as a figure, if they are not too many."""
    rows = [(row, row.total if ranked.test is None else row.by_test[ranked.test]) for row in ranked.rows]
    order = all_letters(ranked)
    drawn = [
        Bar(
            name=row.trial,
            value=points.value,
            low=points.unrounded - points.expanded_uncertainty,
            high=points.unrounded + points.expanded_uncertainty,
            at_least=ranked.test is None and row.status == "at least",
            letters=level_letters(row.letters, order),
        )
        for row, points in rows
        if points is not None and row.place is not None
    ]
    if not 1 < len(drawn) <= MOST_BARS:
        return None
    told = "; ".join(f"{one.name}: {one.low:.3g} to {one.high:.3g}" for one in drawn)
    title = "total, points" if ranked.test is None else f"points for {ranked.test.value}"
    return bars(drawn, title, f"Points with their expanded uncertainties. {told}.")
