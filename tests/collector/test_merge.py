"""A journal in any order gives each block once, in the phone's order, at the right time."""

import json
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.recording.merge import MOST_MISSING, Merged, host_at, merge
from parsers.blocks import Block, render_block
from parsers.journal import Journal, Record, RecordKind
from parsers.runfolder import ClockAnchor

START = datetime(2026, 5, 4, tzinfo=UTC)


def block(seq: int, boot_id: str = "aaaaaaaa", boot_s: float | None = None) -> bytes:
    at_s = float(seq) if boot_s is None else boot_s
    return render_block(
        Block(
            seq=seq,
            boot_id=boot_id,
            begin_boot_s=at_s,
            boot_s=at_s,
            phone_epoch_s=None,
            loop_cpu_ticks=None,
            parts=(),
        )
    )


def journal(*payloads: bytes | dict[str, object], step_s: float = 1.0) -> Journal:
    records = []
    for n, payload in enumerate(payloads):
        is_block = isinstance(payload, bytes)
        stored = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
        records.append(
            Record(
                kind=RecordKind.BLOCK if is_block else RecordKind.EVENT,
                number=n,
                host_utc=START + timedelta(seconds=n * step_s),
                host_s=1000.0 + n * step_s,
                payload=stored,
            )
        )
    return Journal(records=records)


def numbers(merged: Merged) -> list[tuple[str, int]]:
    return [(t.block.boot_id, t.block.seq) for t in merged.taken]


@given(st.lists(st.integers(0, 30), min_size=1, max_size=60))
def test_any_order_any_number_of_times(order: list[int]) -> None:
    merged = merge(journal(*(block(seq) for seq in order)))
    assert numbers(merged) == [("aaaaaaaa", seq) for seq in sorted(set(order))]
    for taken in merged.taken:
        first = order.index(taken.block.seq)
        assert taken.host_s == 1000.0 + first, "the first arrival counts"
    absent = {
        seq
        for m in merged.missing
        for seq in range(m.first_seq, (m.last_seq if m.last_seq is not None else -1) + 1)
    }
    assert absent == set(range(max(order))) - set(order)


def test_sessions_stay_in_the_order_of_the_phones_file() -> None:
    merged = merge(journal(block(0), block(1), block(0, "bbbbbbbb"), block(2)))
    assert numbers(merged) == [
        ("aaaaaaaa", 0),
        ("aaaaaaaa", 1),
        ("aaaaaaaa", 2),
        ("bbbbbbbb", 0),
    ]


def clock(boot_s: float, host_s: float, boot_id: str = "aaaaaaaa") -> dict[str, object]:
    return {"what": "clock", "boot_id": boot_id, "boot_s": boot_s, "host_s": host_s, "u_s": 0.01}


def test_what_was_fetched_later_gets_the_time_it_was_taken_at() -> None:
    merged = merge(
        journal(
            clock(0.0, 500.0),
            block(0, boot_s=10.0),
            clock(1000.0, 1500.2),
            step_s=490.0,
        )
    )
    (taken,) = merged.taken
    assert taken.host_s == pytest.approx(510.002)
    assert taken.host_utc - START == timedelta(seconds=490 - (1490 - 510.002))
    live = merge(journal(clock(0.0, 999.0), block(0, boot_s=0.9)))
    assert live.taken[0].host_s == 1001.0, "a block seen live keeps its arrival"


def test_drift_is_taken_out_between_anchors_and_held_beyond() -> None:
    anchors = [
        ClockAnchor(boot_id="a", boot_s=boot_s, host_s=host_s, u_s=0.01)
        for boot_s, host_s in ((0.0, 100.0), (1000.0, 1101.0))
    ]
    assert host_at(500.0, anchors) == pytest.approx(600.5)
    assert host_at(-50.0, anchors) == pytest.approx(50.0)
    assert host_at(2000.0, anchors) == pytest.approx(2101.0)
    assert host_at(7.0, anchors[:1]) == pytest.approx(107.0)


def test_what_may_still_be_on_the_phone_is_named_until_it_is_fetched() -> None:
    stream = {"what": "stream", "boot_id": "aaaaaaaa", "at_bytes": 0}
    (missing,) = merge(journal(stream, block(0), block(1))).missing
    assert (missing.first_seq, missing.last_seq) == (2, None)
    assert "rundown collect" in missing.reason
    (all_of_it,) = merge(journal(stream)).missing
    assert all_of_it.first_seq == 0
    fetched = {"what": "fetched_all", "n_bytes": 9}
    assert merge(journal(stream, block(0), fetched)).missing == ()


def test_strange_events_and_many_holes_are_survived() -> None:
    records = journal(
        {"what": "clock", "boot_id": 7},
        *(block(2 * n) for n in range(1000)),
    )
    records.records.append(
        Record(kind=RecordKind.EVENT, number=9999, host_utc=START, host_s=0.0, payload=b"[1")
    )
    merged = merge(records)
    assert merged.clocks == ()
    assert len(merged.missing) == MOST_MISSING
