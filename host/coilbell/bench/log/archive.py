"""Items as one file to hand on: a ZIP whose every part is hashed in its manifest.

::

    manifest.json          {"format": "coilbell archive", "schema": 1, "made_utc": ..., "versions": {...},
                            "parts": {"log.json": {"bytes": 5120, "sha256": "..."}, ...}}
    log.json               items with captures, fits, judgements, worksheet entries, notes, photos,
                           outcomes, trends and history (what was taken back too); parts named as below
    captures/1.json        the records of one capture, in our own record file format
    references/1.json      a reference, as `coilbell reference export` writes it
    photos/1.jpg           a picture, where the file was still there and unchanged

Two exports of the same rows differ only in `made_utc`. `arrival` takes such a file over again.
"""

from __future__ import annotations

import hashlib
import json
import zipfile
from collections.abc import Sequence
from pathlib import Path

from coilbell.bench.facts.base import Count, Facts, plain
from coilbell.bench.facts.item import PhotoFacts
from coilbell.bench.files import recordjson
from coilbell.bench.log.admission import file_hash, utc_now
from coilbell.bench.log.archivefacts import (
    Told,
    ToldCapture,
    ToldFit,
    ToldItem,
    ToldJudgement,
    ToldNote,
    ToldOutcome,
    ToldPhoto,
)
from coilbell.bench.log.book import Log
from coilbell.bench.log.held import held
from coilbell.bench.log.history import history_of
from coilbell.bench.log.keeper import LogKeeper
from coilbell.bench.log.marks import later_versions, marks
from coilbell.bench.log.rows import Item, KeptCapture, KeptFit, KeptJudgement, versions
from coilbell.bench.worksheet.entries import Entry, Unreadable
from coilbell.errors import CoilbellError, FileError
from coilbell.whole import whole_file
from coilbell.winding import digest

__all__ = ["ARCHIVE_SCHEMA", "FORMAT", "PHOTO_ENDINGS", "Manifest", "Part", "write_archive"]

FORMAT = "coilbell archive"
ARCHIVE_SCHEMA = 2
"""Number of this layout; it rises when a part changes its meaning, or what is told would be lost unseen.

1 had neither outcomes nor history; it is still read.
"""

PHOTO_ENDINGS = (".jpg", ".jpeg", ".png", ".webp")

_STILL = (1980, 1, 1, 0, 0, 0)
"""Time stamp of every part, so that the file depends on its content only."""


def write_archive(log: Log, items: Sequence[Item], place: Path) -> None:
    """Write items to a new .zip file; it appears whole or not at all. Raises FileError."""
    if not items:
        raise FileError(f"{place}: no items to write; the log is empty")
    if place.exists():
        raise FileError(f"{place} exists and is left as it is; choose another name")
    try:
        with (
            whole_file(place) as stream,
            zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive,
        ):
            _Writer(log, archive).write(items)
    except OSError as error:
        raise FileError(f"{place}: cannot be written: {error.strerror or error}") from error


class Part(Facts, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Size and hash of a part."""

    bytes: Count
    sha256: str


class Manifest(Facts, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """manifest.json of an archive."""

    format: str
    schema: int
    made_utc: str
    versions: dict[str, str]
    parts: dict[str, Part]


def _laid_out(facts: Facts) -> bytes:
    return json.dumps(plain(facts), indent=1, sort_keys=True).encode()


class _Writer:
    def __init__(self, log: Log, archive: zipfile.ZipFile) -> None:
        self.log = log
        self.archive = archive
        self.parts: dict[str, Part] = {}
        self.references: dict[str, str] = {}
        self.fits: dict[int, int] = {}
        """Number of a fit in the log -> number in the archive."""
        self.captures = 0

    def write(self, items: Sequence[Item]) -> None:
        told = Told(items=tuple(self._item(item) for item in items))
        self._part("log.json", _laid_out(told))
        manifest = Manifest(
            format=FORMAT,
            schema=ARCHIVE_SCHEMA,
            made_utc=utc_now(),
            versions=versions(),
            parts=self.parts,
        )
        self._add("manifest.json", _laid_out(manifest))

    def _part(self, name: str, content: bytes) -> str:
        self.parts[name] = Part(bytes=len(content), sha256=hashlib.sha256(content).hexdigest())
        self._add(name, content)
        return name

    def _add(self, name: str, content: bytes) -> None:
        info = zipfile.ZipInfo(name, _STILL)
        info.compress_type = zipfile.ZIP_DEFLATED
        info.external_attr = 0o644 << 16
        self.archive.writestr(info, content)

    def _item(self, item: Item) -> ToldItem:
        kept = held(self.log, item, every=True).whole()
        (first,) = self.log.base.rows("SELECT * FROM item WHERE id = ?", item.id)
        return ToldItem(
            name=item.name,
            equipment=first["equipment"],
            part=first["part"],
            kind=first["kind"],
            serial=first["serial"],
            added_utc=item.added_utc,
            captures=tuple(self._capture(capture, fits) for capture, fits in kept.captures),
            judgements=tuple(self._judgement(one) for one in kept.judgements),
            notes=tuple(ToldNote(added_utc=n.added_utc, words=n.words) for n in kept.notes),
            photos=tuple(self._photo(photo) for photo in kept.photos),
            worksheet=self._worksheet(item),
            history=history_of(self.log, item),
            outcomes=tuple(
                ToldOutcome(
                    added_utc=one.added_utc, item=item.name, begun_utc=item.added_utc, outcome=one.outcome
                )
                for one in kept.outcomes
            ),
        )

    def _worksheet(self, item: Item) -> tuple[Entry, ...]:
        found: list[Entry] = []
        for _, entry in LogKeeper(self.log, item).entries():
            if isinstance(entry, Unreadable):
                raise FileError(f"{item.name}: {entry.problem}; what is damaged is not handed on")
            found.append(entry)
        return tuple(found)

    def _capture(self, capture: KeptCapture, fits: Sequence[KeptFit]) -> ToldCapture:
        self.captures += 1
        return ToldCapture(
            records=self._part(f"captures/{self.captures}.json", recordjson.encode(capture.records)),
            label=capture.label,
            added_utc=capture.added_utc,
            sha256=capture.sha256,
            fits=tuple(self._fit(fit) for fit in fits),
        )

    def _fit(self, fit: KeptFit) -> ToldFit:
        self.fits[fit.id] = len(self.fits) + 1
        return ToldFit(
            number=self.fits[fit.id], made_utc=fit.made_utc, versions=fit.versions, facts=fit.facts
        )

    def _judgement(self, one: KeptJudgement) -> ToldJudgement:
        return ToldJudgement(
            made_utc=one.made_utc,
            versions=one.versions,
            question=one.question,
            reference=self._reference_of(one),
            facts=plain(one.facts),
            fits=tuple(self.fits[number] for number in one.fits),
        )

    def _reference_of(self, one: KeptJudgement) -> str | None:
        """The part with what it was judged by; later versions go along where a unit was withdrawn since."""
        if one.reference is None:
            return None
        for version in later_versions(self.log, one) if marks(self.log, one) else ():
            self._reference(digest(version))
        return self._reference(one.reference[1])

    def _reference(self, sha256: str) -> str:
        if sha256 not in self.references:
            content = self.log.reference_text(sha256).encode()
            self.references[sha256] = self._part(f"references/{len(self.references) + 1}.json", content)
        return self.references[sha256]

    def _photo(self, photo: PhotoFacts) -> ToldPhoto:
        path, part = Path(photo.path), None
        try:
            if path.suffix.lower() in PHOTO_ENDINGS and file_hash(path) == (photo.sha256, photo.bytes):
                number = sum(name.startswith("photos/") for name in self.parts) + 1
                part = self._part(f"photos/{number}{path.suffix.lower()}", path.read_bytes())
        except CoilbellError:
            pass  # the picture has gone or changed: its hash is handed on, a wrong picture is not
        return ToldPhoto(
            added_utc=photo.added_utc,
            sha256=photo.sha256,
            bytes=photo.bytes,
            words=photo.words,
            name=path.name,
            part=part,
        )
