"""`slips.jsonl` of a run: what went wrong while it was recorded, each with its span.

Two records make a slip: one when it is seen to begin, one when it is over. A slip whose second
record is missing went on to the end of the recording.
"""

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict

from parsers.records import read_lines

Kind = Literal[
    "wrong_app",
    "screen",
    "brightness",
    "cable",
    "saver",
    "call",
    "throttled",
    "hot",
    "uneven_start",
]


class SlipRecord(BaseModel):
    """One line of `slips.jsonl`.

    Attributes:
        what: whether it begins or is over.
        id: what the two records of a slip have in common.
        kind: what went wrong.
        phone: label.
        segment: name of the segment that was on; empty between segments.
        text: the slip in words, with the values seen.
        at_utc: wall clock of the computer when it was seen.
        at_host_s: the computer's monotonic clock then.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    slip_schema: Literal[1] = 1
    what: Literal["began", "over"]
    id: str
    kind: Kind
    phone: str
    segment: str = ""
    text: str
    at_utc: AwareDatetime
    at_host_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Slip:
    """Something that went wrong on one phone.

    Attributes:
        begin: when it was seen.
        over: when it was seen to be over; None: not before the end of the recording.
    """

    begin: SlipRecord
    over: SlipRecord | None

    @property
    def end_utc(self) -> datetime | None:
        """When it was over."""
        return None if self.over is None else self.over.at_utc


@dataclass(frozen=True, slots=True, kw_only=True)
class Slips:
    """A file of slips, read.

    Attributes:
        slips: in the order they began.
        damage: one sentence per line that is not a record.
    """

    slips: tuple[Slip, ...] = ()
    damage: tuple[str, ...] = ()


def read_slips(path: Path) -> Slips:
    """All slips of a run; a missing file holds none.

    Raises:
        RunDamagedError: if the file cannot be read as text.
    """
    lines = read_lines(path, SlipRecord)
    records = [record for _, record in lines.records]
    overs = {record.id: record for record in records if record.what == "over"}
    slips = [
        Slip(begin=record, over=overs.get(record.id))
        for record in records
        if record.what == "began"
    ]
    slips.sort(key=lambda slip: slip.begin.at_utc)
    return Slips(slips=tuple(slips), damage=lines.damage)
