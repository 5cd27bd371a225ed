"""What recording itself takes from a phone: measured at two rates, told with its interval."""

import json
import math
import secrets
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from statistics import fmean, stdev

from platformdirs import user_data_path

from collector.adb import WritablePhone
from collector.errors import NoPhonesError, PhoneGoneError
from collector.onphone import LoopSettings, fetch_command
from collector.recording.remote import RemoteRecorder
from parsers.assemble import Assembler
from parsers.blocks import BlockReader
from parsers.gauge import decide
from parsers.gauge_samples import GaugeSamples
from parsers.runfolder import replace_file
from parsers.schema import Reading

FAST_MS, SLOW_MS = 100, 2000
N_PAIRS = 6
BLOCK_S = 60.0
SETTLE_S = 5.0
"""At the start of each block: the dumps of the beginning, and gauges that look back a little."""
READ_TIMEOUT_S = 10.0
_NO_DATE = datetime(1970, 1, 1, tzinfo=UTC)
_T95 = {2: 12.706, 3: 4.303, 4: 3.182, 5: 2.776, 6: 2.571, 7: 2.447, 8: 2.365}
"""Two-sided 95 % quantiles of Student's t by number of values (JCGM 100:2008, Table G.2)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cost:
    """What one reading a second takes.

    Attributes:
        mw_at_1hz: power, out of the battery.
        u_mw: its standard uncertainty.
        lo95_mw: lower end of the 95 % interval.
        hi95_mw: upper end.
    """

    mw_at_1hz: float
    u_mw: float
    lo95_mw: float
    hi95_mw: float


def measure_cost(
    phone: WritablePhone,
    settings: LoopSettings,
    wait: Callable[[float], object],
    *,
    n_pairs: int = N_PAIRS,
    block_s: float = BLOCK_S,
) -> Cost:
    """Compares an idle phone's power at a fast and a slow rate, in turn.

    The order (slow, fast, fast, slow) takes out what changes steadily meanwhile. Nothing else may
    happen on the phone.

    Args:
        phone: idle, unplugged, screen off.
        settings: of its recorder; the rates are replaced.
        wait: lets so many seconds pass.
        n_pairs: of one fast and one slow block, from 2 to 8.
        block_s: length of each.

    Raises:
        NoPhonesError: the phone reports no current, so that this cannot be measured.
        CollectorError: the link broke, or the phone records for a run.
    """
    blocks: list[list[Reading]] = []
    for n in range(n_pairs):
        rates_ms = (SLOW_MS, FAST_MS) if n % 2 == 0 else (FAST_MS, SLOW_MS)
        pair = {
            tick_ms: _readings(phone, replace(settings, tick_ms=tick_ms), wait, block_s)
            for tick_ms in rates_ms
        }
        blocks += [pair[FAST_MS], pair[SLOW_MS]]
    powers_mw = _powers(blocks)
    differences = [fast - slow for fast, slow in zip(powers_mw[::2], powers_mw[1::2], strict=True)]
    per_hz = [difference / (1e3 / FAST_MS - 1e3 / SLOW_MS) for difference in differences]
    mean, u = fmean(per_hz), stdev(per_hz) / math.sqrt(n_pairs)
    half = _T95[n_pairs] * u
    return Cost(mw_at_1hz=mean, u_mw=u, lo95_mw=mean - half, hi95_mw=mean + half)


def _readings(
    phone: WritablePhone, settings: LoopSettings, wait: Callable[[float], object], block_s: float
) -> list[Reading]:
    """What the phone records in a block by itself; the computer keeps quiet meanwhile."""
    run_id = secrets.token_hex(6)
    remote = RemoteRecorder(phone, run_id, settings, "polled")
    remote.ensure_running("", 0)
    wait(block_s)
    n_bytes = remote.stop().n_bytes
    stream = phone.stream(fetch_command(run_id, 0))
    assembler, reader = Assembler("phone"), BlockReader()
    readings: list[Reading] = []
    try:
        while reader.taken_bytes < n_bytes and (data := stream.read(READ_TIMEOUT_S)) is not None:
            for _, block in reader.feed(data):
                readings.append(assembler.feed(block, _NO_DATE, block.boot_s).reading)
    except PhoneGoneError:
        if reader.taken_bytes + reader.waiting_bytes < n_bytes:
            raise
    finally:
        stream.close()
    remote.remove()
    return [r for r in readings if r.boot_s - readings[0].boot_s >= SETTLE_S]


def _powers(blocks: list[list[Reading]]) -> list[float]:
    """Mean power out of the battery in each block, mW."""
    decision = decide(GaugeSamples.from_readings([r for block in blocks for r in block], None))
    powers = []
    for block in blocks:
        mw = [
            -current_ma * r.voltage_mv / 1e3
            for r in block
            if r.voltage_mv is not None
            and (current_ma := decision.current_ma(r.current_raw, None)) is not None
        ]
        if not mw:
            raise NoPhonesError(
                "the phone reports no current: what recording takes cannot be measured on it"
            )
        powers.append(fmean(mw))
    return powers


def costs_path() -> Path:
    """Where this computer keeps what recording takes from its phones, by phone hash."""
    return user_data_path("phone-rundown", appauthor=False) / "polling.json"


def known_costs(path: Path | None = None) -> dict[str, Cost]:
    """Measured costs by phone hash; empty if none are kept, or they cannot be read."""
    try:
        kept = json.loads((path or costs_path()).read_bytes())
        return {key: Cost(**value) for key, value in kept.items()}
    except (OSError, ValueError, TypeError, AttributeError):
        return {}


def keep_costs(costs: Iterable[tuple[str, Cost]], path: Path | None = None) -> None:
    """Adds costs by phone hash to those known.

    Raises:
        OSError: if they cannot be written.
    """
    where = path or costs_path()
    kept = known_costs(where) | dict(costs)
    text = json.dumps({key: asdict(cost) for key, cost in kept.items()}, indent=2)
    replace_file(where, text.encode())
