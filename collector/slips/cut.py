"""Takes the time of a slip out of whatever segment its phone was in."""

from datetime import timedelta

from collector.errors import TagError
from collector.tagging.tags import Tagger
from parsers.runfolder import RunFolder
from parsers.slips import Slip, read_slips

UNSEEN_S = 30.0
"""The phones look around so seldom: a slip may have begun, and gone on, that long unseen."""


def slip_numbered(run: RunFolder, number: int) -> Slip:
    """The slip of that number, from 1 in the order they began.

    Raises:
        TagError: if there is none.
    """
    slips = read_slips(run.slips_path).slips
    if not 1 <= number <= len(slips):
        raise TagError(f"no slip {number}; the run has {len(slips)}: see `rundown tag slips`")
    return slips[number - 1]


def cut_slip(tagger: Tagger, run: RunFolder, slip_id: str) -> str:
    """Cuts a slip out, from the last look before it to the one that found it over.

    Raises:
        TagError: if it is not over yet, is not there, or no segment was on.
    """
    slip = next((s for s in read_slips(run.slips_path).slips if s.begin.id == slip_id), None)
    if slip is None or slip.over is None:
        raise TagError("that slip is not over: put it right first, or cut with --from and --to")
    begin_s, over_s = slip.begin.at_host_s, slip.over.at_host_s
    begin = (
        slip.begin.at_utc - timedelta(seconds=UNSEEN_S),
        None if begin_s is None else begin_s - UNSEEN_S,
    )
    records = tagger.cut_out(begin, (slip.over.at_utc, over_s), slip.begin.phone)
    cut_s = (slip.over.at_utc - begin[0]).total_seconds()
    return f"cut {cut_s:.0f} s out of {len(records)} segment of {slip.begin.phone}"
