"""Taking over somebody else's archive, which is treated as hostile.

Nothing in it is executed and no name in it becomes a path. In this order, each before the next:

1. the ZIP's own list: number of parts, names of the fixed form, sizes and compression, no encryption,
   no links, no part twice;
2. the manifest: every part named there and no other, sizes and SHA-256 hashes;
3. the parts: layout by type with nothing unknown, words that are safe on a terminal, records and references
   by their own readers with their own hashes, figures that can be shown;
4. only then one transaction, that keeps all of it or nothing.
"""

from __future__ import annotations

import hashlib
import re
import stat
import zipfile
import zlib
from collections.abc import Mapping
from pathlib import Path
from typing import TypeVar

import msgspec

from coilbell.bench.files import recordjson
from coilbell.bench.log.archive import ARCHIVE_SCHEMA, FORMAT, Manifest, Part
from coilbell.bench.log.archivefacts import Parcel, Told, check_told
from coilbell.bench.log.book import Log
from coilbell.bench.log.samples import identity
from coilbell.errors import CoilbellError, FileError
from coilbell.record import Record
from coilbell.winding import Reference, decode

__all__ = ["MOST_BYTES", "MOST_PARTS", "open_parcel", "take_over"]

MOST_PARTS = 20_000
MOST_BYTES = 2_000_000_000
"""Largest archive, unpacked [bytes]."""

_PART_BYTES = 256_000_000
_RATIO = 200
"""Unpacked over packed size from which a part is taken for a decompression bomb; records have 10."""

_NAMES = re.compile(
    r"manifest\.json|log\.json|(captures|references)/[1-9]\d{0,5}\.json|photos/[1-9]\d{0,5}\.(jpe?g|png|webp)"
)
_MAGIC = {".png": b"\x89PNG\r\n\x1a\n", ".jpg": b"\xff\xd8\xff", ".jpeg": b"\xff\xd8\xff", ".webp": b"RIFF"}


class _Head(msgspec.Struct):
    format: str
    schema: int


_UNSOUND = (
    zipfile.BadZipFile,
    zipfile.LargeZipFile,
    zlib.error,
    NotImplementedError,
    RuntimeError,
    EOFError,
    ValueError,
    OverflowError,
)
"""What reading a ZIP file raises that is none, is damaged, or packed as no export packs."""

_Shape = TypeVar("_Shape", bound=msgspec.Struct)


def take_over(log: Log, path: Path, prefix: str = "") -> list[str]:
    """Keep an archive's items in the log; returns their names.

    prefix: put before each name. Raises FileError for an archive that breaks a rule, InputError when a
    name is taken; then nothing is kept.
    """
    from coilbell.bench.log.archivefacts import keep_parcel

    return keep_parcel(log, open_parcel(path), prefix)


def open_parcel(path: Path) -> Parcel:
    """The archive's content, checked. Raises FileError."""
    try:
        if path.exists() and not (path.is_file() and path.stat().st_size <= MOST_BYTES):
            raise FileError("is no file of an archive's size")
        with path.open("rb") as stream:
            sha256 = hashlib.file_digest(stream, "sha256").hexdigest()
            with zipfile.ZipFile(stream) as archive:
                return _parcel(archive, f"{path.name} (sha256 {sha256[:16]})")
    except OSError as error:
        raise FileError(f"{path}: cannot be read: {error.strerror or error}") from error
    except CoilbellError as error:
        raise FileError(f"{path}: {error}; nothing was taken over") from error
    except _UNSOUND as error:
        words = " ".join(str(error).split())[:160]
        raise FileError(f"{path}: is no sound ZIP file ({words}); ask for it again") from error


def _parcel(archive: zipfile.ZipFile, origin: str) -> Parcel:
    parts = _content(archive)
    told = _decoded(parts["log.json"], Told, "log.json")
    records: dict[str, tuple[Record, ...]] = {}
    references: dict[str, Reference] = {}
    for name, content in parts.items():
        if name.startswith("captures/"):
            records[name] = tuple(recordjson.decode(content))
        elif name.startswith("references/"):
            references[name] = decode(_text(content, name))
        elif name.startswith("photos/") and not content.startswith(_MAGIC[Path(name).suffix]):
            raise FileError(f"{name} is no {Path(name).suffix[1:]} picture")
    for item in told.items:
        for capture in item.captures:
            if capture.records not in records:
                raise FileError(f"{item.name[:80]!r}: {capture.records[:80]!r} is not in the archive")
            if identity(records[capture.records]) != capture.sha256:
                raise FileError(f"{capture.records}: its records do not match the hash they were kept with")
    photos = {name: content for name, content in parts.items() if name.startswith("photos/")}
    parcel = Parcel(origin, told, records, references, photos)
    check_told(parcel)
    return parcel


def _content(archive: zipfile.ZipFile) -> dict[str, bytes]:
    """All parts but the manifest, with sizes and hashes as it says."""
    infos = _listed(archive)
    if "manifest.json" not in infos or "log.json" not in infos:
        raise FileError("is no coilbell archive; give a file made by `coilbell log export`")
    raw = _read(archive, infos.pop("manifest.json"))
    head = _decoded(raw, _Head, "manifest.json")
    if head.format != FORMAT:
        raise FileError(f"calls itself {head.format[:40]!r}, not {FORMAT!r}")
    if head.schema not in (1, ARCHIVE_SCHEMA):
        raise FileError(
            f"has archive schema {head.schema}, this version knows {ARCHIVE_SCHEMA}; update coilbell"
        )
    manifest = _decoded(raw, Manifest, "manifest.json")
    if set(manifest.parts) != set(infos):
        odd = sorted(set(manifest.parts) ^ set(infos))[0]
        raise FileError(f"{odd[:80]!r} stands only in the manifest or only in the archive")
    return {name: _verified(archive, info, manifest.parts) for name, info in infos.items()}


def _listed(archive: zipfile.ZipFile) -> dict[str, zipfile.ZipInfo]:
    infos = archive.infolist()
    if len(infos) > MOST_PARTS:
        raise FileError(f"holds {len(infos)} parts, more than {MOST_PARTS}")
    if sum(info.file_size for info in infos) > MOST_BYTES:
        raise FileError(f"unpacks to more than {MOST_BYTES / 1e9:.0f} GB")
    found: dict[str, zipfile.ZipInfo] = {}
    for info in infos:
        _check_info(info)
        if info.filename in found:
            raise FileError(f"holds {info.filename} twice")
        found[info.filename] = info
    return found


def _check_info(info: zipfile.ZipInfo) -> None:
    name = info.filename
    if not _NAMES.fullmatch(name):
        raise FileError(f"holds a part named {name[:80]!r}, which no export writes")
    if info.flag_bits & 0x1:
        raise FileError(f"{name} is encrypted")
    if stat.S_IFMT(info.external_attr >> 16) not in (0, stat.S_IFREG):
        raise FileError(f"{name} is no plain file")
    if info.file_size > _PART_BYTES or info.file_size > _RATIO * max(info.compress_size, 1000):
        raise FileError(f"{name} claims {info.file_size:,} bytes unpacked from {info.compress_size:,}")


def _read(archive: zipfile.ZipFile, info: zipfile.ZipInfo) -> bytes:
    with archive.open(info) as stream:
        content = stream.read(info.file_size + 1)
    if len(content) != info.file_size:
        raise FileError(f"{info.filename} is not as long as it says")
    return content


def _verified(archive: zipfile.ZipFile, info: zipfile.ZipInfo, stated: Mapping[str, Part]) -> bytes:
    content, part = _read(archive, info), stated[info.filename]
    if len(content) != part.bytes or hashlib.sha256(content).hexdigest() != part.sha256:
        raise FileError(f"{info.filename} does not match its hash: it was damaged or edited")
    return content


def _decoded(content: bytes, shape: type[_Shape], name: str) -> _Shape:
    try:
        return msgspec.json.decode(content, type=shape)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise FileError(
            f"{name} is not laid out as it should be: {' '.join(str(error).split())[:160]}"
        ) from error


def _text(content: bytes, name: str) -> str:
    try:
        return content.decode("utf-8")
    except UnicodeDecodeError as error:
        raise FileError(f"{name} is not text") from error
