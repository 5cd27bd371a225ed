"""A long check-in dump is read in one pass with little memory."""

import tracemalloc

from parsers.sources.battery_checkin import parse

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


def test_a_long_history_takes_less_than_ten_times_its_size() -> None:
    text = long_history()
    tracemalloc.start()
    try:
        parsed = parse(text)
        _, peak_bytes = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    history = parsed.rows[0].history
    n_pushes = text.count("Bl=")
    assert not parsed.unread
    assert len(history) == 3 * n_pushes
    assert sum(point.running for point in history) == n_pushes
    deltas_ms = [int(ln.split(",")[2]) for ln in text.splitlines()[3:]]
    assert history[-1].epoch_s == (START_MS + sum(deltas_ms)) / 1000
    assert peak_bytes < 10 * len(text)
