"""One thread per phone: starts the on-phone loop, records its blocks, comes back after a loss."""

import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field, replace

from collector.adb import ByteStream, Phone
from collector.clock import Clock
from collector.ending import judge
from collector.errors import CollectorError, PhoneGoneError
from collector.onphone import LoopSettings
from collector.recorder import Recorder
from parsers.assemble import Assembler
from parsers.blocks import Block, BlockReader
from parsers.runfolder import PhoneEnd
from parsers.schema import Reading

READ_TIMEOUT_S = 0.25
BACK_OFF_S = (0.5, 1.0, 2.0, 4.0, 8.0, 15.0)
KEPT_READINGS = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Patience:
    """How long a silent phone is waited for.

    Attributes:
        after_empty_s: when its last readings say it was empty.
        after_loss_s: when they do not.
    """

    after_empty_s: float = 60.0
    after_loss_s: float = 1800.0


@dataclass(slots=True)
class Watch:
    """What is known about a phone right now; written by its poller, read by the live view.

    Attributes:
        state: in a few words: `starting`, `recording`, `waiting for the link`, `ended`.
        n_blocks: blocks recorded.
        last: the latest readings, oldest first.
        last_seq: number of the newest block; None before the first.
        end: how it ended; None while it goes on.
        error: why recording stopped with an error of our own side (such as a full disk).
    """

    state: str = "starting"
    n_blocks: int = 0
    last: deque[Reading] = field(default_factory=lambda: deque(maxlen=KEPT_READINGS))
    last_seq: int | None = None
    end: PhoneEnd | None = None
    error: str | None = None


class Poller(threading.Thread):
    """Records one phone until it shuts off, is given up, or `stop` is set.

    Args:
        label: the user's name for the phone.
        phone: the link to it.
        settings: of the on-phone loop.
        recorder: its journal; closed when the thread ends.
        clock: the computer's clocks.
        stop: set by the owner to end the recording.
        reconnect: called before each new attempt; may raise a `CollectorError`.
        patience: how long a silent phone is waited for.
    """

    def __init__(  # noqa: PLR0913, PLR0917 - one place puts all of it together
        self,
        label: str,
        phone: Phone,
        settings: LoopSettings,
        recorder: Recorder,
        clock: Clock,
        stop: threading.Event,
        reconnect: Callable[[], None],
        patience: Patience | None = None,
    ) -> None:
        super().__init__(name=f"poll-{label}", daemon=True)
        self.watch = Watch()
        self.label = label
        self._phone = phone
        self._settings = settings
        self._recorder = recorder
        self._clock = clock
        self._stop_asked = stop
        self._reconnect = reconnect
        self._patience = patience or Patience()
        self._assembler = Assembler(label)
        self._stray_bytes = 0

    def run(self) -> None:
        """Polls; never raises, `watch.error` says what went wrong on this side."""
        try:
            end = self._poll_until_end()
            self._recorder.event("end", end.model_dump(mode="json"))
            self.watch.end = end
        except OSError as exc:
            self.watch.error = f"cannot write the journal: {exc.strerror or exc}"
        finally:
            self.watch.state = "ended"
            self._recorder.close()

    def _poll_until_end(self) -> PhoneEnd:
        lost_s: float | None = None
        attempt = 0
        while not self._stop_asked.is_set():
            blocks_before = self.watch.n_blocks
            try:
                if lost_s is not None:
                    self._reconnect()
                self._record_stream()
            except CollectorError as exc:
                if lost_s is None or self.watch.n_blocks > blocks_before:
                    lost_s, attempt = self._clock.monotonic_s(), 0
                    self._recorder.event("link_lost", {"reason": str(_reason(exc))})
                self.watch.state = "waiting for the link"
            if self._stop_asked.is_set() or lost_s is None:
                break
            end = judge(self.watch.last, self._clock.utc())
            limit_s = (
                self._patience.after_empty_s
                if end.what == "shut_off"
                else self._patience.after_loss_s
            )
            if self._clock.monotonic_s() - lost_s >= limit_s:
                return end
            self._recorder.sync_if_due()
            self._stop_asked.wait(BACK_OFF_S[min(attempt, len(BACK_OFF_S) - 1)])
            attempt += 1
        return self._stopped(lost_s)

    def _stopped(self, lost_s: float | None) -> PhoneEnd:
        if lost_s is not None and self.watch.state != "recording":
            return judge(self.watch.last, self._clock.utc())
        last_utc = self.watch.last[-1].host_utc if self.watch.last else None
        return PhoneEnd(what="stopped", last_answer_utc=last_utc, evidence="stopped by the user")

    def _record_stream(self) -> None:
        seq = 0 if self.watch.last_seq is None else self.watch.last_seq + 1
        stream = self._phone.stream(replace(self._settings, first_seq=seq).command())
        try:
            self._recorder.event("stream", {"first_seq": seq, "fast": self._settings.fast})
            self._read_blocks(stream)
        finally:
            stream.close()

    def _read_blocks(self, stream: ByteStream) -> None:
        reader = BlockReader()
        while not self._stop_asked.is_set():
            data = stream.read(READ_TIMEOUT_S)
            if data is None:
                self._recorder.sync_if_due()
                continue
            for raw, block in reader.feed(data):
                self._recorder.block(raw)
                self._saw(block)
            if reader.stray_bytes > self._stray_bytes:
                self._recorder.event("stray", {"n_bytes": reader.stray_bytes - self._stray_bytes})
                self._stray_bytes = reader.stray_bytes
        self._stray_bytes = 0

    def _saw(self, block: Block) -> None:
        now = self._clock.utc(), self._clock.monotonic_s()
        self.watch.last.append(self._assembler.feed(block, *now).reading)
        self.watch.last_seq = block.seq
        self.watch.n_blocks += 1
        self.watch.state = "recording"


def _reason(exc: CollectorError) -> str:
    return exc.reason if isinstance(exc, PhoneGoneError) else type(exc).__name__
