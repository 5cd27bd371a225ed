"""When the user means: `-5m`, `14:05:30` or an ISO 8601 time, against a run's clocks."""

import re
from datetime import datetime, timedelta

from collector.clock import Clock, host_boot
from collector.errors import TagError
from parsers.runfolder import Manifest
from parsers.tags import TagRecord
from parsers.text import printable

_SPAN = re.compile(r"([-+])(?:(\d+)h)?(?:(\d+)m)?(?:(\d+(?:\.\d+)?)s)?")
_CLOCK = re.compile(r"(\d{1,2}):(\d{2})(?::(\d{2}(?:\.\d+)?))?")
_SHAPES = "use -5m, 14:05:30, or 2026-05-04T14:05:30+02:00"
_DAY, _A_MINUTE = timedelta(days=1), timedelta(minutes=1)

Moment = tuple[datetime, float | None]
"""Wall clock, and the computer's monotonic clock where it can be told."""


def moment(at: str | None, clock: Clock) -> Moment:
    """When `at` is: on the wall clock and, if it can be told, on the monotonic clock.

    `at` is None (now), `-1h5m30s` (so long ago), `14:05` or `14:05:30` (the last time the
    computer's local clock showed that), or an ISO 8601 time with its offset.

    Raises:
        TagError: if it is none of these.
    """
    now = clock.utc()
    if at is None:
        return now, clock.monotonic_s()
    span_s = _span_s(at)
    if span_s is not None and at.startswith("-"):
        return now + timedelta(seconds=span_s), clock.monotonic_s() + span_s
    if (shown := _CLOCK.fullmatch(at)) is not None:
        local = _at_clock(now, shown, at)
        return (local if local <= now else local - _DAY), None
    return _iso(at), None


def moment_in(run: Manifest, at: str | None, clock: Clock) -> Moment:
    """As `moment`, in a run that may be over or of another day.

    Raises:
        TagError: as `moment`; also if a run that is over has no or several such moments, or
            the moment is still to come.
    """
    if run.outcome is not None:
        if at is None:
            raise TagError("this run is over: say with --at when, such as --at 14:05:30")
        if (shown := _CLOCK.fullmatch(at)) is not None:
            return _during(run, shown, at), None
    at_utc, at_host_s = moment(at, clock)
    begin, end = _extent(run)
    if run.outcome is not None and not begin - _A_MINUTE <= at_utc <= end + _A_MINUTE:
        raise TagError(f"'{printable(at or '')}': the run was not on then ({_shown(begin, end)})")
    if run.outcome is None and at_utc > clock.utc() + timedelta(seconds=1):
        raise TagError(f"'{printable(at or '')}' is still to come")
    began = run.clocks.host_boot
    # The monotonic clock began anew with the computer: it says nothing in an older run.
    restarted = began != "" and began != host_boot()
    return at_utc, None if restarted else at_host_s


def moved(border: TagRecord, to: str, run: Manifest, clock: Clock) -> Moment:
    """Where a border goes: `-5m` and `+30s` count from where it is, other times as `moment_in`.

    Raises:
        TagError: as `moment_in`.
    """
    span_s = _span_s(to)
    if span_s is None:
        return moment_in(run, to, clock)
    host_s = None if border.at_host_s is None else border.at_host_s + span_s
    return border.at_utc + timedelta(seconds=span_s), host_s


def _span_s(at: str) -> float | None:
    found = _SPAN.fullmatch(at)
    if found is None or len(at) < 2:
        return None
    hours, minutes, seconds = (float(part or 0) for part in found.groups()[1:])
    span_s = hours * 3600 + minutes * 60 + seconds
    return -span_s if found[1] == "-" else span_s


def _iso(at: str) -> datetime:
    try:
        stamp = datetime.fromisoformat(at)
    except ValueError:
        stamp = None
    if stamp is None or stamp.tzinfo is None:
        raise TagError(f"'{printable(at)}' is not a time: {_SHAPES}")
    return stamp


def _at_clock(day: datetime, shown: re.Match[str], at: str) -> datetime:
    seconds = float(shown[3] or 0)
    try:
        return day.astimezone().replace(
            hour=int(shown[1]),
            minute=int(shown[2]),
            second=int(seconds),
            microsecond=int(seconds % 1 * 1e6),
        )
    except ValueError:
        raise TagError(f"'{printable(at)}' is not a time: {_SHAPES}") from None


def _during(run: Manifest, shown: re.Match[str], at: str) -> datetime:
    """The one time in the run that the local clock showed that."""
    begin, end = _extent(run)
    first = _at_clock(begin - _DAY, shown, at)
    days = range((end - first).days + 2)
    found = [stamp for n in days if begin <= (stamp := first + n * _DAY) <= end]
    if len(found) == 1:
        return found[0]
    why = "several days of the run had it" if found else "the run was not on then"
    raise TagError(
        f"'{printable(at)}': {why} ({_shown(begin, end)}); give the date too, {_SHAPES}"
    )


def _extent(run: Manifest) -> tuple[datetime, datetime]:
    begin = run.clocks.utc
    ends = [p.end.silent_utc or p.end.last_answer_utc for p in run.phones if p.end is not None]
    return begin, max((stamp for stamp in ends if stamp is not None), default=begin + _DAY)


def _shown(begin: datetime, end: datetime) -> str:
    return f"{begin.astimezone():%Y-%m-%d %H:%M} to {end.astimezone():%Y-%m-%d %H:%M}"
