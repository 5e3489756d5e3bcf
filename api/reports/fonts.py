"""The typeface of our papers: Source Sans Pro in two weights, embedded in every document as the subset that it uses.

It comes from the package font-source-sans-pro under the SIL Open Font License 1.1, which allows embedding in documents; it has Latin, Greek
and Cyrillic letters, and digits of equal width. A character that it does not have is printed as its code, such as [U+5DE5]: never as an
empty box, and never left out.
"""

from functools import cache
from importlib.resources import as_file, files
from threading import Lock
from typing import Final

PLAIN: Final = "Restpoint"
BOLD: Final = "RestpointBold"
_FILES: Final = {PLAIN: "SourceSansPro-Regular.ttf", BOLD: "SourceSansPro-Semibold.ttf"}
_LOCK: Final = Lock()


def require_fonts() -> None:
    """Make both weights known to the PDF library. May be called from any thread."""
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    with _LOCK:
        known = pdfmetrics.getRegisteredFontNames()
        for name, file in _FILES.items():
            if name not in known:
                with as_file(files("font_source_sans_pro") / "files" / file) as path:
                    pdfmetrics.registerFont(TTFont(name, str(path)))


def printable(text: str) -> str:
    """Text as it can be printed: control characters and line ends as blanks, what the typeface does not have as its code."""
    known = _characters()
    return "".join(_shown(one, known) for one in text)


def width_of(text: str, size: float, bold: bool) -> float:
    """Points that printable text takes."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    return float(stringWidth(text, BOLD if bold else PLAIN, size))


@cache
def _characters() -> frozenset[int]:
    """Characters that both weights have."""
    from reportlab.pdfbase import pdfmetrics

    require_fonts()
    return frozenset.intersection(*(frozenset(pdfmetrics.getFont(name).face.charToGlyph) for name in _FILES))


def _shown(one: str, known: frozenset[int]) -> str:
    if ord(one) < 0x20 or 0x7F <= ord(one) < 0xA0 or one in "\u2028\u2029":
        return " "
    return one if ord(one) in known else f"[U+{ord(one):04X}]"
