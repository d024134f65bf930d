"""How wide words on the map are, measured. In: a line's words. Out: millimetres, or that nobody knows.

The letters' own widths, in thousandths of their size: of each letter the wider one of two fonts, so that a box made for
its words holds them in both. One is FiraGO, which the PDF files are set in. The other is Helvetica, by the metrics that
Adobe published with its core fonts (AFM); Arial, Liberation Sans and others are made to the same widths, and where a
drawing asks for a sans-serif most screens show one of these. Screens that show a wider one are told to press the words
into what is measured here (``textLength``).
"""

from __future__ import annotations

import unicodedata
from functools import lru_cache

_BEYOND = "·²³°×–—…€£’ßæøÆØ"
_LETTERS = [*map(chr, range(0x20, 0x7F)), *_BEYOND]
_REGULAR = (
    "278 278 399 556 556 889 729 219 333 333 439 584 278 403 278 520 558 556 556 556 556 556 556 556 556 556 278 278 "
    "584 584 584 556 1020 667 667 722 722 667 611 778 722 295 500 667 556 833 722 778 667 778 722 667 611 722 667 944 "
    "667 667 611 322 520 322 540 556 333 556 586 500 590 556 335 556 579 276 277 509 294 850 579 584 586 590 383 500 "
    "361 575 500 722 500 500 500 334 403 334 584 "
    "278 400 400 523 584 556 1000 1000 576 556 228 611 889 611 1000 778"
)
_BOLD = (
    "278 333 474 557 556 889 760 238 333 333 449 584 278 407 278 520 585 556 556 556 565 556 564 556 581 560 333 333 "
    "584 584 584 611 1020 722 722 722 722 667 611 778 722 293 556 722 611 833 722 778 667 778 722 667 611 722 667 944 "
    "667 667 611 333 520 333 584 556 340 556 611 556 611 556 356 611 611 280 280 556 300 889 611 611 611 611 400 556 "
    "386 611 556 778 556 556 500 389 376 389 584 "
    "278 400 400 521 584 556 1000 1000 591 556 278 611 889 611 1000 778"
)
_ITALIC = (
    "278 278 393 556 556 889 723 213 333 333 433 584 278 397 278 514 556 556 556 556 556 556 556 556 556 556 278 278 "
    "584 584 584 556 1015 667 667 722 722 667 611 778 722 292 500 667 556 833 722 778 667 778 722 667 611 722 667 944 "
    "667 667 611 316 514 316 534 556 333 569 576 500 584 556 329 575 573 273 276 542 283 840 572 578 576 571 378 500 "
    "355 568 500 722 500 500 500 334 397 334 584 "
    "278 394 394 517 584 556 1000 1000 570 556 222 611 889 611 1000 778"
)
_WIDTHS = {
    style: dict(zip(_LETTERS, map(int, table.split()), strict=True))
    for style, table in (("", _REGULAR), ("B", _BOLD), ("I", _ITALIC))
}


@lru_cache(maxsize=1 << 16)
def measured_width(words: str, size: float, style: str) -> float | None:
    """
    Width of a line, in the unit of ``size``.

    Parameters
    ----------
    style
        ``""``, ``"B"`` (bold) or ``"I"`` (italic).

    Returns
    -------
    float or None
        None where a letter is none of those measured: what another font has for it, nobody knows.
    """
    widths, total = _WIDTHS[style], 0
    for char in unicodedata.normalize("NFD", words):  # an accent is as wide as its letter is
        if unicodedata.category(char) in {"Cf", "Mn"}:
            continue
        if char not in widths:
            return None
        total += widths[char]
    return total * size / 1000
