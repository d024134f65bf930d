"""Words of any length are cut and wrapped: as their definitions say, by work that grows with the length alone."""

from __future__ import annotations

import random
import re
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from optimiser.documents import canvas_to_pdf, svg, words
from optimiser.documents import summary as summary_module
from optimiser.documents.canvas import Words
from optimiser.documents.drawing_set import DrawingOptions, draw_set
from optimiser.documents.summary import WIDTH, wrapped
from optimiser.documents.svg import cut_middle, cut_to_width, text_width, wrap
from optimiser.documents.words import columns_of, fitted
from tests.documents.sample import courtyard

LONG = 20_000
TEXTS = ["x" * LONG, "ab-" * (LONG // 3), "永" * LONG, "ab cde " * (LONG // 7)]
SIGNS = "iIlmW aAbz09-—…永ش\u0301\u2069 é–\U0001f600"


def some_texts(count: int) -> Iterator[tuple[str, float, float, bool]]:
    rng = random.Random(7)
    for _ in range(count):
        text = "".join(rng.choice(SIGNS) for _ in range(rng.choice([1, 2, 3, 8, 30])))
        yield words.plain(text), rng.uniform(0, 40), rng.uniform(1, 6), rng.random() < 0.5


def test_a_text_is_cut_where_the_longest_beginning_ends_that_fits() -> None:
    for text, width, size, bold in some_texts(400):
        if text_width(text, size, bold=bold) <= width:
            assert cut_to_width(text, width, size, bold=bold) == text
            continue
        begun = [text[:n] for n in range(len(text), -1, -1)]
        longest = next((one for one in begun if text_width(one + "…", size, bold=bold) <= width), "")
        assert cut_to_width(text, width, size, bold=bold) == longest.rstrip() + "…"


def test_both_ends_are_kept_as_long_as_they_fit() -> None:
    for text, width, size, bold in some_texts(400):
        if text_width(text, size, bold=bold) <= width:
            assert cut_middle(text, width, size, bold=bold) == text
            continue
        both = [(text[: n // 2], text[len(text) - (n + 1) // 2 :]) for n in range(len(text), -1, -1)]
        fits = [one for one in both if text_width("…".join(one), size, bold=bold) <= width]
        start, end = fits[0] if fits else ("", "")
        assert cut_middle(text, width, size, bold=bold) == start.rstrip() + "…" + end.lstrip()


def test_lines_hold_all_words_and_no_more_than_fits() -> None:
    for text, width, size, bold in some_texts(400):
        lines = wrap(text, width, size, bold=bold)
        assert "".join(lines).replace(" ", "") == text.replace(" ", "")
        for line in lines:
            assert text_width(line, size, bold=bold) <= width or len(line) == 1


@pytest.mark.parametrize("text", TEXTS, ids=["one word", "hyphens", "wide", "words"])
@pytest.mark.parametrize("cut", [cut_to_width, cut_middle, wrap])
def test_the_signs_of_a_long_text_are_looked_at_a_few_times(
    cut: Callable[..., Any], text: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One long word took a look at every sign for each sign that it was too long by."""
    looks, plain_advance = 0, svg._advance

    def advance(sign: str) -> float:
        nonlocal looks
        looks += 1
        return plain_advance(sign)

    monkeypatch.setattr(svg, "_advance", advance)
    text_width.cache_clear()
    svg._wrapped.cache_clear()
    for width in (0.0, 5.0, 60.0):
        cut(text, width, 3.0)
    assert looks < 40 * LONG


@pytest.mark.parametrize("text", TEXTS, ids=["one word", "hyphens", "wide", "words"])
def test_a_long_text_on_a_terminal(text: str, monkeypatch: pytest.MonkeyPatch) -> None:
    looks = 0

    def columns(part: str) -> int:
        nonlocal looks
        looks += len(part)
        return columns_of(part)

    monkeypatch.setattr(words, "columns_of", columns)
    monkeypatch.setattr(summary_module, "columns_of", columns)
    shown = fitted(text, 20)
    assert columns_of(shown) == 20 and shown.rstrip().endswith("…")
    lines = wrapped(text)
    assert "".join(lines).replace(" ", "") == text.replace(" ", "")
    assert max(map(columns_of, lines)) <= WIDTH
    assert looks < 100 * LONG


def test_a_long_text_in_a_pdf(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each sign 1 wide, the ellipsis too."""
    looks, written = 0, []

    class Pen:
        def width(self, text: str, size: float, style: str) -> float:
            nonlocal looks
            looks += len(text)
            return float(len(text))

        def write(self, x: float, y: float, text: str, *more: object) -> None:
            written.append(text)

    class Pdf:
        def set_text_color(self, colour: str) -> None:
            pass

    monkeypatch.setattr(canvas_to_pdf, "_surely_fits", lambda *_: False)
    for room in (0.5, 1.0, 2.0, 17.0, 99.0, 100.0, 101.0):
        mark = Words(0, 0, "x" * 100, 3.0, room=room)
        canvas_to_pdf._write(Pdf(), Pen(), mark)  # type: ignore[arg-type]
    assert [len(text) for text in written] == [1, 1, 2, 17, 99, 100, 100]
    canvas_to_pdf._write(Pdf(), Pen(), Words(0, 0, "x" * LONG, 3.0, room=50.0))  # type: ignore[arg-type]
    assert written[-1] == "x" * 49 + "…"
    assert looks < 3 * LONG


@pytest.mark.parametrize("size", ["A4", "A3"])
def test_a_warning_longer_than_a_sheet_goes_on_overleaf(size: str) -> None:
    """It ended in a fault. All its words are on the sheets of notes, in order."""
    words_of = [f"w{number}" for number in range(6000)]
    plan = courtyard().model_copy(update={"warnings": [" ".join(words_of), "the last"]})
    pages = draw_set(plan, DrawingOptions(size))
    shown = " ".join(re.findall(">([^<>]+)</text>", "\n".join(page.svg for page in pages)))
    assert re.findall(r"\bw\d+\b", shown) == words_of
    assert "the last" in shown
