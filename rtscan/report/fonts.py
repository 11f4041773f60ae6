"""Type faces of the PDFs: the standard Helvetica, and a Unicode face for text it cannot show (names in other alphabets)."""

from __future__ import annotations

from functools import cache
from importlib.util import find_spec
from pathlib import Path

_UNICODE = {False: ("RtscanSans", "DejaVuSans.ttf"), True: ("RtscanSans-Bold", "DejaVuSans-Bold.ttf")}


def font(text: str, bold: bool = False) -> str:
    """Name of a registered face that can show `text`."""
    try:
        text.encode("cp1252")
    except UnicodeEncodeError:
        if _register_unicode():
            return _UNICODE[bold][0]
    return "Helvetica-Bold" if bold else "Helvetica"


def printable(text: str) -> str:
    """`text` with the signs that the standard face lacks put in words, so that one sheet keeps one face."""
    for sign, words in (("≤", "at most"), ("≥", "at least"), ("→", "to"), ("−", "-")):
        text = text.replace(sign, words)
    return text


@cache
def _register_unicode() -> bool:
    """Registers the face that comes with matplotlib; False when it is not there."""
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    spec = find_spec("matplotlib")
    if spec is None or spec.origin is None:
        return False
    folder = Path(spec.origin).parent / "mpl-data" / "fonts" / "ttf"
    for name, file in _UNICODE.values():
        if not (folder / file).is_file():
            return False
        pdfmetrics.registerFont(TTFont(name, str(folder / file)))
    plain, bold = _UNICODE[False][0], _UNICODE[True][0]
    pdfmetrics.registerFontFamily(plain, normal=plain, bold=bold, italic=plain, boldItalic=bold)
    return True
