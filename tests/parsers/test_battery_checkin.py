"""A long check-in dump is read in one pass with little memory."""

import tracemalloc

import pytest

from parsers.outcome import Parsed
from parsers.sources.battery_checkin import parse
from parsers.sources.battery_stats_rows import BatteryStatsRow

SIZE_BYTES = 1_000_000
START_MS = 1_935_561_600_000


def long_history() -> str:
    """Records as a phone makes them: a push of the battery, then wake-ups and sleeps."""
    lines = ["9,0,i,vers,35,190,EX1,EX1", '9,hsp,0,10123,"org.example.courier"']
    lines.append(f"9,h,0:RESET:TIME:{START_MS}")
    size = n = 0
    while size < SIZE_BYTES:
        lines += [
            f"9,h,{59_000 + n % 7},Bl={99 - n // 900 % 99},Bt={250 + n % 90},Bv={4300 - n % 900}",
            f"9,h,{n % 900},+r,wr=1",
            f"9,h,{n % 70},+w=0,+Wr,Pss={n % 5}",
            f"9,h,{n % 80},-w=0,-Wr",
            f"9,h,{n % 90},-r",
        ]
        size += sum(len(line) + 1 for line in lines[-5:])
        n += 1
    return "\n".join(lines) + "\n"


def traced(text: str) -> tuple[Parsed[BatteryStatsRow], int]:
    """What was read, and the most memory it took meanwhile, in bytes."""
    tracemalloc.start()
    try:
        return parse(text), tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


def test_a_long_history_takes_less_than_ten_times_its_size() -> None:
    text = long_history()
    parsed, peak_bytes = traced(text)
    history = parsed.rows[0].history
    n_pushes = text.count("Bl=")
    assert not parsed.unread
    assert len(history) == 3 * n_pushes
    assert sum(point.running for point in history) == n_pushes
    deltas_ms = [int(ln.split(",")[2]) for ln in text.splitlines()[3:]]
    assert history[-1].epoch_s == (START_MS + sum(deltas_ms)) / 1000
    assert peak_bytes < 10 * len(text)


@pytest.mark.parametrize(
    "shortest",
    ["9,h,{ms:03},Bl={pct:02}", "9,0,i,dsd,5,{pct:02}", "9,0,l,pwi,uid,{pct:02}"],
    ids=["history", "steps", "power-use"],
)
def test_the_shortest_records_take_less_than_ten_times_their_size(shortest: str) -> None:
    records = (f"{shortest.format(ms=n % 1000, pct=n % 100)}" for n in range(60_000))
    text = "9,h,0:TIME:1935561600000\n" + "".join(f"{record}\n" for record in records)
    parsed, peak_bytes = traced(text)
    row = parsed.rows[0]
    assert len(row.history) + len(row.steps) + len(row.power_use) == 60_000
    assert peak_bytes < 10 * len(text)


def test_history_points_are_a_sequence() -> None:
    row = parse(long_history()[:20_000]).rows[0]
    points = tuple(row.history)
    assert row.history[3:5] == points[3:5]
    assert row.history[-1] == points[-1]
    assert row.history == points
    assert row.history != points[1:]
    with pytest.raises(IndexError):
        row.history[len(points)]
