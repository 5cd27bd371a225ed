"""One thread per phone: follows its recorder, journals the blocks, comes back after a loss."""

import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from typing import Protocol

from collector.adb import ByteStream
from collector.clock import Clock
from collector.errors import (
    CollectorError,
    JournalFullError,
    PhoneFloodError,
    PhoneGoneError,
    PhoneSilentError,
)
from collector.recording.ending import judge
from collector.recording.flow import Budget
from collector.recording.link import waiting_for
from collector.recording.recorder import Recorder
from collector.recording.remote import OnPhone
from collector.recording.watch import Patience, Watch
from parsers.assemble import Assembler
from parsers.blocks import Block, BlockReader
from parsers.runfolder import ClockAnchor, PhoneEnd

READ_TIMEOUT_S = 0.25
BACK_OFF_S = (0.5, 1.0, 2.0, 4.0, 8.0, 15.0)
SHOWN_EVERY_S = 0.9
"""Blocks in between are journalled, not understood: nobody looks at ten readings a second."""
LONGEST_SILENCE_S = 600.0
VAIN_READS = 12
"""After its recorder has ended, that many timeouts without a block end the waiting for more."""


class Way(Protocol):
    """The way to a phone (see `collector.recording.link.Link`)."""

    def restore(self, *, stalled: bool) -> None:
        """Makes the phone reachable again, or says why it is not."""


@dataclass(slots=True)
class _Loss:
    """When the link was lost, on both clocks, and whether it still looks good."""

    since_s: float
    utc: datetime
    stalled: bool


@dataclass(slots=True)
class _Followed:
    """One stream of the phone's file, begun at a place in it."""

    stream: ByteStream
    begun_bytes: int
    reader: BlockReader = field(default_factory=BlockReader)
    _stray_bytes: int = 0

    def new_stray_bytes(self) -> int:
        """Bytes that belong to no block, since the last call."""
        before, self._stray_bytes = self._stray_bytes, self.reader.stray_bytes
        return self._stray_bytes - before


class _BeginAgainError(CollectorError):
    """The stream is left and followed again; the link is not to blame."""


class Poller(threading.Thread):
    """Records one phone until it shuts off, is given up, or `stop` is set.

    The phone's own file is followed from a place in it, so a stream that breaks is taken up where
    it broke: what was recorded meanwhile comes first, nothing twice.

    Args:
        label: the user's name for the phone.
        way: the link to it.
        on_phone: the recorder there.
        recorder: its journal; closed when the thread ends.
        clock: the computer's clocks.
        stop: set by the owner to end the recording.
        anchor: measures the phone's clock against the computer's.
        patience: how long a silent phone is waited for.
        cutoff_mv: voltage at which this phone was seen to shut off before.
    """

    def __init__(  # noqa: PLR0913, PLR0917 - one place puts all of it together
        self,
        label: str,
        way: Way,
        on_phone: OnPhone,
        recorder: Recorder,
        clock: Clock,
        stop: threading.Event,
        anchor: Callable[[], ClockAnchor],
        patience: Patience | None = None,
        cutoff_mv: float | None = None,
    ) -> None:
        super().__init__(name=f"poll-{label}", daemon=True)
        self.watch = Watch()
        self.label = label
        self._way = way
        self._on_phone = on_phone
        self._recorder = recorder
        self._clock = clock
        self._stop_asked = stop
        self._anchor = anchor
        self._patience = patience or Patience()
        self._cutoff_mv = cutoff_mv
        self._assembler = Assembler(label)
        self._budget = Budget(stop)
        self._boot_id = ""
        self._at_bytes = 0
        self._end_bytes: int | None = None
        self._fetched_again_at: int | None = None
        self._loss: _Loss | None = None

    def run(self) -> None:
        """Polls; never raises, `watch.error` says what went wrong on this side."""
        try:
            end = self._poll_until_end()
            self._recorder.event("end", end.model_dump(mode="json"))
            self.watch.end = end
        except PhoneFloodError as exc:
            self.watch.error = str(exc)
        finally:
            if not self._recorder.close():
                self.watch.error = f"cannot write the journal: {self._recorder.problem}"
            self.watch.left_on_phone = not self._cleared_away()
            self.watch.state, self.watch.advice = "ended", ""

    def _poll_until_end(self) -> PhoneEnd:
        attempt = 0
        while not self._stop_asked.is_set():
            try:
                if self._loss is not None:
                    self._way.restore(stalled=self._loss.stalled)
                self._record()
                break
            except _BeginAgainError:
                continue
            except PhoneFloodError:
                raise
            except JournalFullError as exc:
                self.watch.state, self.watch.advice = waiting_for(exc)
            except CollectorError as exc:
                attempt = 0 if self._loss is None else attempt + 1
                loss = self._note_loss(exc)
                end = judge(self.watch.last, loss.utc, cutoff_mv=self._cutoff_mv)
                if self._clock.monotonic_s() - loss.since_s >= self._limit_s(end):
                    return end
            self._recorder.sync_if_due()
            self._stop_asked.wait(BACK_OFF_S[min(attempt, len(BACK_OFF_S) - 1)])
        return self._stopped()

    def _note_loss(self, exc: CollectorError) -> _Loss:
        stalled = isinstance(exc, PhoneSilentError)
        if self._loss is None:
            self._loss = _Loss(self._clock.monotonic_s(), self._clock.utc(), stalled)
            self._recorder.event("link_lost", {"reason": _reason(exc)})
        self._loss.stalled |= stalled
        self.watch.state, self.watch.advice = waiting_for(exc)
        return self._loss

    def _limit_s(self, end: PhoneEnd) -> float:
        patience = self._patience
        return patience.after_empty_s if end.what == "shut_off" else patience.after_loss_s

    def _stopped(self) -> PhoneEnd:
        if self._loss is not None:
            return judge(self.watch.last, self._loss.utc, cutoff_mv=self._cutoff_mv)
        last_utc = self.watch.last[-1].host_utc if self.watch.last else None
        return PhoneEnd(what="stopped", last_answer_utc=last_utc, evidence="stopped by the user")

    def _record(self) -> None:
        """Follows the phone's recorder until `stop`; raises when the stream is no good."""
        seq = 0 if self.watch.last_seq is None else self.watch.last_seq + 1
        status = self._on_phone.ensure_running(self._boot_id, seq)
        if status.n_bytes < self._at_bytes:
            self._recorder.event("file_gone", {"at_bytes": self._at_bytes})
            self._at_bytes = 0
        facts = {"boot_id": status.boot_id, "at_bytes": self._at_bytes}
        self._recorder.event("stream", facts)
        self._recorder.event("clock", self._anchor().model_dump(mode="json"))
        stream = self._on_phone.follow(self._at_bytes)
        try:
            followed = _Followed(stream, self._at_bytes)
            self._read_blocks(followed)
            self._read_rest(followed)
        finally:
            stream.close()

    def _read_blocks(self, followed: "_Followed") -> None:
        heard_s, silence_s = self._clock.monotonic_s(), self._patience.silent_s
        while not self._stop_asked.is_set():
            if self._take(followed):
                heard_s, silence_s = self._clock.monotonic_s(), self._patience.silent_s
            elif self._clock.monotonic_s() - heard_s >= silence_s:
                self._ask_what_is_wrong()
                heard_s = self._clock.monotonic_s()
                silence_s = min(2 * silence_s, max(LONGEST_SILENCE_S, self._patience.silent_s))

    def _read_rest(self, followed: "_Followed") -> None:
        """Ends the recorder on the phone and takes what it wrote until then."""
        status = self._on_phone.stop()
        if status.state == "running":
            return  # it goes on in spite of us: nothing is deleted there
        self._end_bytes = status.n_bytes
        n_vain = 0
        while self._at_bytes < self._end_bytes and n_vain < VAIN_READS:
            n_vain = 0 if self._take(followed) else n_vain + 1
        if self._at_bytes >= self._end_bytes:
            self._recorder.event("fetched_all", {"n_bytes": self._end_bytes})

    def _cleared_away(self) -> bool:
        """Deletes the blocks on the phone, once all of them are on this computer's disk."""
        if self._end_bytes is None or self._at_bytes < self._end_bytes or self.watch.error:
            return False
        try:
            self._on_phone.remove()
        except CollectorError:
            return False
        return True

    def _take(self, followed: "_Followed") -> bool:
        """Journals the blocks that have come; False if there was none."""
        data = followed.stream.read(READ_TIMEOUT_S)
        if data is None:
            self._recorder.sync_if_due()
            return False
        self._budget.spend(len(data))
        reader, n_before = followed.reader, self.watch.n_blocks
        for raw, block in reader.feed(data):
            self._check_whole(followed)
            self._recorder.block(raw)
            self._at_bytes = followed.begun_bytes + reader.taken_bytes
            self._saw(block)
        self._check_whole(followed)
        return self.watch.n_blocks > n_before

    def _check_whole(self, followed: "_Followed") -> None:
        """Bytes that are no block may have been damaged on the way: they are fetched once more."""
        stray_bytes = followed.new_stray_bytes()
        if not stray_bytes:
            return
        self._recorder.event("stray", {"n_bytes": stray_bytes, "at_bytes": self._at_bytes})
        if self._fetched_again_at != self._at_bytes:
            self._fetched_again_at = self._at_bytes
            raise _BeginAgainError("damaged on the way")

    def _ask_what_is_wrong(self) -> None:
        """On an open stream without blocks: the phone may only be asleep."""
        status = self._on_phone.status()
        if status.state == "running" and status.n_bytes > self._at_bytes:
            raise PhoneSilentError("the phone", "its stream", self._patience.silent_s)
        if status.state != "running":
            self._recorder.event("recorder_ended", {"n_bytes": status.n_bytes})
            if status.n_bytes <= self._at_bytes and self._recorder.is_durable:
                self._on_phone.remove()  # its file may be full, and all of it is here
                self._at_bytes = 0
            raise _BeginAgainError("the recorder on the phone has ended")

    def _saw(self, block: Block) -> None:
        now_s = self._clock.monotonic_s()
        watch = self.watch
        watch.last_seq = block.seq
        watch.n_blocks += 1
        watch.state, watch.advice = "recording", ""
        self._loss = None
        self._boot_id = block.boot_id
        shown_s = watch.last[-1].host_s if watch.last else float("-inf")
        if now_s - shown_s >= SHOWN_EVERY_S or len(block.parts) > 1:
            tick = self._assembler.feed(block, self._clock.utc(), now_s)
            watch.last.append(tick.reading)
            watch.ticks.append(tick)


def _reason(exc: CollectorError) -> str:
    return exc.reason if isinstance(exc, PhoneGoneError) else type(exc).__name__
