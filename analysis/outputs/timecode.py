"""Times as people write them: clock times, time codes, and moments of a run."""

import re
from datetime import datetime, timedelta

from analysis.errors import TimelineError
from parsers.text import printable

_CODE = re.compile(r"(?:(?:(\d+):)?([0-5]?\d)|(\d{1,4})):([0-5]\d(?:[.,]\d+)?)", re.ASCII)
_DAY_S = 86_400.0
_HAIR_S = 0.05


def seconds(text: str) -> float:
    """Seconds of a time code: `SS.s`, `MM:SS.s` or `H:MM:SS.s`.

    Raises:
        TimelineError: if it is none of these.
    """
    shown = text.strip()
    if re.fullmatch(r"\d+(?:\.\d+)?", shown, re.ASCII):
        return float(shown)
    if (code := _CODE.fullmatch(shown)) is None:
        raise TimelineError(f"'{printable(text)}' is not a time code: use 75, 1:15 or 0:01:15.500")
    hours, minutes, minutes_alone, rest = code.groups()
    whole_s = int(hours or 0) * 3600 + int(minutes or minutes_alone) * 60
    return whole_s + float(rest.replace(",", "."))


def run_seconds(text: str, began_utc: datetime) -> float:
    """Seconds from the beginning of the run to a wall-clock time, negative before it.

    Args:
        text: ISO 8601 with offset, or `14:05` or `14:05:30` on the computer's local clock, taken
            for the time nearest to the beginning of the run.
        began_utc: beginning of the run.

    Raises:
        TimelineError: if it is no such time.
    """
    try:
        stamp = datetime.fromisoformat(text.strip())
        if stamp.tzinfo is not None:
            return (stamp - began_utc).total_seconds()
    except ValueError:
        pass
    clock_text = text.strip() if text.count(":") == 2 else f"{text.strip()}:00"
    if _CODE.fullmatch(clock_text) is None or seconds(clock_text) >= _DAY_S:
        raise TimelineError(
            f"'{printable(text)}' is not a wall-clock time: use 14:05:30 or "
            "2026-05-04T14:05:30+02:00"
        )
    midnight = began_utc.astimezone().replace(hour=0, minute=0, second=0, microsecond=0)
    candidates = [midnight + timedelta(days=d, seconds=seconds(clock_text)) for d in (-1, 0, 1)]
    return min(((c - began_utc).total_seconds() for c in candidates), key=abs)


def clock(duration_s: float, *, hours: bool = True) -> str:
    """`H:MM:SS`, or `MM:SS` where there are no hours and none are asked for.

    Cut rather than rounded, as clocks are, but for a border that missed its second by a hair.
    """
    whole = int(duration_s + _HAIR_S)
    if hours or whole >= 3600:
        return f"{whole // 3600}:{whole // 60 % 60:02}:{whole % 60:02}"
    return f"{whole // 60:02}:{whole % 60:02}"


def stamp(moment_s: float, point: str) -> str:
    """`HH:MM:SS` and milliseconds behind `point`, as caption files want it (W3C WebVTT)."""
    total_ms = round(moment_s * 1000)
    whole_s, ms = divmod(total_ms, 1000)
    return f"{whole_s // 3600:02}:{whole_s // 60 % 60:02}:{whole_s % 60:02}{point}{ms:03}"
