"""Bytes of a text file -> text, whichever encoding was chosen; text of others as a terminal may show it."""

from __future__ import annotations

import codecs
import unicodedata
from collections.abc import Iterator

from coilbell.errors import FileError

__all__ = ["harmless", "plain", "text_of"]

_PIECE = 1 << 14
"""Bytes decoded at one time (own choice)."""

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
    content, start, name = plain(content)
    return content[start:].decode(name, errors="replace")


def plain(content: bytes) -> tuple[bytes, int, str]:
    """The text in an encoding whose ASCII signs are one byte each, where it begins, and that encoding's name.

    UTF-16 and UTF-32 are turned into UTF-8, piece by piece; others stay the very bytes. Bytes that are no
    text at all raise FileError.
    """
    if content.startswith(b"\xef\xbb\xbf"):
        for _ in _texts(content, 3, "utf-8", "utf-8-sig"):
            pass
        return content, 3, "utf-8"
    for mark, name in ((b"\xff\xfe\x00\x00", "utf-32"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16")):
        if content.startswith(mark):
            return _in_utf8(content, name), 0, "utf-8"
    even, odd = content[0:400:2].count(0), content[1:400:2].count(0)
    if even or odd:
        if min(even, odd) > 0 or max(even, odd) < len(content[:400]) // 4:
            raise FileError("is not text; export the record as CSV")
        return _in_utf8(content, "utf-16-le" if odd else "utf-16-be"), 0, "utf-8"
    try:
        for _ in _texts(content, 0, "utf-8", "utf-8"):
            pass
    except FileError:
        return content, 0, _one_byte(content)
    return content, 0, "utf-8"


def _in_utf8(content: bytes, name: str) -> bytes:
    found = bytearray()
    for text in _texts(content, 0, name, name):
        found += text.encode("utf-8")
    return bytes(found)


def _texts(content: bytes, start: int, codec: str, name: str) -> Iterator[str]:
    """The text from that byte on in pieces; name: what the encoding is called where the bytes are damaged."""
    decoder = codecs.getincrementaldecoder(codec)()
    for place in range(start, len(content), _PIECE):
        undone = len(decoder.getstate()[0])
        try:
            yield decoder.decode(content[place : place + _PIECE], final=place + _PIECE >= len(content))
        except UnicodeDecodeError as error:
            byte = place - start - undone + error.start
            raise FileError(f"is damaged {name} text at byte {byte}; copy it again") from error


def _one_byte(content: bytes) -> str:
    """A one-byte encoding; only names and units can hold such letters, so a guess does no harm."""
    from charset_normalizer import from_bytes

    strange = b"\n".join(line for line in content[:100_000].splitlines() if not line.isascii())
    best = from_bytes(strange, cp_isolation=["cp1252", "cp850", "cp437", "latin_1"]).best()
    name = best.encoding if best else "latin-1"
    start = content[:2000].decode(name, errors="replace")
    if sum(not (c.isprintable() or c.isspace()) for c in start) > 20:
        raise FileError("is not text; export the record as CSV")
    return name
