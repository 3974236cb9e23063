"""Cards for video: transparent beside their plate, legible on it, and they say what the pages say."""

import re
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from matplotlib.colors import to_rgb
from matplotlib.font_manager import FontProperties
from matplotlib.image import imread
from matplotlib.textpath import TextPath
from numpy.typing import NDArray

from acquire.errors import PanelwrightError
from acquire.model import Test as Kind
from acquire.outputs import words
from acquire.outputs.publish.cards import Card, write_cards
from acquire.outputs.publish.plates import (
    HEIGHT_PX,
    MARK,
    PLATE,
    PLATE_OPACITY,
    QUIET,
    WIDTH_PX,
    WRITING,
    shown,
    width_px,
    wrapped,
)
from acquire.scoring.results import Points, Score, Scorecard, Screening, Total
from acquire.scoring.standings import Standing, Standings
from tests.publish_kit import ODD_NAME, Published, publish, published_bench

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def published(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Published]:
    with published_bench(tmp_path_factory.mktemp("made") / "bench") as made:
        yield publish(made)


@pytest.fixture(scope="module")
def cards(published: Published, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Card]:
    folder = tmp_path_factory.mktemp("cards")
    return {card.name: card for card in write_cards(folder, published.cards, published.ranked)}


def pixels(card: Card) -> NDArray[np.float64]:
    return np.asarray(imread(card.png), dtype=np.float64)


@pytest.mark.slow
def test_a_card_for_each_row_and_one_for_all(cards: dict[str, Card]) -> None:
    assert sorted(cards) == ["card-alder", "card-birch", "card-control", "standings-1"]
    assert all(card.png.is_file() and card.svg.is_file() for card in cards.values())


@pytest.mark.parametrize("name", ["card-alder", "standings-1"])
def test_a_png_is_clear_beside_its_plate_and_dense_on_it(cards: dict[str, Card], name: str) -> None:
    image = pixels(cards[name])
    assert image.shape == (HEIGHT_PX, WIDTH_PX, 4)
    alpha = image[..., 3]
    assert alpha[:300].max() == 0.0
    assert alpha[:, :60].max() == alpha[:, 1860:].max() == alpha[1020:].max() == 0.0
    # A pixel of the plate between the last line of writing and its edge.
    assert alpha[1010, 960] == pytest.approx(PLATE_OPACITY, abs=1 / 255)
    on_plate = alpha[700:1000, 100:1800]
    assert on_plate.min() == pytest.approx(PLATE_OPACITY, abs=1 / 255)
    assert on_plate.max() == 1.0


def contrast(one: NDArray[np.float64], other: NDArray[np.float64]) -> float:
    """Contrast ratio of two colours; WCAG 2.2, definitions of contrast ratio and relative luminance (from
    memory)."""

    def luminance(colour: NDArray[np.float64]) -> float:
        linear = np.where(colour <= 0.04045, colour / 12.92, ((colour + 0.055) / 1.055) ** 2.4)
        return float(linear @ [0.2126, 0.7152, 0.0722])

    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize("behind", ["black", "white", "red", "#00ff00", "blue", "yellow", "#808080"])
def test_writing_stays_legible_over_any_video(behind: str) -> None:
    plate, video = np.array(to_rgb(PLATE)), np.array(to_rgb(behind))
    under = PLATE_OPACITY * plate + (1 - PLATE_OPACITY) * video
    # 7 : 1 is what WCAG 2.2, 1.4.6 asks of text; 3 : 1 what 1.4.11 asks of marks (from memory).
    assert contrast(np.array(to_rgb(WRITING)), under) >= 7
    assert contrast(np.array(to_rgb(QUIET)), under) >= 7
    assert contrast(np.array(to_rgb(MARK)), under) >= 3


@pytest.mark.parametrize("name", ["card-alder", "standings-1"])
def test_an_svg_is_as_large_and_needs_no_font(cards: dict[str, Card], name: str) -> None:
    root = ET.fromstring(cards[name].svg.read_bytes())
    assert (root.get("width"), root.get("height")) == (str(WIDTH_PX), str(HEIGHT_PX))
    assert root.get("role") == "img"
    assert root.get("aria-label") == root.findtext(f"{SVG}title") == cards[name].title
    assert not list(root.iter(f"{SVG}text"))
    assert not list(root.iter(f"{SVG}image"))
    # The whole frame is not filled: nothing but plates hides the video.
    filled = [
        path.get("d", "")
        for path in root.iter(f"{SVG}path")
        if "fill: #ffffff; stroke" in path.get("style", "")
    ]
    assert not [path for path in filled if re.match(r"M 0 810\b", path)]


def test_a_card_says_what_the_scorecard_says(cards: dict[str, Card], published: Published) -> None:
    row = next(row for row in published.ranked.rows if row.trial == "alder")
    card = published.cards[0]
    title = cards["card-alder"].title
    assert row.total is not None
    total = words.total_of(row.total, row.by_test.values(), row.status)
    assert (
        f"{ODD_NAME}: {total} {words.plus_minus(row.total).strip()} points, place {row.place} of 2" in title
    )
    assert "Cannot be told from Product Birch (invented)." in title
    for score in card.scores:
        assert f"{words.title_of(score.test)}: {words.with_uncertainty(score.points, score.status)}" in title


def test_a_lower_limit_and_an_untreated_control_are_called_so(cards: dict[str, Card]) -> None:
    assert "Wash endurance: ≥ " in cards["card-birch"].title
    assert "points so far, untreated control; wash endurance missing" in (cards["card-control"].title)


@pytest.mark.slow
def test_the_same_figures_give_the_same_bytes(
    cards: dict[str, Card], published: Published, tmp_path: Path
) -> None:
    for card in write_cards(tmp_path, published.cards, published.ranked):
        assert card.png.read_bytes() == cards[card.name].png.read_bytes()
        assert card.svg.read_bytes() == cards[card.name].svg.read_bytes()


def points(value: float) -> Points:
    return Points(
        value=value,
        text=f"{value:.1f}",
        unrounded=value,
        standard_uncertainty=0.5,
        unit="points",
        effective_degrees_of_freedom=None,
        coverage=0.95,
        coverage_factor=2.0,
        expanded_uncertainty=1.0,
        budget=(),
    )


SCREENING = Screening(
    detected=False,
    words="no effect detected at this sensitivity (smallest detectable 2.1 %)",
    effect=0.1,
    standard_uncertainty=0.5,
    expanded_uncertainty=1.0,
    coverage=0.95,
    critical=1.0,
    smallest_detectable=2.1,
    alpha=0.05,
    beta=0.05,
    effective_degrees_of_freedom=None,
    budget=(),
)


def invented(names: list[str]) -> tuple[list[Scorecard], Standings]:
    """Rows with slip and UV screening, in falling order."""
    cards, rows = [], []
    for index, name in enumerate(names):
        trial, total = f"t-{index}", points(90.0 - index)
        scores = (
            Score(
                test=Kind.SLIP,
                status="given",
                reasons=(),
                points=total,
                panels=(),
                used=(),
                left_out=(),
            ),
            Score(
                test=Kind.UV,
                status="given",
                reasons=(),
                points=points(0.0),
                panels=(),
                used=(),
                left_out=(),
                screening=SCREENING,
            ),
        )
        card = Scorecard(
            trial=trial,
            method_title="invented",
            method_sha256="ab" * 32,
            scores=scores,
            total=Total(status="complete", points=total, missing=()),
            assumptions=(),
        )
        cards.append(card)
        rows.append(
            Standing(
                place=index + 1,
                trial=trial,
                status="complete",
                total=total,
                missing=(),
                by_test={Kind.SLIP: total, Kind.UV: points(0.0)},
                level_with=(),
                product=name,
                trials=(trial,),
            )
        )
    return cards, Standings(method_title="invented", method_sha256="ab" * 32, rows=tuple(rows))


@pytest.mark.slow  # draws twelve cards, each in two forms
def test_many_rows_take_several_cards_on_one_scale(tmp_path: Path) -> None:
    cards, ranked = invented([f"Invented {index}" for index in range(10)])
    written = {card.name: card for card in write_cards(tmp_path, cards, ranked, simulated=True)}
    assert "standings-3" not in written
    assert "Standings, 1 of 2: Invented 0, place 1 of 10" in written["standings-1"].title
    assert "Invented 9" in written["standings-2"].title
    assert all(card.title.startswith("Simulated. ") for card in written.values())
    # The word stands on a plate of its own, in a colour that nothing else on the card is filled with.
    assert [0.902, 0.624, 0.0, 1.0] in pixels(written["card-t-0"])[440, 80:400].round(3).tolist()


@pytest.mark.slow
def test_screening_is_shown_in_its_words_and_not_as_points_alone(tmp_path: Path) -> None:
    cards, ranked = invented(["Invented"])
    (card, _) = write_cards(tmp_path, cards, ranked)
    assert f"UV screening: {SCREENING.words}; 0.0 ± 1.0 points" in card.title
    assert "…" not in "".join(wrapped(f"{SCREENING.words}; 0.0 ± 1.0 points", 24, 560, 2))


@pytest.mark.slow
def test_products_of_one_name_are_told_apart_by_their_trial(tmp_path: Path) -> None:
    titles = [card.title for card in write_cards(tmp_path, *invented(["Same", "Same"]))]
    assert titles[0].startswith("Same (t-0): ")
    assert titles[1].startswith("Same (t-1): ")


def test_a_sign_the_font_lacks_becomes_one_that_it_has() -> None:
    assert shown("Wachs é ± 漢") == "Wachs é ± \N{REPLACEMENT CHARACTER}"
    assert shown("two\nlines\x00") == "two lines "


def test_long_names_are_wrapped_and_cut_never_wider_than_their_room() -> None:
    lines = wrapped("Wax " * 40, 50, 700, 2, "bold")
    word = wrapped("W" * 200, 50, 700, 2, "bold")
    assert len(lines) == 2
    # Measured anew by the outlines that matplotlib would draw.
    bold = FontProperties(family="DejaVu Sans", weight="bold")
    drawn = [TextPath((0, 0), line, size=50, prop=bold).get_extents().x1 for line in (*lines, *word)]
    assert 600 < max(drawn) <= 700
    assert width_px(lines[0], 50, "bold") == pytest.approx(drawn[0], rel=0.03)
    assert lines[-1].endswith("…")
    assert word[0].endswith("…")


def test_a_folder_that_cannot_be_made_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(PanelwrightError, match="cards cannot be written"):
        write_cards(tmp_path / "file" / "cards", *invented(["Invented"]))
