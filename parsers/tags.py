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
        name: what was done; of a later part of a segment that was cut, with its number.
        occurrence: from 1, counting equal names on the same phone; all parts of a segment that
            was cut have the same.
        phone: label; None for all phones but those in `apart`.
        start: the record that says when it begins.
        end: the record that says when it ends; None while it is open.
        id: the command that made it; together with `phone` it names the segment for edits.
        apart: phones that a segment of all phones leaves out, as theirs was edited on its own.
        whole: name of the segment that it is a part of; its own name, unless it is a later part.
        part: from 1; above it, a part that begins behind a span that was cut out.
        made: number of the segment among all that were made; its parts, and one phone's own
            edition of it, have the same.
    """

    name: str
    occurrence: int
    phone: str | None
    start: TagRecord
    end: TagRecord | None
    id: str = ""
    apart: frozenset[str] = frozenset()
    whole: str = ""
    part: int = 1
    made: int = 0

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
        RunDamagedError: if the file cannot be read as text.
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
    parts: Counter[tuple[str | None, int]] = Counter()
    occurrences: dict[tuple[str | None, int], int] = {}
    segments = []
    for piece in sorted(board.pieces, key=lambda piece: piece.start.at_utc):
        whole = (piece.phone, piece.made)
        parts[whole] += 1
        if whole not in occurrences:
            seen[piece.phone, piece.name] += 1
            occurrences[whole] = seen[piece.phone, piece.name]
        segments.append(
            TaggedSegment(
                name=_part_name(piece.name, parts[whole]),
                occurrence=occurrences[whole],
                phone=piece.phone,
                start=piece.start,
                end=piece.end,
                id=piece.id,
                apart=frozenset(piece.apart),
                whole=piece.name,
                part=parts[whole],
                made=piece.made,
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
    made: int
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
        self._n_made = 0

    def apply(self, record: TagRecord) -> None:
        """Takes one record in; an edit of a segment that is not there changes nothing."""
        match record.what:
            case "begin":
                name = record.name or "unnamed"
                made = _Piece(
                    id=record.id,
                    made=self._number(),
                    origin=record,
                    name=name,
                    phone=record.phone,
                    start=record,
                )
                self.pieces.append(made)
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
                self._rename(piece, record)
            case "split":
                self._split(piece, record)
            case "cut":
                self._cut(piece, record)
            case _:
                self.pieces.remove(piece)

    def _rename(self, piece: _Piece, record: TagRecord) -> None:
        """A segment with all its parts; a later part alone becomes a segment of its own."""
        parts = self._parts(piece)
        if piece is not parts[0]:
            parts, piece.made = [piece], self._number()
        for part in parts:
            part.name = record.name or part.name

    def _split(self, piece: _Piece, record: TagRecord) -> None:
        """Later parts go with the later half."""
        name, made = record.name or piece.name, self._number()
        for part in self._parts(piece):
            if part.start.at_utc > record.at_utc:
                part.name, part.made = name, made
        self.pieces.append(replace(piece, id=record.id, made=made, name=name, start=record))
        piece.end = record

    def _parts(self, piece: _Piece) -> list[_Piece]:
        mine = [p for p in self.pieces if p.made == piece.made and p.phone == piece.phone]
        return sorted(mine, key=lambda part: part.start.at_utc)

    def _number(self) -> int:
        self._n_made += 1
        return self._n_made

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
            self.pieces.append(replace(piece, id=record.id, start=resumed))
            piece.end = record


def _part_name(name: str, part: int) -> str:
    """Under a name of its own, so that the count of equal names stays that of other phones."""
    return name if part == 1 else f"{name[: NAME_MAX_CHARS - 9]}, part {part}"


def _closes(end: TagRecord, piece: _Piece) -> bool:
    return (
        piece.end is None
        and end.phone == piece.phone
        and end.name in (None, piece.name)
        and end.at_utc >= piece.start.at_utc
    )
