"""Tags on disk: append-only records of what the user said, and the segments they amount to.

`tags.jsonl` holds one JSON object a line. Nothing is overwritten: `resolve()` reads the records in
file order, edits included, and gives the segments as they stand now.
"""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

from parsers.records import read_lines

NAME_MAX_CHARS = 60

What = Literal["begin", "end", "note", "move", "rename", "split", "drop", "cut", "undo"]


class TagRecord(BaseModel):
    """One line of `tags.jsonl`.

    An edit names the segment it changes by the command that made it (`of`) and its phone.

    Attributes:
        tag_schema: 2 since there are edits; files of 1 hold `begin`, `end` and `note` only.
        what: `begin` and `end` of a segment, a `note`, or an edit.
        id: of the command that wrote the record; its records are undone together. Records of
            schema 1 have none and are read as `line-N`.
        of: the segment that an edit changes, or the command that `undo` takes back.
        phone: label; None for all phones of the run.
        name: the segment's name (`begin`), which one is closed (`end`), or the new name
            (`rename`, and the later half of `split`).
        border: which end of the segment a `move` sets.
        text: the words of a note, untrusted.
        at_utc: the moment meant, wall clock; of `cut` where the part left out begins.
        at_host_s: the same on the computer's monotonic clock; None if only `at_utc` is known.
        until_utc: where the part that `cut` leaves out ends.
        until_host_s: the same on the computer's monotonic clock.
        made_utc: when the record was made.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    tag_schema: Literal[1, 2] = 2
    what: What
    id: str = Field(default="", max_length=40)
    of: str | None = Field(default=None, max_length=40)
    phone: str | None = None
    name: str | None = Field(default=None, max_length=NAME_MAX_CHARS)
    border: Literal["start", "end"] | None = None
    text: str | None = Field(default=None, max_length=2000)
    at_utc: AwareDatetime
    at_host_s: float | None = None
    until_utc: AwareDatetime | None = None
    until_host_s: float | None = None
    made_utc: AwareDatetime


@dataclass(frozen=True, slots=True, kw_only=True)
class TaggedSegment:
    """One stretch of time with a name.

    Attributes:
        name: what was done.
        occurrence: from 1, counting equal names on the same phone.
        phone: label; None for all phones but those in `apart`.
        start: the record that says when it begins.
        end: the record that says when it ends; None while it is open.
        id: the command that made it; together with `phone` it names the segment for edits.
        apart: phones that a segment of all phones leaves out, as theirs was edited on its own.
    """

    name: str
    occurrence: int
    phone: str | None
    start: TagRecord
    end: TagRecord | None
    id: str = ""
    apart: frozenset[str] = frozenset()

    def on(self, label: str) -> bool:
        """Whether that phone was in it."""
        return self.phone == label or (self.phone is None and label not in self.apart)


@dataclass(frozen=True, slots=True, kw_only=True)
class Tags:
    """A tags file, read.

    Attributes:
        records: every whole record, in file order.
        damage: one sentence per line that is not a record.
    """

    records: tuple[TagRecord, ...] = ()
    damage: tuple[str, ...] = ()

    @property
    def notes(self) -> tuple[TagRecord, ...]:
        """The notes that were not taken back."""
        return tuple(r for r in in_effect(self.records) if r.what == "note")


def read_tags(path: Path) -> Tags:
    """All records of a tags file; a missing file holds none.

    A line that is not a record (a writer was killed, an editor got in) is named in `damage`.

    Raises:
        RunFolderError: if the file cannot be read as text.
    """
    lines = read_lines(path, TagRecord)
    records = tuple(
        record if record.id else record.model_copy(update={"id": f"line-{number}"})
        for number, record in lines.records
    )
    return Tags(records=records, damage=lines.damage)


def in_effect(records: Iterable[TagRecord]) -> tuple[TagRecord, ...]:
    """The records without those taken back, and without what took them back."""
    everything = tuple(records)
    undone = {record.of for record in everything if record.what == "undo"}
    return tuple(r for r in everything if r.what != "undo" and not (r.id and r.id in undone))


def resolve(records: tuple[TagRecord, ...]) -> list[TaggedSegment]:
    """The segments the records amount to, in the order they begin.

    An `end` closes the open segment of the same phone scope (and of its name, if it gives one),
    with the parts of it that were edited for one phone alone.
    """
    board = _Board()
    for record in in_effect(records):
        board.apply(record)
    seen: Counter[tuple[str | None, str]] = Counter()
    segments = []
    for piece in sorted(board.pieces, key=lambda piece: piece.start.at_utc):
        seen[piece.phone, piece.name] += 1
        segments.append(
            TaggedSegment(
                name=piece.name,
                occurrence=seen[piece.phone, piece.name],
                phone=piece.phone,
                start=piece.start,
                end=piece.end,
                id=piece.id,
                apart=frozenset(piece.apart),
            )
        )
    return segments


def open_segments(records: tuple[TagRecord, ...]) -> list[TaggedSegment]:
    """The segments that have begun and not ended."""
    return [segment for segment in resolve(records) if segment.end is None]


@dataclass(slots=True, kw_only=True)
class _Piece:
    """A segment while the records are replayed; `origin` is the `begin` it comes from."""

    id: str
    origin: TagRecord
    name: str
    phone: str | None
    start: TagRecord
    end: TagRecord | None = None
    apart: set[str] = field(default_factory=set)


class _Board:
    """The segments so far."""

    def __init__(self) -> None:
        self.pieces: list[_Piece] = []

    def apply(self, record: TagRecord) -> None:
        """Takes one record in; an edit of a segment that is not there changes nothing."""
        match record.what:
            case "begin":
                name = record.name or "unnamed"
                self.pieces.append(
                    _Piece(
                        id=record.id, origin=record, name=name, phone=record.phone, start=record
                    )
                )
            case "end":
                self._end(record)
            case "move" | "rename" | "split" | "drop" | "cut":
                if (piece := self._edited(record)) is not None:
                    self._edit(piece, record)
            case "note" | "undo":
                pass

    def _end(self, record: TagRecord) -> None:
        for piece in reversed(self.pieces):
            if _closes(record, piece):
                piece.end = record
                for part in self.pieces:
                    if part.origin is piece.origin and part.end is None and record.phone is None:
                        part.end = record
                return

    def _edited(self, record: TagRecord) -> _Piece | None:
        mine = [piece for piece in self.pieces if piece.id == record.of]
        for piece in mine:
            if piece.phone == record.phone:
                return piece
        shared = next((p for p in mine if p.phone is None and record.phone not in p.apart), None)
        if shared is None or record.phone is None:
            return None
        own = replace(shared, phone=record.phone, apart=set())
        shared.apart.add(record.phone)
        self.pieces.append(own)
        return own

    def _edit(self, piece: _Piece, record: TagRecord) -> None:
        match record.what:
            case "move" if record.border == "start":
                piece.start = record
            case "move":
                piece.end = record
            case "rename":
                piece.name = record.name or piece.name
            case "split":
                name = record.name or piece.name
                self.pieces.append(replace(piece, id=record.id, name=name, start=record))
                piece.end = record
            case "cut":
                self._cut(piece, record)
            case _:
                self.pieces.remove(piece)

    def _cut(self, piece: _Piece, record: TagRecord) -> None:
        resumed = record.model_copy(
            update={
                "at_utc": record.until_utc or record.at_utc,
                "at_host_s": record.until_host_s,
            }
        )
        from_start = record.at_utc <= piece.start.at_utc
        to_end = piece.end is not None and resumed.at_utc >= piece.end.at_utc
        if from_start and to_end:
            self.pieces.remove(piece)
        elif from_start:
            piece.start = resumed
        elif to_end:
            piece.end = record
        else:
            # Under a name of its own, so that the count of equal names stays that of other phones.
            rest = f"{piece.name[: NAME_MAX_CHARS - 8]}, part 2"
            self.pieces.append(replace(piece, id=record.id, name=rest, start=resumed))
            piece.end = record


def _closes(end: TagRecord, piece: _Piece) -> bool:
    return (
        piece.end is None
        and end.phone == piece.phone
        and end.name in (None, piece.name)
        and end.at_utc >= piece.start.at_utc
    )
