"""Has the phones do a segment's handwork by themselves, the same on every phone."""

import re
import threading
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Literal

from collector.adb import WritablePhone
from collector.clock import Clock
from collector.driving.numbers import allowed_numbers
from collector.driving.score import USUAL_SCREEN, Score, score_of, screen_size
from collector.errors import CollectorError, NumberRefusedError, PhoneRefusedError
from collector.fairness.snapshot import Snapshots
from collector.onphone import DRIVE_FOLDER, DRIVE_PATH, DRIVE_SCRIPT
from collector.planning.plan import Limits, Plan, Slot
from parsers.text import decode, printable

DEADLINE_S = 15.0
LEASE_S = 45.0
"""Without word from the computer for so long, a phone ends its actions by itself."""
RENEW_EVERY_S = 10.0
_TICKS_PER_S = 100.0
"""USER_HZ of Linux on every Android platform."""
_STATUS = re.compile(r"drive 1 (running|idle) (\S{1,10}) (\d{1,9}) (\d{1,12}|-)\s*")


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveStatus:
    """What the script on a phone says of itself.

    Attributes:
        why: why it ended: `done`, `stopped`, `alone`, `hot`; `-` while it runs.
        n_commands: sent so far; known once it has ended.
        cpu_ticks: what it cost; None while it runs.
    """

    running: bool
    why: str
    n_commands: int
    cpu_ticks: int | None


class DrivenPhone:
    """The script on one phone."""

    def __init__(self, phone: WritablePhone) -> None:
        self._phone = phone

    def begin(self, score: Score, stop_c: float) -> DriveStatus:
        """Puts script and score there and starts.

        Raises:
            PhoneRefusedError: if it does not run there.
            CollectorError: as `Phone.ask`.
        """
        files = {
            "drive.sh": DRIVE_SCRIPT,
            "score": "".join(f"{line}\n" for line in score.lines),
            "finale": "".join(f"{line}\n" for line in score.finale),
        }
        for name, text in files.items():
            self._phone.push(text.encode(), f"{DRIVE_FOLDER}/{name}", DEADLINE_S)
        self.lease()
        started = self._ask("start", f"TENTHS={score.tenths} STOP_DC={round(stop_c * 10)} ")
        if not started.running and started.why == "-":
            raise PhoneRefusedError(self._phone.serial, "its shell does not run the actions")
        return started

    def lease(self) -> None:
        """Says that the computer is still there.

        Raises:
            CollectorError: as `Phone.ask`.
        """
        self._phone.ask(f"sh {DRIVE_PATH} lease {round(LEASE_S * 10)}", DEADLINE_S)

    def screen_text(self) -> str:
        """The phone's own words on its screen.

        Raises:
            CollectorError: as `Phone.ask`.
        """
        return decode(self._phone.ask("wm size", DEADLINE_S).stdout)

    def stop(self) -> DriveStatus:
        """Ends it; what must be done at the end is done.

        Raises:
            CollectorError: as `Phone.ask`.
        """
        return self._ask("stop")

    def status(self) -> DriveStatus:
        """How it is.

        Raises:
            CollectorError: as `Phone.ask`.
        """
        return self._ask("status")

    def remove(self) -> None:
        """Ends it and deletes its files from the phone.

        Raises:
            CollectorError: as `Phone.ask`.
        """
        self._phone.ask(f"sh {DRIVE_PATH} remove", DEADLINE_S)

    def _ask(self, word: Literal["start", "stop", "status"], given: str = "") -> DriveStatus:
        reply = self._phone.ask(f"{given}sh {DRIVE_PATH} {word}", DEADLINE_S)
        found = _STATUS.fullmatch(decode(reply.stdout))
        if found is None:
            said = printable(decode(reply.stdout or reply.stderr), 80)
            raise PhoneRefusedError(self._phone.serial, f"the script of actions says: {said}")
        return DriveStatus(
            running=found[1] == "running",
            why=found[2],
            n_commands=int(found[3]),
            cpu_ticks=None if found[4] == "-" else int(found[4]),
        )


class Drive:
    """The actions of a plan on all phones.

    While a segment is driven, a thread renews every phone's lease: when this program dies, or the
    link is lost for long, each phone ends its actions by itself.

    Args:
        phones: phone and hash by label.
        snapshots: where the old values of what is set are kept.
        limits: of temperature.
        clock: the computer's clocks.
        allowed: numbers that may be called; the user's own list if None.
    """

    def __init__(
        self,
        phones: Mapping[str, tuple[WritablePhone, str]],
        snapshots: Snapshots,
        limits: Limits,
        clock: Clock,
        allowed: frozenset[str] | None = None,
    ) -> None:
        self._phones = dict(phones)
        self._driven = {label: DrivenPhone(phone) for label, (phone, _) in self._phones.items()}
        self._snapshots = snapshots
        self._limits = limits
        self._clock = clock
        self._allowed = allowed_numbers() if allowed is None else allowed
        self._stop = threading.Event()
        self._renewing: threading.Thread | None = None
        self._problems: list[str] = []
        self._costs: list[str] = []

    def begin(self, slot: Slot) -> str:
        """Starts a segment's actions; says what was started, or why not."""
        self.stop()
        if not slot.segment.drive:
            return ""
        with ThreadPoolExecutor(max_workers=len(self._driven)) as pool:
            failed = [
                each for each in pool.map(lambda x: self._begin_on(x, slot), self._driven) if each
            ]
        self._stop.clear()
        self._renewing = threading.Thread(target=self._renew, name="drive-lease", daemon=True)
        self._renewing.start()
        names = ", ".join(action.action for action in slot.segment.drive)
        return "; ".join([f"the phones do: {names}", *failed])

    def keep(self) -> str:
        """What went wrong since it was last asked, if anything."""
        problems, self._problems = self._problems, []
        return "; ".join(problems)

    def stop(self) -> str:
        """Ends all actions at once; says what went wrong, if anything."""
        if self._renewing is None:
            return ""
        self._stop.set()
        self._renewing.join(timeout=DEADLINE_S)
        self._renewing = None
        with ThreadPoolExecutor(max_workers=len(self._driven)) as pool:
            return "; ".join(filter(None, pool.map(self._end_on, self._driven)))

    def costs(self) -> tuple[str, ...]:
        """What the actions took from each phone's processor, in sentences."""
        return tuple(self._costs)

    def clear_away(self) -> str:
        """Ends everything and deletes the files from the phones; says what is left there."""
        left = [self.stop()]
        for label, driven in self._driven.items():
            try:
                driven.remove()
            except CollectorError as exc:
                left.append(f"{label}: {DRIVE_FOLDER} is still there: {exc}")
        return "; ".join(filter(None, left))

    def _begin_on(self, label: str, slot: Slot) -> str:
        (phone, phone_hash), driven = self._phones[label], self._driven[label]
        try:
            screen = screen_size(driven.screen_text())
            score = score_of(slot.segment, screen, self._allowed)
            _, not_set = self._snapshots.set(
                phone, phone_hash, label, score.settings, self._clock.utc()
            )
            driven.begin(score, self._limits.stop_c)
        except (CollectorError, ValueError) as exc:
            return f"{label}: not driven: {exc}"
        return "; ".join(not_set)

    def _end_on(self, label: str) -> str:
        try:
            status = self._driven[label].stop()
        except CollectorError as exc:
            return f"{label}: ends by itself within {LEASE_S:.0f} s: {exc}"
        if status.cpu_ticks is not None:
            cpu_s = status.cpu_ticks / _TICKS_PER_S
            self._costs.append(f"{label}: {status.n_commands} commands, {cpu_s:.2f} s processor")
        return f"{label}: still driven" if status.running else ""

    def _renew(self) -> None:
        while not self._stop.wait(RENEW_EVERY_S):
            for label, driven in self._driven.items():
                try:
                    driven.lease()
                    status = driven.status()
                except CollectorError:
                    continue  # the phone ends by itself when its lease is over
                if not status.running and status.why in ("alone", "hot"):
                    why = "too hot" if status.why == "hot" else "no word from this computer"
                    self._problems.append(f"{label}: actions ended: {why}")


def rehearse(plan: Plan) -> list[str]:
    """What every driven segment would send to a phone of the usual screen; sends nothing."""
    allowed = allowed_numbers()
    lines = []
    for segment in plan.segments:
        if not segment.drive:
            continue
        lines.append(f"'{segment.name}':")
        try:
            score = score_of(segment, USUAL_SCREEN, allowed)
        except NumberRefusedError as exc:
            lines.append(f"  refused: {exc}")
            continue
        lines += [
            f"  before: {knob.command(value)}; put back in the end"
            for knob, value in score.settings
        ]
        lines += [f"  {_timed(line)}" for line in score.lines]
        lines += [f"  at the end: {command}" for command in score.finale]
    return lines


def refusals(plan: Plan) -> list[str]:
    """Why actions of a plan would not be sent."""
    return [line.strip() for line in rehearse(plan) if line.startswith("  refused: ")]


def _timed(line: str) -> str:
    after, every, command = line.split(" ", 2)
    often = f", every {int(every) / 10:g} s" if every != "0" else ""
    return f"after {int(after) / 10:g} s{often}: {command}"
