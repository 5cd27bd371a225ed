"""What went otherwise than meant while a phone was recorded, as found at the time."""

from collections.abc import Iterator
from datetime import datetime

from analysis.readings.recording import Recording
from analysis.readings.run import Run
from analysis.report import Finding
from parsers.runfolder import RunFolder
from parsers.slips import Slip, SlipRecord, read_slips
from parsers.text import printable

_READ_ANYWAY = ("cable",)
"""Kinds that the readings themselves tell, and more closely."""

_BORDER_S = 1.0
"""What is cut out ends where the slip was found over; that is no part of what follows."""


def slipped(run: Run, recording: Recording) -> tuple[Finding, ...]:
    """The slips of one phone, in the order they were seen.

    Raises:
        RunDamagedError: if the file of slips cannot be read as text.
    """
    return tuple(
        finding
        for slip in read_slips(RunFolder(run.path).slips_path).slips
        if slip.begin.phone == recording.phone and slip.begin.kind not in _READ_ANYWAY
        for finding in _found(run, recording, slip)
    )


def _found(run: Run, recording: Recording, slip: Slip) -> Iterator[Finding]:
    last_s = float(recording.readings["t_s"].iloc[-1])
    start_s, start_utc = _moment(run, recording, slip.begin)
    end_s, end_utc = last_s, recording.utc_at([last_s])[0]
    if slip.over is not None:
        end_s, end_utc = _moment(run, recording, slip.over)
    if start_s > last_s:
        return
    until = "" if end_utc == start_utc else f" to {end_utc:%H:%M:%S}"
    yield Finding(
        said=f"{printable(slip.begin.text, 160)} ({start_utc:%H:%M:%S}{until} UTC)",
        start_s=start_s,
        end_s=max(start_s, end_s - _BORDER_S),
        start_utc=start_utc,
        end_utc=end_utc,
    )


def _moment(run: Run, recording: Recording, record: SlipRecord) -> tuple[float, datetime]:
    """On the phone's time axis, and on the wall clock."""
    if record.at_host_s is not None:
        return recording.clock.from_host(record.at_host_s)[0], record.at_utc
    return (record.at_utc - run.manifest.clocks.utc).total_seconds(), record.at_utc
