"""One phone's journal as blocks in the phone's own order: each once, and what is missing named."""

import json
from bisect import bisect_right
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Any

from pydantic import ValidationError

from parsers.blocks import Block, parse_block
from parsers.journal import Journal, Record, RecordKind
from parsers.runfolder import ClockAnchor, Missing

LATE_S = 5.0
"""A block that arrived so long after it was taken was fetched later, not seen live."""
MOST_MISSING = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """One block of the recording.

    Attributes:
        block: as read.
        host_utc: the computer's wall clock when it arrived; for one that was fetched later, when
            it would have.
        host_s: the computer's monotonic clock then.
    """

    block: Block
    host_utc: datetime
    host_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Merged:
    """What a journal amounts to.

    Attributes:
        taken: by boot session in the order of time, in each by number.
        clocks: the anchors it holds, in order of time.
        missing: at most `MOST_MISSING` stretches.
    """

    taken: tuple[Taken, ...]
    clocks: tuple[ClockAnchor, ...]
    missing: tuple[Missing, ...]


def merge(journal: Journal) -> Merged:
    """Each block once, the first arrival of it, however often and in what order it came."""
    events = [record for record in journal.records if record.kind is RecordKind.EVENT]
    clocks = tuple(_anchors(events))
    sessions: dict[str, dict[int, tuple[Record, Block]]] = {}
    for record in journal.records:
        if record.kind is not RecordKind.BLOCK:
            continue
        block = parse_block(record.payload)
        if block is not None:
            sessions.setdefault(block.boot_id, {}).setdefault(block.seq, (record, block))
    taken: list[Taken] = []
    missing: list[Missing] = []
    for boot_id, blocks in sessions.items():
        mine = [anchor for anchor in clocks if anchor.boot_id == boot_id]
        taken += [_timed(*blocks[seq], mine) for seq in sorted(blocks)]
        missing += _holes(boot_id, sorted(blocks), damaged=bool(journal.damage))
    missing += _unfetched(events, sessions)
    return Merged(taken=tuple(taken), clocks=clocks, missing=tuple(missing[:MOST_MISSING]))


def facts_of(record: Record) -> dict[str, Any]:
    """What an event record says; empty if it is no JSON object."""
    try:
        facts = json.loads(record.payload)
    except ValueError:
        return {}
    return facts if isinstance(facts, dict) else {}


def _anchors(events: Iterable[Record]) -> Iterator[ClockAnchor]:
    for record in events:
        facts = facts_of(record)
        if facts.pop("what", None) == "clock":
            try:
                yield ClockAnchor.model_validate(facts)
            except ValidationError:
                continue


def _timed(record: Record, block: Block, anchors: list[ClockAnchor]) -> Taken:
    host_s, host_utc = record.host_s, record.host_utc
    if anchors:
        late_s = host_s - host_at(block.boot_s, anchors)
        if late_s > LATE_S:
            host_s, host_utc = host_s - late_s, host_utc - timedelta(seconds=late_s)
    return Taken(block=block, host_utc=host_utc, host_s=host_s)


def host_at(boot_s: float, anchors: list[ClockAnchor]) -> float:
    """The computer's monotonic clock at a moment of a boot session.

    Between two anchors the offset is interpolated, so that the drift of the clocks is taken out;
    beyond them it is held.

    Args:
        boot_s: the phone's clock since boot.
        anchors: of that session, at least one, in order of time.
    """
    after = bisect_right(anchors, boot_s, key=lambda anchor: anchor.boot_s)
    first, last = anchors[max(after - 1, 0)], anchors[min(after, len(anchors) - 1)]
    offset_s = first.host_s - first.boot_s
    if last.boot_s > first.boot_s:
        share = (boot_s - first.boot_s) / (last.boot_s - first.boot_s)
        offset_s += share * (last.host_s - last.boot_s - offset_s)
    return boot_s + offset_s


def _holes(boot_id: str, numbers: list[int], *, damaged: bool) -> Iterator[Missing]:
    reason = (
        "damaged in the journal"
        if damaged
        else "the phone could not keep them: its recorder was killed while it wrote, or its"
        " storage was full"
    )
    for before, after in pairwise([-1, *numbers]):
        if after > before + 1:
            yield Missing(boot_id=boot_id, first_seq=before + 1, last_seq=after - 1, reason=reason)


def _unfetched(
    events: list[Record], sessions: dict[str, dict[int, tuple[Record, Block]]]
) -> Iterator[Missing]:
    """What may still be on the phone: recording went on after the last word from it."""
    told = [facts_of(record) for record in events]
    fetched = [n for n, facts in enumerate(told) if facts.get("what") == "fetched_all"]
    begun = [n for n, facts in enumerate(told) if facts.get("what") in ("stream", "armed")]
    if not begun or (fetched and fetched[-1] > begun[-1]):
        return
    boot_id = str(told[begun[-1]].get("boot_id", ""))
    yield Missing(
        boot_id=boot_id,
        first_seq=max(sessions.get(boot_id, {-1: None})) + 1,
        reason="the phone may have recorded on unheard: `rundown collect` fetches it",
    )
