"""What a set of segments must obey, and which segment the user means."""

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from itertools import combinations

from collector.errors import TagError
from parsers.tags import NAME_MAX_CHARS, TaggedSegment
from parsers.text import printable

_NEVER = datetime.max.replace(tzinfo=UTC)

Clash = tuple[str, tuple[str, str | None], tuple[str, str | None]]
"""Label of the phone, and the two segments by id and phone."""


def checked_name(name: str) -> str:
    """The name, if it can be one.

    Raises:
        TagError: if it is empty, too long or not printable.
    """
    cleaned = name.strip()
    if not cleaned or len(cleaned) > NAME_MAX_CHARS or not cleaned.isprintable():
        raise TagError(
            f"'{printable(name)}' cannot name a segment: "
            f"use 1 to {NAME_MAX_CHARS} printable characters"
        )
    return cleaned


def scope(phone: str | None) -> str:
    """Which phones, in words."""
    return "all phones" if phone is None else printable(phone)


def at_clock(stamp: datetime | None) -> str:
    """A moment as the computer's clock showed it."""
    return "now" if stamp is None else f"{stamp.astimezone():%H:%M:%S}"


def clashes(
    segments: Sequence[TaggedSegment], labels: Iterable[str]
) -> dict[Clash, tuple[TaggedSegment, TaggedSegment]]:
    """Segments that a phone would have been in at the same time, the earlier one first."""
    found = {}
    for label in labels:
        mine = [segment for segment in segments if segment.on(label)]
        for first, second in combinations(mine, 2):
            if second.start.at_utc < _end(first) and first.start.at_utc < _end(second):
                key = (label, (first.id, first.phone), (second.id, second.phone))
                found[key] = (first, second)
    return found


def check(
    before: Sequence[TaggedSegment], after: Sequence[TaggedSegment], labels: list[str]
) -> None:
    """Refuses a change that makes segments end before they begin, or overlap.

    What overlapped before already may stay.

    Raises:
        TagError: with what is in the way, and what to do.
    """
    known = {(s.id, s.phone, s.start, s.end) for s in before}
    for segment in after:
        if (segment.id, segment.phone, segment.start, segment.end) in known:
            continue
        if segment.end is not None and segment.end.at_utc < segment.start.at_utc:
            raise TagError(
                f"'{printable(segment.name)}' would begin at {at_clock(segment.start.at_utc)} and"
                f" end at {at_clock(segment.end.at_utc)}: it cannot end before it began"
            )
    old = clashes(before, labels)
    for key, (first, second) in clashes(after, labels).items():
        if key not in old:
            raise TagError(_overlap(key[0], first, second))


def chosen(
    segments: Sequence[TaggedSegment], which: str | None, phone: str | None
) -> TaggedSegment:
    """The segment that the user means.

    Args:
        segments: in the order they begin.
        which: a name, or `NAME#2` for its second occurrence; None for the latest segment.
        phone: only this phone's.

    Raises:
        TagError: if there is none, or several fit.
    """
    mine = [s for s in segments if phone is None or s.on(phone)]
    if not mine:
        raise TagError(f"nothing is tagged on {scope(phone)} yet")
    if which is None:
        return mine[-1]
    found = [s for s in mine if s.name == which]
    if not found and (parts := which.rpartition("#"))[2].isdecimal():
        found = [s for s in mine if s.name == parts[0] and s.occurrence == int(parts[2])]
    if not found:
        names = ", ".join(f"'{printable(name)}'" for name in dict.fromkeys(s.name for s in mine))
        raise TagError(f"no segment '{printable(which)}' on {scope(phone)}; there are {names}")
    if len(found) > 1:
        first = found[0]
        alike = len({s.occurrence for s in found}) == 1
        more = (
            f"say of which phone, such as --phone {next(s.phone for s in found if s.phone)}"
            if alike
            else f"say which, such as '{printable(first.name)}#{found[-1].occurrence}'"
        )
        raise TagError(f"{len(found)} segments are called '{printable(which)}': {more}")
    return found[0]


def _end(segment: TaggedSegment) -> datetime:
    return _NEVER if segment.end is None else segment.end.at_utc


def _overlap(label: str, first: TaggedSegment, second: TaggedSegment) -> str:
    if first.end is None:
        return (
            f"'{printable(first.name)}' would still be open when '{printable(second.name)}' began "
            f"at {at_clock(second.start.at_utc)} on {label}: say with --until when it ended"
        )
    nested = _end(second) <= _end(first) and second.end is not None
    span = f"{at_clock(first.start.at_utc)} to {at_clock(first.end.at_utc)}"
    where = "inside" if nested else "before the end of"
    advice = "split that one, or cut the time out of it" if nested else "move that border first"
    return (
        f"'{printable(second.name)}' at {at_clock(second.start.at_utc)} would lie {where} "
        f"'{printable(first.name)}' ({span}) on {label}: {advice}"
    )
