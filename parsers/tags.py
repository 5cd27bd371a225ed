"""Tags on disk: append-only records of what the user said, and the segments they amount to.

`tags.jsonl` holds one JSON object a line. Nothing is overwritten: `resolve()` reads the records in
file order and gives the segments as they stand now.
"""

from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, ValidationError

from parsers.errors import RunFolderError

NAME_MAX_CHARS = 60


class TagRecord(BaseModel):
    """One line of `tags.jsonl`.

    Attributes:
        what: `begin` and `end` of a segment, or a `note`.
        phone: label; None for all phones of the run.
        name: the segment's name (`begin`; may be given with `end` to name which).
        text: the words of a note, untrusted.
        at_utc: the moment meant, wall clock.
        at_host_s: the same on the computer's monotonic clock; None if only `at_utc` is known.
        made_utc: when the record was made.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    tag_schema: Literal[1] = 1
    what: Literal["begin", "end", "note"]
    phone: str | None = None
    name: str | None = Field(default=None, max_length=NAME_MAX_CHARS)
    text: str | None = Field(default=None, max_length=2000)
    at_utc: AwareDatetime
    at_host_s: float | None = None
    made_utc: AwareDatetime


@dataclass(frozen=True, slots=True, kw_only=True)
class TaggedSegment:
    """One stretch of time with a name.

    Attributes:
        name: what was done.
        occurrence: from 1, counting equal names on the same phone.
        phone: label; None for all phones.
        start: the record that began it.
        end: the record that ended it; None while it is open.
    """

    name: str
    occurrence: int
    phone: str | None
    start: TagRecord
    end: TagRecord | None


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
        """The notes among the records."""
        return tuple(r for r in self.records if r.what == "note")


def read_tags(path: Path) -> Tags:
    """All records of a tags file; a missing file holds none.

    A line that is not a record (a writer was killed, an editor got in) is named in `damage`.

    Raises:
        RunFolderError: if the file cannot be read as text.
    """
    try:
        lines = path.read_text("utf-8").split("\n")
    except FileNotFoundError:
        return Tags()
    except UnicodeDecodeError as exc:
        raise RunFolderError(str(path), f"not UTF-8 text at byte {exc.start}") from exc
    records, damage = [], []
    for number, line in enumerate(lines, start=1):
        if not line.strip():
            continue
        try:
            records.append(TagRecord.model_validate_json(line))
        except ValidationError as exc:
            damage.append(f"{path.name} line {number}: {exc.errors(include_url=False)[0]['msg']}")
    return Tags(records=tuple(records), damage=tuple(damage))


def resolve(records: tuple[TagRecord, ...]) -> list[TaggedSegment]:
    """The segments the records amount to, in the order they began.

    An `end` closes the open segment of the same phone scope (and of its name, if it gives one).
    """
    begun: list[TagRecord] = []
    closed: dict[int, TagRecord] = {}
    for record in records:
        if record.what == "begin":
            begun.append(record)
        elif record.what == "end":
            for index in reversed(range(len(begun))):
                start = begun[index]
                if index not in closed and _closes(record, start):
                    closed[index] = record
                    break
    seen: Counter[tuple[str | None, str]] = Counter()
    segments = []
    for index, start in sorted(enumerate(begun), key=lambda item: item[1].at_utc):
        name = start.name or "unnamed"
        seen[start.phone, name] += 1
        segments.append(
            TaggedSegment(
                name=name,
                occurrence=seen[start.phone, name],
                phone=start.phone,
                start=start,
                end=closed.get(index),
            )
        )
    return segments


def open_segments(records: tuple[TagRecord, ...]) -> list[TaggedSegment]:
    """The segments that have begun and not ended."""
    return [segment for segment in resolve(records) if segment.end is None]


def _closes(end: TagRecord, start: TagRecord) -> bool:
    return (
        end.phone == start.phone and end.name in (None, start.name) and end.at_utc >= start.at_utc
    )
