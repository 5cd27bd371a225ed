"""How a phone's boot clock lies against the computer's, measured by asking several times."""

import math
import re

from collector.adb import Phone
from collector.clock import Clock
from collector.errors import PhoneGoneError
from parsers.runfolder import ClockAnchor
from parsers.text import decode

COMMAND = "cat /proc/uptime /proc/sys/kernel/random/boot_id"
N_ASKED = 8
DEADLINE_S = 10.0
_ANSWER = re.compile(r"(\d{1,12}\.\d\d) \d+\.\d\d\s+([0-9a-f]{8})-[0-9a-f-]{27}\s*")
_RESOLUTION_S = 0.01
"""`/proc/uptime` is cut to hundredths (Linux fs/proc/uptime.c)."""


def measure_clock(phone: Phone, clock: Clock, n_asked: int = N_ASKED) -> ClockAnchor:
    """The quickest of several answers: the phone read its clock while that was under way.

    Raises:
        PhoneGoneError: the answer was no clock, or the link broke.
        CollectorError: as `Phone.ask`.

    References:
        Rectangular distribution over the time under way and over the clock's step: JCGM 100:2008,
        4.3.7.
    """
    best: tuple[float, ClockAnchor] | None = None
    for _ in range(n_asked):
        before_s = clock.monotonic_s()
        reply = phone.ask(COMMAND, DEADLINE_S)
        under_way_s = clock.monotonic_s() - before_s
        if best is not None and under_way_s >= best[0]:
            continue
        found = _ANSWER.fullmatch(decode(reply.stdout))
        if found is None:
            raise PhoneGoneError(phone.serial, COMMAND, "it told no clock")
        anchor = ClockAnchor(
            boot_id=found[2],
            boot_s=float(found[1]) + _RESOLUTION_S / 2,
            host_s=before_s + under_way_s / 2,
            u_s=math.hypot(under_way_s, _RESOLUTION_S) / math.sqrt(12.0),
        )
        best = under_way_s, anchor
    if best is None:
        raise ValueError("a clock has to be asked at least once")
    return best[1]
