"""Boxes of labels are as wide as their words: by the fonts' own tables, and in what is drawn."""

from __future__ import annotations

import io
from importlib import import_module
from xml.etree import ElementTree

import pytest
from fontTools.ttLib import TTFont
from fpdf.fonts import CORE_FONTS_CHARWIDTHS

from optimiser.documents import measured
from optimiser.documents.drawing import draw_plan
from optimiser.documents.measured import measured_width
from tests.documents.sample import courtyard, with_names

SVG = "{http://www.w3.org/2000/svg}"
FACES = {"": ("FiraGO_Regular", "helvetica"), "B": ("FiraGO_Bold", "helveticaB"), "I": ("FiraGO_Italic", "helveticaI")}


@pytest.mark.parametrize("style", FACES)
def test_each_letter_is_as_wide_as_the_wider_font_has_it(style: str) -> None:
    """FiraGO's own table, and Helvetica's from Adobe's core metrics, as fpdf2 carries them."""
    face, core = FACES[style]
    font = TTFont(io.BytesIO(import_module(f"pymupdf_fonts.{face}").fontbuffer))
    names, widths = font.getBestCmap(), font["hmtx"]
    assert font["head"].unitsPerEm == 1000
    for letter in measured._LETTERS:
        other = CORE_FONTS_CHARWIDTHS[core][letter.encode("cp1252").decode("latin-1")]
        assert measured_width(letter, 1000, style) == max(widths[names[ord(letter)]][0], other), letter


def test_accents_take_no_room_and_what_is_not_measured_is_not_guessed() -> None:
    assert measured_width("Gärtenhäuser", 3, "") == measured_width("Gartenhauser", 3, "")
    assert measured_width("\u2068L01\u2069", 3, "B") == measured_width("L01", 3, "B")
    for words in ("庭", "сад", "حديقة", "L01 庭"):
        assert measured_width(words, 3, "") is None


def labels_of(svg: str) -> list[tuple[float, list[ElementTree.Element]]]:
    """Width of the box and the lines of each label."""
    [labels] = [group for group in ElementTree.fromstring(svg).iter(f"{SVG}g") if group.get("id") == "labels"]
    found = []
    for one in labels:
        if (box := one.find(f"{SVG}rect")) is not None:
            found.append((float(box.get("width", "")), one.findall(f"{SVG}text")))
    return found


def test_a_label_is_as_wide_as_its_widest_line() -> None:
    labels = labels_of(draw_plan(courtyard()))
    assert len(labels) > 40
    for width, lines in labels:
        widths = []
        for line in lines:
            style = "B" if line.get("font-weight") == "bold" else "I" if line.get("font-style") == "italic" else ""
            known = measured_width("".join(line.itertext()), float(line.get("font-size", "")), style)
            assert known is not None
            assert float(line.get("textLength", "")) == pytest.approx(known, rel=0.005)  # the size is written rounded
            assert line.get("lengthAdjust") == "spacingAndGlyphs"
            widths.append(known)
        assert max(widths) < width < 1.005 * max(widths) + 1.01, "half a millimetre beside the words at most"


def test_words_in_other_letters_are_pressed_into_nothing() -> None:
    """Arabic letters join, and nobody knows how wide: a stated length would pull them apart."""
    labels = labels_of(draw_plan(with_names(courtyard(), lambda name: f"حديقة {name}")))
    lines = [line for _, lines in labels for line in lines if "حديقة" in "".join(line.itertext())]
    assert lines and not any(line.get("textLength") for line in lines)
