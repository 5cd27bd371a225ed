"""Writing tags: checked against those already there, appended under a lock, never overwritten."""

from datetime import timedelta
from typing import Literal

from collector.clock import Clock
from collector.errors import TagError
from collector.tagging.command import Command
from collector.tagging.moment import Moment, moment_in, moved
from collector.tagging.rules import at_clock, checked_name, chosen, scope
from parsers.runfolder import RunFolder
from parsers.tags import TaggedSegment, TagRecord
from parsers.text import printable

TOUCH = timedelta(seconds=2)
"""Segments that follow each other so closely share their border: it moves for both."""

Border = Literal["start", "end"]


class Tagger:
    """Tags of one run; any number of processes may write at once.

    Every call is one command: its records carry one id and are taken back together. A segment is
    named as `tag_rules.chosen` understands it; with a phone, an edit of a segment of all phones
    concerns that phone alone.

    Args:
        folder: the run.
        clock: the computer's clocks.

    Raises:
        RunFolderError: if the folder is not a run.
    """

    def __init__(self, folder: RunFolder, clock: Clock) -> None:
        self._folder = folder
        self._clock = clock
        self._manifest = folder.read_manifest()

    def begin(
        self,
        name: str,
        *,
        phone: str | None = None,
        at: str | None = None,
        until: str | None = None,
        close_open: bool = False,
    ) -> TagRecord:
        """Begins a segment, on one phone or on all.

        Args:
            name: what is being done.
            phone: label; None for all phones.
            at: the moment meant (see `moment`); None for now.
            until: when it ended, if it is over.
            close_open: end whatever is open on the same phones at the same moment.

        Raises:
            TagError: if the name cannot be used, or another segment is or was on there.
        """
        wanted = checked_name(name)
        with self._command(phone) as command:
            then = self._moment(at)
            for other in [s for s in command.segments if s.end is None]:
                if phone is not None and not other.on(phone):
                    continue
                if not close_open:
                    raise TagError(
                        f"segment '{printable(other.name)}' is still open on "
                        f"{scope(other.phone)}: end it first with `rundown tag end`, "
                        "or begin this one with --close"
                    )
                _need_after(other, then)
                command.add("end", then, phone=other.phone, name=other.whole)
            begun = command.add("begin", then, phone=phone, name=wanted)
            if until is not None:
                over = self._moment(until)
                if over[0] <= then[0]:
                    raise TagError(f"'{wanted}' cannot end before it began: --until is not later")
                command.add("end", over, phone=phone, name=wanted)
            return begun

    def end(self, *, phone: str | None = None, at: str | None = None) -> TagRecord:
        """Ends the open segment of that phone, or the one that all phones share.

        Raises:
            TagError: if none is open there, or it began after the moment given.
        """
        with self._command(phone) as command:
            mine = [s for s in command.segments if s.end is None and s.phone == phone]
            if not mine:
                raise TagError(
                    f"no segment is open on {scope(phone)}; `rundown tag list` shows all"
                )
            then = self._moment(at)
            _need_after(mine[-1], then)
            return command.add("end", then, phone=phone, name=mine[-1].whole)

    def note(self, text: str, *, phone: str | None = None, at: str | None = None) -> TagRecord:
        """Keeps a remark with its time.

        Raises:
            TagError: if the text is empty or longer than 2000 characters.
        """
        if not 0 < len(text.strip()) <= 2000:
            raise TagError("a note needs 1 to 2000 characters")
        with self._command(phone) as command:
            return command.add("note", self._moment(at), phone=phone, text=text)

    def undo(self) -> list[TagRecord]:
        """Takes the last command back that still counts; again takes back the one before.

        Raises:
            TagError: if there is nothing to take back.
        """
        with self._command(None) as command:
            if not command.counting:
                raise TagError("nothing is tagged, so there is nothing to take back")
            last = command.counting[-1].id
            command.add("undo", self._now(), of=last)
            return [record for record in command.counting if record.id == last]

    def move(
        self,
        which: str | None,
        border: Border,
        to: str,
        *,
        phone: str | None = None,
    ) -> list[TagRecord]:
        """Sets a border anew; a neighbour that shares it follows.

        Args:
            which: the segment.
            border: which end of it.
            to: `-5m` and `+30s` count from where the border is; other times as in `begin`.
            phone: only this phone's.

        Raises:
            TagError: if it is still open there, or would overlap another one.
        """
        with self._command(phone) as command:
            segment = chosen(command.segments, which, phone)
            record = segment.start if border == "start" else segment.end
            if record is None:
                raise TagError(f"'{printable(segment.name)}' is still open: end it with --at")
            then = moved(record, to, self._manifest, self._clock)
            for other in command.segments:
                side = _shared_border(segment, border, other)
                if side is not None and (phone is None or other.on(phone)):
                    mine = phone or segment.phone
                    command.edit("move", other, then, phone=mine, border=side)
            command.edit("move", segment, then, phone=phone, border=border)
            return command.records

    def rename(self, which: str | None, name: str, *, phone: str | None = None) -> TagRecord:
        """Gives a segment another name.

        Raises:
            TagError: if the name cannot be used.
        """
        wanted = checked_name(name)
        with self._command(phone) as command:
            segment = chosen(command.segments, which, phone)
            return command.edit("rename", segment, self._now(), phone=phone, name=wanted)

    def split(
        self, which: str | None, at: str, name: str | None = None, *, phone: str | None = None
    ) -> TagRecord:
        """Makes two segments of one; the later half may get another name.

        Raises:
            TagError: if the moment is not inside it.
        """
        wanted = None if name is None else checked_name(name)
        with self._command(phone) as command:
            segment, then = chosen(command.segments, which, phone), self._moment(at)
            _need_inside(segment, then)
            return command.edit("split", segment, then, phone=phone, name=wanted)

    def drop(self, which: str | None, *, phone: str | None = None) -> TagRecord:
        """Takes a segment away; its time becomes untagged.

        Raises:
            TagError: if there is no such segment.
        """
        with self._command(phone) as command:
            segment = chosen(command.segments, which, phone)
            return command.edit("drop", segment, self._now(), phone=phone)

    def cut(
        self, which: str | None, begin: str, until: str, *, phone: str | None = None
    ) -> TagRecord:
        """Leaves a span out of a segment; its time becomes untagged.

        Raises:
            TagError: if the span is not within it.
        """
        with self._command(phone) as command:
            segment = chosen(command.segments, which, phone)
            return self._cut(command, segment, self._moment(begin), self._moment(until), phone)

    def cut_out(self, begin: Moment, until: Moment, phone: str) -> list[TagRecord]:
        """Leaves a span out of whatever one phone was in then.

        Raises:
            TagError: if no segment was on.
        """
        with self._command(phone) as command:
            for segment in command.segments:
                ends = segment.end is None or segment.end.at_utc > begin[0]
                if segment.on(phone) and segment.start.at_utc < until[0] and ends:
                    self._cut(command, segment, begin, until, phone)
            if not command.records:
                raise TagError(f"no segment was on then on {phone}: there is nothing to cut")
            return command.records

    def _cut(
        self,
        command: Command,
        segment: TaggedSegment,
        begin: Moment,
        until: Moment,
        phone: str | None,
    ) -> TagRecord:
        over = segment.end is not None and begin[0] >= segment.end.at_utc
        if until[0] <= begin[0] or until[0] <= segment.start.at_utc or over:
            raise TagError(f"that span is not within '{printable(segment.name)}'")
        extra = {"until_utc": until[0], "until_host_s": until[1]}
        return command.edit("cut", segment, begin, phone=phone, **extra)

    def _now(self) -> Moment:
        return self._clock.utc(), None

    def _moment(self, at: str | None) -> Moment:
        return moment_in(self._manifest, at, self._clock)

    def _command(self, phone: str | None) -> Command:
        return Command(self._folder, self._manifest, self._clock, phone)


def _shared_border(segment: TaggedSegment, border: Border, other: TaggedSegment) -> Border | None:
    """Which border of a neighbour on the same phones is the same as this one."""
    together = segment.on(other.phone) if other.phone else other.on(segment.phone or "")
    if other is segment or not together:
        return None
    first, second = (other, segment) if border == "start" else (segment, other)
    if first.end is None or first.start.at_utc > second.start.at_utc:
        return None
    if abs(second.start.at_utc - first.end.at_utc) > TOUCH:
        return None
    return "end" if border == "start" else "start"


def _need_after(segment: TaggedSegment, then: Moment) -> None:
    if then[0] < segment.start.at_utc:
        raise TagError(
            f"segment '{printable(segment.name)}' began at {at_clock(segment.start.at_utc)}, "
            f"after {at_clock(then[0])}: it cannot end before it began"
        )


def _need_inside(segment: TaggedSegment, then: Moment) -> None:
    over = segment.end is not None and then[0] >= segment.end.at_utc
    if then[0] <= segment.start.at_utc or over:
        raise TagError(f"{at_clock(then[0])} is not inside '{printable(segment.name)}'")
