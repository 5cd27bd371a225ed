"""The demonstration: a courier co-operative's phones through a whole shift in about a minute.

The phones are virtual and known to the last milliwatt-hour; everything else is the real thing:
a real adb server, the same polling, journals, tags and tables as for phones on a table.
"""

import math
import time
from dataclasses import dataclass
from pathlib import Path

from rich.console import Console

from collector.adb import AdbServer
from collector.adb_server import PrivateAdbServer
from collector.recording.bench import Bench, make_ready
from collector.recording.poller import Poller
from collector.recording.tidy import tidy
from collector.recording.watch import Patience
from collector.screen.conductor import Progress
from collector.screen.live import LiveView
from collector.screen.status import Status
from collector.tagging.tags import Tagger
from collector.virtual.clock import SteppedTime
from collector.virtual.farm import VirtualFarm
from collector.virtual.handset import HANDSETS, Handset, Stage
from collector.virtual.loads import (
    GAME,
    MUSIC,
    NAVIGATION,
    PARCEL_SCANNING,
    STANDBY,
    VIDEO_BRIEFING,
    VOICE_CALL,
)
from collector.virtual.phone import VirtualPhone
from parsers.runfolder import RunFolder
from parsers.schema import TrueEnergy
from parsers.tables import write_table

TITLE = "Courier co-operative: which work phone lasts the shift?"
AMBIENT_C = 22.0
STEP_S = 5.0
"""How far time moves on at once: a few ticks, so that arrival times still mean something."""
STEP_DEADLINE_S = 20.0
VIEW_EVERY_S = 0.2


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One part of the shift.

    Attributes:
        stage: what the phones do, and for how long.
        tagged: False for the slip: nobody meant to do it, so nobody tagged it.
    """

    stage: Stage
    tagged: bool = True


SHIFT = (
    Part(stage=Stage(name="navigation", activity=NAVIGATION, duration_s=80 * 60)),
    Part(stage=Stage(name="voice call", activity=VOICE_CALL, duration_s=20 * 60)),
    Part(stage=Stage(name="parcel scanning", activity=PARCEL_SCANNING, duration_s=45 * 60)),
    Part(stage=Stage(name="standby in the pocket", activity=STANDBY, duration_s=90 * 60)),
    Part(stage=Stage(name="game by accident", activity=GAME, duration_s=6 * 60), tagged=False),
    Part(stage=Stage(name="music", activity=MUSIC, duration_s=45 * 60)),
    Part(stage=Stage(name="video briefing", activity=VIDEO_BRIEFING, duration_s=30 * 60)),
    Part(stage=Stage(name="navigation", activity=NAVIGATION, duration_s=60 * 60)),
)
"""The last part goes on until each phone shuts off."""


def run_demo(path: Path, seed: int, console: Console) -> RunFolder:
    """Records the shift into a new run folder.

    Args:
        path: the folder; must not hold a run.
        seed: same seed, same phones.
        console: where progress is shown.

    Raises:
        RunExistsError: if there is a run in the folder.
        CollectorError: if no adb program is to be had, or the private server does not start.
    """
    folder = RunFolder(path)
    console.print(
        "three virtual phones (Alder, Birch, Cedar) on a courier's shift of about eight hours, "
        "a real adb server between them and us",
        markup=False,
    )
    clock = SteppedTime()
    stages = [part.stage for part in SHIFT]
    with VirtualFarm() as farm, PrivateAdbServer() as private:
        phones = {}
        for spec in HANDSETS:
            handset = Handset(spec, stages, seed=seed, ambient_c=AMBIENT_C, until_off=True)
            phone = VirtualPhone(handset, clock)
            hosted = farm.add(phone)
            phone.on_off = hosted.adbd.vanish
            private.connect(hosted.address)
            phones[hosted.address] = phone
        server = AdbServer(private.port)
        labels = {address: f"{phone.handset.spec.key}-1" for address, phone in phones.items()}
        rated = {
            labels[address]: phone.handset.spec.rated_capacity_mah
            for address, phone in phones.items()
        }
        ready = make_ready(server, labels, capacities_mah=rated)
        bench = Bench(
            folder,
            server,
            ready,
            clock,
            title=TITLE,
            ambient_c=AMBIENT_C,
            virtual=True,
            patience=Patience(after_empty_s=0.0, silent_s=math.inf),
        )
        with bench:
            conductor = _Conductor(
                farm, clock, bench, {labels[address]: phone for address, phone in phones.items()}
            )
            conductor.conduct(Tagger(folder, clock), console)
        for address, phone in phones.items():
            label = labels[address]
            truth = (
                TrueEnergy(phone=label, boot_s=boot_s, energy_mwh=energy_mwh)
                for boot_s, energy_mwh in zip(*phone.handset.trace(), strict=True)
            )
            write_table(folder.tables, "truth", label, truth, {})
    tidy(folder)
    return folder


class _Conductor:
    """Moves time on, step by step, and waits for every reading of a step to be in its journal."""

    def __init__(
        self,
        farm: VirtualFarm,
        clock: SteppedTime,
        bench: Bench,
        phones: dict[str, VirtualPhone],
    ) -> None:
        self._farm = farm
        self._clock = clock
        self._bench = bench
        self._phones = phones
        self._shown_s = 0.0

    def conduct(self, tagger: Tagger, console: Console) -> None:
        with LiveView(console, self._clock, self._bench.pollers) as view:
            self._settle()
            for part in SHIFT:
                if part.tagged:
                    tagger.begin(part.stage.name)
                end_s = self._clock.monotonic_s() + part.stage.duration_s
                while self._alive() and (part is SHIFT[-1] or self._clock.monotonic_s() < end_s):
                    left_s = end_s - self._clock.monotonic_s()
                    self._step(min(STEP_S, left_s) if left_s > 0 else STEP_S)
                    self._show(view, part.stage.name)
                if part.tagged:
                    tagger.end()
            self._bench.wait(STEP_DEADLINE_S)

    def _step(self, length_s: float) -> None:
        self._farm.call(self._clock.advance_to, self._clock.monotonic_s() + length_s)
        self._settle()

    def _settle(self) -> None:
        deadline = time.monotonic() + STEP_DEADLINE_S
        while not all(self._has_settled(poller) for poller in self._bench.pollers):
            if time.monotonic() > deadline:
                stuck = [p.label for p in self._bench.pollers if not self._has_settled(p)]
                raise TimeoutError(f"no reading came through from {', '.join(stuck)}")
            time.sleep(0.0002)

    def _has_settled(self, poller: Poller) -> bool:
        phone = self._phones[poller.label]
        if phone.handset.is_off or not poller.is_alive():
            return not poller.is_alive()
        sent = phone.last_seq
        return sent is not None and phone.is_idle and poller.watch.last_seq == sent

    def _alive(self) -> bool:
        return any(poller.is_alive() for poller in self._bench.pollers)

    def _show(self, view: LiveView, segment: str) -> None:
        if time.monotonic() - self._shown_s >= VIEW_EVERY_S:
            self._shown_s = time.monotonic()
            view.show(Status(progress=Progress(segment=segment)))
