"""Recording at the terminal: the plan's turns, the screen, single keys, and the limits of heat."""

import io
import os
import pty
import select
import signal
import subprocess
import sys
import termios
from collections import deque
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from rich.cells import cell_len
from rich.console import Console

from collector.errors import TagError
from collector.planning.file import parse_plan
from collector.planning.plan import Plan, Slot
from collector.recording.watch import Watch
from collector.screen.conductor import Conductor, Progress
from collector.screen.live import LiveView
from collector.screen.meter import Meter
from collector.screen.session import Session
from collector.screen.status import Status
from collector.tagging.tags import Tagger
from parsers.assemble import Tick
from parsers.runfolder import Clocks, Manifest, PhoneEntry, RunFolder
from parsers.schema import Reading
from parsers.slips import SlipRecord
from parsers.tags import open_segments, read_tags, resolve

START = datetime(2026, 5, 4, 6, tzinfo=UTC)
PLAN = parse_plan("""
title = "Bench"
[limits]
after_h = 10
[[segment]]
name = "voice call"
duration_min = 2
lead_s = 30
rest_min = 1
[[segment]]
name = "navigation"
duration_min = 80
do = "Start guidance on the prepared route; all phones in the rack, glass up."
""")


class HandClock:
    now_s = 0.0

    def utc(self) -> datetime:
        return START + timedelta(seconds=self.now_s)

    def monotonic_s(self) -> float:
        return self.now_s


@dataclass
class FakePoller:
    label: str
    watch: Watch = field(default_factory=lambda: Watch(state="recording"))

    def told(self, at_s: float, **values: Any) -> None:
        reading = Reading(
            phone=self.label,
            boot_id="0a1b2c3d",
            seq=0,
            host_utc=START + timedelta(seconds=at_s),
            host_s=at_s,
            boot_s=at_s,
            **values,
        )
        self.watch.last.append(reading)
        self.watch.ticks.append(Tick(reading=reading, changes=()))


@pytest.fixture
def clock() -> HandClock:
    return HandClock()


@pytest.fixture
def run(tmp_path: Path) -> RunFolder:
    folder = RunFolder(tmp_path)
    folder.write_manifest(
        Manifest(
            run_id="r",
            tool_version="0",
            ambient_c=22.0,
            clocks=Clocks(utc=START, host_s=0.0),
            phones=(PhoneEntry(label="alder-1", phone_hash="0"),),
        )
    )
    return folder


def told(conductor: Conductor, run: RunFolder) -> str:
    return conductor.follow(open_segments(read_tags(run.tags_path).records))


def test_a_plan_is_led_turn_by_turn(run: RunFolder, clock: HandClock) -> None:
    conductor = Conductor(PLAN, Tagger(run, clock), clock)
    assert told(conductor, run) == ""
    assert conductor.progress().next_slot is not None
    assert conductor.go_on() == "'voice call' counts in 30 s"
    clock.now_s = 29.0
    assert told(conductor, run) == ""
    clock.now_s = 30.0
    assert told(conductor, run) == "'voice call' has begun"
    told(conductor, run)
    clock.now_s = 100.0
    progress = conductor.progress()
    assert (progress.segment, progress.on_s, progress.left_s) == ("voice call", 70.0, 50.0)
    clock.now_s = 150.0
    assert told(conductor, run) == "'voice call' is over"
    assert conductor.progress().rest_s == 60.0
    clock.now_s = 200.0
    assert conductor.go_on() == "'navigation' has begun"
    told(conductor, run)
    scene = conductor.scene("alder-1")
    assert scene.wanted is not None
    assert scene.wanted.name == "navigation"
    assert conductor.end() == "'navigation' ended"
    with pytest.raises(TagError, match="the plan is over"):
        conductor.go_on()
    assert [
        (s.name, (s.start.at_utc - START).total_seconds(), s.end is not None)
        for s in resolve(read_tags(run.tags_path).records)
    ] == [("voice call", 30.0, True), ("navigation", 200.0, True)]


def test_tags_of_a_second_terminal_are_followed(run: RunFolder, clock: HandClock) -> None:
    conductor = Conductor(None, Tagger(run, clock), clock)
    Tagger(run, clock).begin("music")
    clock.now_s = 65.0
    told(conductor, run)
    progress = conductor.progress()
    assert (progress.segment, progress.on_s, progress.left_s) == ("music", 65.0, None)
    conductor.begin_own("game")
    told(conductor, run)
    assert conductor.progress().segment == "game"


def slip(phone: str, kind: str, text: str) -> SlipRecord:
    return SlipRecord.model_validate(
        {"what": "began", "id": "1", "kind": kind, "phone": phone, "text": text, "at_utc": START}
    )


def four_phones() -> list[FakePoller]:
    pollers = [FakePoller(f"{tree}-1") for tree in ("alder", "birch", "cedar", "dogwood")]
    for n, poller in enumerate(pollers):
        poller.told(100.0 - n, level_pct=87.0 - n, temperature_c=31.2 + n, voltage_mv=3900.0)
    pollers[3].watch.state, pollers[3].watch.advice = "no answer", "asleep or out of reach"
    return pollers


def full_status(plan: Plan = PLAN) -> Status:
    slot = Slot(number=2, round=1, segment=plan.segments[1], duration_s=4800.0)
    meter = Meter()
    meter.energy_mwh = 12345.6
    meter._times_s.extend([50.0, 100.0])
    meter._energies_mwh.extend([12000.0, 12345.6])
    text = "org.example.tiles in front, not org.example.wayfinder"
    return Status(
        progress=Progress(segment="voice call", on_s=50.0, left_s=70.0, next_slot=slot),
        slips=[
            slip("birch-1", "wrong_app", text),
            slip("birch-1", "brightness", "brightness 190, was 224"),
            slip("cedar-1", "cable", "a supply is attached"),
        ],
        n_slips=5,
        meters={"alder-1": meter, "birch-1": meter},
        since_s=50.0,
        ambient_c=22.0,
        message="birch-1: org.example.tiles in front, not org.example.wayfinder",
        keys=[("n", "next"), ("t", "tag"), ("e", "end"), ("o", "note"), ("u", "undo"),
              ("c", "cut slip"), ("q", "stop")],
    )  # fmt: skip


def screen(width: int, height: int, status: Status, *, no_color: bool = False) -> str:
    clock = HandClock()
    console = Console(
        width=width, height=height, force_terminal=True, no_color=no_color, file=io.StringIO()
    )
    view = LiveView(console, clock, four_phones())  # type: ignore[arg-type]
    clock.now_s = 104.0
    with console.capture() as shown:
        console.print(view._screen(status, 104.0))
    return shown.get()


def plain(text: str) -> list[str]:
    import re  # noqa: PLC0415

    return re.sub(r"\x1b\[[0-9;]*m", "", text).splitlines()


@pytest.mark.parametrize(("width", "height"), [(80, 24), (120, 40)])
def test_four_phones_fit_the_screen(width: int, height: int) -> None:
    lines = plain(screen(width, height, full_status()))
    assert len(lines) < height
    assert max(cell_len(line.rstrip()) for line in lines) <= width
    text = "\n".join(lines)
    for said in (
        "recording 3 of 4 phones",
        "fair birch-1: org.example.tiles in front",
        "and 2 more",
        "voice call 0:01:10 left",
        "next navigation, 80 min",
        "q stop",
        "345.6",
        "12346",
        "+9.2",
        "wrong app",
    ):
        assert said in " ".join(text.split()), said
    assert all(f"{tree}-1" in text for tree in ("alder", "birch", "cedar", "dogwood"))


def test_the_longest_texts_leave_the_keys_on_the_screen() -> None:
    status = full_status()
    slot = status.progress.next_slot
    assert slot is not None
    long_one = slot.segment.model_copy(update={"do": "word " * 90, "who": "Ada", "name": "x" * 60})
    long_slot = replace(slot, segment=long_one)
    lines = plain(
        screen(
            80,
            24,
            replace(
                status,
                progress=replace(status.progress, slot=long_slot, next_slot=long_slot),
                slips=[slip("birch-1", "wrong_app", "org.example." + "tiles " * 40)],
                message="sentence " * 30,
            ),
        )
    )
    assert len(lines) < 24
    assert lines[-1].rstrip().endswith("q stop")
    assert sum("…" in line for line in lines) >= 4, "cut texts say so"


def test_no_colour_is_honoured() -> None:
    coloured, bare = (
        screen(80, 24, full_status(), no_color=no_color) for no_color in (False, True)
    )
    assert "\x1b[1;31m" in coloured
    assert "\x1b[1;31m" not in bare
    assert "\x1b[32m" not in bare
    assert plain(bare) == plain(coloured)


def test_names_cannot_paint_the_screen() -> None:
    bad = Status(progress=Progress(segment="[red]x\x1b[2J", on_s=1.0), message="\x1b]0;t\x07")
    text = screen(80, 24, bad)
    assert "\x1b[2J" not in text
    assert "\x1b]0" not in text
    assert "[red]x" in text


def test_piped_it_prints_a_line_a_minute(clock: HandClock) -> None:
    out = io.StringIO()
    console = Console(file=out, width=80)
    with LiveView(console, clock, four_phones()) as view:  # type: ignore[arg-type]
        for second in range(181):
            clock.now_s = float(second)
            view.show(full_status())
        view.say("birch-1: a call")
    lines = out.getvalue().splitlines()
    assert len(lines) == 5
    assert "\x1b" not in out.getvalue()
    assert lines[0].startswith("0:00:00  voice call  alder-1 87 % recording")
    assert lines[-1] == "0:03:00  birch-1: a call"


class FakeBench:
    def __init__(self, pollers: list[FakePoller]) -> None:
        self.pollers = pollers
        self.n_looks = 0

    def wait(self, timeout_s: float) -> bool:
        self.n_looks += 1
        return self.n_looks > 40


class FakeDrive:
    def __init__(self) -> None:
        self.did: list[str] = []

    def begin(self, slot: Slot) -> str:
        self.did.append(f"begin {slot.segment.name}")
        return ""

    def keep(self) -> str:
        return ""

    def stop(self) -> str:
        self.did.append("stop")
        return ""

    def costs(self) -> tuple[str, ...]:
        return ("alder-1: 3 commands, 0.12 s processor",)


@pytest.fixture
def session(run: RunFolder, clock: HandClock) -> tuple[Session, FakePoller, FakeDrive]:
    poller, drive = FakePoller("alder-1"), FakeDrive()
    bench: Any = FakeBench([poller])
    console = Console(file=io.StringIO(), width=80)
    return Session(run, bench, PLAN, clock, console, drive=drive), poller, drive


def notes(run: RunFolder) -> list[str | None]:
    return [note.text for note in read_tags(run.tags_path).notes]


def press(session: Session, keys: str) -> None:
    for key in keys:
        session._press(key)


def test_keys_tag_note_undo_and_stop(
    run: RunFolder, clock: HandClock, session: tuple[Session, FakePoller, FakeDrive]
) -> None:
    it, _, drive = session
    press(it, "tmusx\x7f\x7fsic\r")
    it._look()
    clock.now_s = 5.0
    press(it, "owarm sun\r")
    press(it, "ooops\x1b")
    clock.now_s = 10.0
    press(it, "e")
    assert [s.name for s in resolve(read_tags(run.tags_path).records)] == ["music"]
    assert notes(run) == ["warm sun"]
    press(it, "u")
    assert open_segments(read_tags(run.tags_path).records)[0].name == "music"
    press(it, "e")
    press(it, "e")
    assert it._status(has_keys=True).message == (
        "no segment is open on all phones; `rundown tag list` shows all"
    )
    press(it, "n")
    assert drive.did == ["begin voice call"]
    press(it, "qn\r")
    assert not it._done
    press(it, "q\r")
    assert it._done


def test_heat_warns_asks_and_ends_activities(
    run: RunFolder, clock: HandClock, session: tuple[Session, FakePoller, FakeDrive]
) -> None:
    it, poller, drive = session
    press(it, "tgame\r")
    it._look()
    poller.told(1.0, temperature_c=45.5)
    it._look()
    status = it._status(has_keys=True)
    assert [s.kind for s in status.slips] == ["hot"]
    assert not status.is_urgent
    poller.told(2.0, temperature_c=50.2)
    it._look()
    assert it._status(has_keys=True).message.startswith("alder-1 is at 50.2 °C. Stop now?")
    press(it, "a")
    assert not it._status(has_keys=True).is_urgent
    clock.now_s = 3.0
    poller.told(3.0, temperature_c=55.1)
    it._look()
    assert "STOP all activities" in it._status(has_keys=True).message
    assert drive.did == ["stop"]
    assert open_segments(read_tags(run.tags_path).records) == []
    assert notes(run) == ["alder-1 at 55.1 °C: activities ended"]


def test_what_is_open_when_the_user_stops_ends_then(
    run: RunFolder, clock: HandClock, session: tuple[Session, FakePoller, FakeDrive]
) -> None:
    it, _, _ = session
    press(it, "tmusic\r")
    clock.now_s = 30.0
    press(it, "q\r")
    it.run()
    (segment,) = resolve(read_tags(run.tags_path).records)
    assert segment.end is not None
    assert segment.end.at_host_s == 30.0


def test_a_border_moved_elsewhere_is_followed(run: RunFolder, clock: HandClock) -> None:
    conductor = Conductor(PLAN, Tagger(run, clock), clock)
    conductor.begin_own("music")
    clock.now_s = 20.0
    told(conductor, run)
    assert conductor.progress().on_s == 20.0
    Tagger(run, clock).move("music", "start", "+5s")
    told(conductor, run)
    assert conductor.progress().on_s == 15.0


def test_a_session_ends_with_the_phones_and_keeps_what_the_actions_cost(
    run: RunFolder, session: tuple[Session, FakePoller, FakeDrive], monkeypatch: pytest.MonkeyPatch
) -> None:
    it, _, drive = session
    monkeypatch.setattr("collector.screen.session.LOOK_S", 0.0)
    it.run()
    assert drive.did[-1] == "stop"
    assert notes(run) == ["actions: alder-1: 3 commands, 0.12 s processor"]


KEY_SCRIPT = """
import sys
from collector.screen.keys import Keys
with Keys() as keys:
    print("ready", flush=True)
    while True:
        text = keys.pressed(5.0)
        print("got", ascii(text), flush=True)
        if text == "q":
            break
        if text == "!":
            raise ZeroDivisionError
print("left", flush=True)
"""


class Terminal:
    """A program at a terminal of its own."""

    def __init__(self, script: str) -> None:
        self.control, self.side = pty.openpty()
        self.before = termios.tcgetattr(self.side)
        self.process = subprocess.Popen(
            [sys.executable, "-c", script], stdin=self.side, stdout=self.side, stderr=self.side
        )
        self.shown: deque[str] = deque()
        self.wait_for("ready")

    def wait_for(self, said: str) -> str:
        text = ""
        while said not in text:
            readable, _, _ = select.select([self.control], [], [], 15.0)
            assert readable, f"waited for {said!r}, saw {text!r}"
            text += os.read(self.control, 4096).decode()
        return text

    def end(self) -> int:
        code = self.process.wait(timeout=15)
        after = termios.tcgetattr(self.side)
        assert after == self.before, "the terminal is as it was"
        os.close(self.control)
        os.close(self.side)
        return code


def test_keys_come_one_by_one_and_the_terminal_is_put_back() -> None:
    terminal = Terminal(KEY_SCRIPT)
    assert termios.tcgetattr(terminal.side) != terminal.before
    os.write(terminal.control, b"x")
    terminal.wait_for("got 'x'")
    os.write(terminal.control, b"\x1b[A")
    terminal.wait_for("got ''")
    os.write(terminal.control, b"\x1a")  # Ctrl-Z is no key, and does not stop it
    os.write(terminal.control, b"q")
    terminal.wait_for("left")
    assert terminal.end() == 0


@pytest.mark.parametrize(
    ("how", "code"),
    [(signal.SIGTERM, 143), (signal.SIGHUP, 129), (signal.SIGINT, -signal.SIGINT)],
    ids=["term", "hangup", "interrupt"],
)
def test_the_terminal_is_put_back_on_a_signal(how: signal.Signals, code: int) -> None:
    terminal = Terminal(KEY_SCRIPT)
    terminal.process.send_signal(how)
    assert terminal.end() == code


def test_the_terminal_is_put_back_after_a_mistake_of_ours() -> None:
    terminal = Terminal(KEY_SCRIPT)
    os.write(terminal.control, b"!")
    terminal.wait_for("ZeroDivisionError")
    assert terminal.end() == 1
