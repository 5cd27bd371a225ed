"""Whether a recording spans a whole charge, from 100 % to shut-off."""

from analysis.readings.recording import Recording
from analysis.readings.series import Series

_PLUGGED_S = 60.0
FULL_PCT = 100.0


def why_not_full(recording: Recording, series: Series) -> str:
    """What speaks against it, in a sentence; empty if the recording spans a whole charge."""
    _, levels = series.known("level_pct")
    end = recording.entry.end
    if not len(levels):
        return "no level was read"
    if levels[0] < FULL_PCT:
        return f"it began at {levels[0]:.0f} %"
    if end is None or end.what != "shut_off":
        return "there is no evidence that the phone shut off"
    if float(series.plugged.sum()) * series.poll_s > _PLUGGED_S:
        return "the phone was plugged in meanwhile"
    return ""
