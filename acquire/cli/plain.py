"""Output where not every sign can be shown, such as an older Windows console or a pipe from one.

Nothing that was measured may be lost because the place it is printed to knows no "∞": signs it cannot show
are written out, and the command goes on.
"""

import codecs
import io
import sys
import unicodedata

HANDLER = "panelwright-plain"

_WRITTEN_OUT = {
    "∞": "inf",
    "≥": ">=",
    "≤": "<=",
    "±": "+/-",
    "×": "x",
    "µ": "u",
    "°": " deg ",
    "²": "^2",
    "³": "^3",
    "→": "->",
    "−": "-",
    "–": "-",
    "─": "-",
    "━": "-",
    "…": "...",
    "“": '"',
    "”": '"',
}


def plainly(text: str) -> str:
    """The text in ASCII: known signs written out, letters without their accents, anything else as "?"."""
    return "".join(_plain(char) for char in text)


def _plain(char: str) -> str:
    if char.isascii():
        return char
    letter = unicodedata.normalize("NFKD", char).encode("ascii", "ignore").decode()
    return _WRITTEN_OUT.get(char) or letter or "?"


def harmless(text: str) -> str:
    """A stranger's words on one line of a terminal: what would move its cursor, colour it or begin another
    line is written as an escape, so that nobody can print an answer of ours."""
    return "".join(char if char.isprintable() else ascii(char)[1:-1] for char in text)


def _handle(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    return plainly(error.object[error.start : error.end]), error.end


def write_out_what_cannot_be_shown() -> None:
    """Lets stdout and stderr write signs out where their encoding lacks them; UTF-8 stays as it is."""
    codecs.register_error(HANDLER, _handle)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper) and not _is_utf(stream.encoding):
            stream.reconfigure(errors=HANDLER)


def shows_everything() -> bool:
    """Whether stdout can show any sign."""
    return _is_utf(sys.stdout.encoding)


def _is_utf(encoding: str | None) -> bool:
    return (encoding or "").lower().startswith("utf")
