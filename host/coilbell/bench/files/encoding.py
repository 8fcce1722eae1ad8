"""Bytes of a text file -> text, whichever encoding was chosen; text of others as a terminal may show it."""

from __future__ import annotations

import unicodedata

from coilbell.errors import FileError

__all__ = ["harmless", "text_of"]

_JOINERS = "\u00ad\u200c\u200d"
"""Marks of writing that steer nothing: where a word may be broken, where letters join."""


def harmless(text: str) -> str:
    """The text with what would steer a terminal written as an escape: names in files are other people's.

    That is control characters but line feed and tab, marks that turn the direction of writing round or show
    nothing, line and paragraph separators, and halves of characters (general categories Cc, Cf, Cs, Zl, Zp of
    the Unicode standard).
    """
    if text.isprintable():
        return text
    return "".join(ascii(letter)[1:-1] if _steers(letter) else letter for letter in text)


def _steers(letter: str) -> bool:
    if letter in "\n\t" or letter in _JOINERS:
        return False
    return unicodedata.category(letter) in ("Cc", "Cf", "Cs", "Zl", "Zp")


def text_of(content: bytes) -> str:
    """Decoded text. Bytes that are no text at all raise FileError."""
    for mark, name in (
        (b"\xef\xbb\xbf", "utf-8-sig"),
        (b"\xff\xfe\x00\x00", "utf-32"),
        (b"\xff\xfe", "utf-16"),
        (b"\xfe\xff", "utf-16"),
    ):
        if content.startswith(mark):
            return _decoded(content, name)
    even, odd = content[0:400:2].count(0), content[1:400:2].count(0)
    if even or odd:
        if min(even, odd) > 0 or max(even, odd) < len(content[:400]) // 4:
            raise FileError("is not text; export the record as CSV")
        return _decoded(content, "utf-16-le" if odd else "utf-16-be")
    try:
        return content.decode("utf-8")
    except UnicodeDecodeError:
        return _one_byte(content)


def _decoded(content: bytes, name: str) -> str:
    try:
        return content.decode(name)
    except UnicodeDecodeError as error:
        raise FileError(f"is damaged {name} text at byte {error.start}; copy it again") from error


def _one_byte(content: bytes) -> str:
    """Text in a one-byte encoding; only names and units can hold such letters, so a guess does no harm."""
    from charset_normalizer import from_bytes

    strange = b"\n".join(line for line in content[:100_000].splitlines() if not line.isascii())
    best = from_bytes(strange, cp_isolation=["cp1252", "cp850", "cp437", "latin_1"]).best()
    text = content.decode(best.encoding if best else "latin-1", errors="replace")
    if sum(not (c.isprintable() or c.isspace()) for c in text[:2000]) > 20:
        raise FileError("is not text; export the record as CSV")
    return text
