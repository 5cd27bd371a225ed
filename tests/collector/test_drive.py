"""Actions: each is what the phone received, on time, and ends at once when it must."""

import asyncio
import shutil
import stat
import subprocess
import time
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from pydantic import TypeAdapter

from collector.adb import AdbServer
from collector.adb_server import PrivateAdbServer
from collector.clock import SystemClock
from collector.driving.actions import ACTION_NAMES, Action
from collector.driving.drive import Drive, DrivenPhone, rehearse
from collector.driving.score import ScreenSize, score_of, screen_size
from collector.errors import PhoneRefusedError
from collector.fairness.snapshot import Snapshots
from collector.onphone import DRIVE_FOLDER, DRIVE_PATH, DRIVE_SCRIPT
from collector.planning.file import parse_plan
from collector.planning.plan import Limits, Segment, Slot
from collector.virtual.clock import FastTime, SteppedTime
from collector.virtual.farm import VirtualFarm
from collector.virtual.handset import ALDER, Handset
from collector.virtual.loads import STANDBY
from collector.virtual.phone import VirtualPhone

OWN = frozenset({"+49301234567"})
SCREEN = ScreenSize(width=1080, height=2400)
RATE = 40.0


def segment(*actions: dict[str, Any], minutes: float = 5.0) -> Segment:
    return Segment.model_validate({"name": "s", "duration_min": minutes, "drive": list(actions)})


class Rig:
    """One virtual phone on a fast clock, driven over a real adb server."""

    def __init__(self, farm: VirtualFarm, private: PrivateAdbServer, folder: Path) -> None:
        handset = Handset(ALDER, [], seed=1, until_off=False)
        handset.set_activity(STANDBY)
        self.phone = VirtualPhone(handset, FastTime(RATE))
        self.hosted = farm.add(self.phone)
        private.connect(self.hosted.address)
        self.adb = AdbServer(private.port).phone(self.hosted.address)
        self.snapshots = Snapshots(folder)
        self.drive = Drive(
            {"alder-1": (self.adb, "0" * 16)}, self.snapshots, Limits(), SystemClock(), OWN
        )

    @property
    def received(self) -> list[str]:
        return self.phone.hands.commands()

    def begin(self, *actions: dict[str, Any], minutes: float = 5.0) -> str:
        wanted = segment(*actions, minutes=minutes)
        return self.drive.begin(Slot(number=1, round=1, segment=wanted, duration_s=60 * minutes))

    def wait_for(self, command: str, times: int = 1) -> None:
        deadline = time.monotonic() + 10.0
        while self.received.count(command) < times:
            assert time.monotonic() < deadline, f"waited for {command!r}, saw {self.received}"
            time.sleep(0.01)


@pytest.fixture(scope="module")
def private() -> Iterator[PrivateAdbServer]:
    with PrivateAdbServer() as running:
        yield running


@pytest.fixture
def rig(
    private: PrivateAdbServer, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[Rig]:
    monkeypatch.setattr("collector.driving.drive.LEASE_S", 4000.0)  # the phone's time flies
    with VirtualFarm() as farm:
        made = Rig(farm, private, tmp_path / "restore")
        yield made
        made.drive.stop()
        private.disconnect(made.hosted.address)


CASES: list[tuple[dict[str, Any], list[str], list[str]]] = [
    (
        {"action": "open", "app": "org.example.tiles"},
        ["monkey -p org.example.tiles -c android.intent.category.LAUNCHER 1"],
        [],
    ),
    (
        {"action": "open", "app": "org.example.tiles/.BoardActivity"},
        ["am start -n org.example.tiles/.BoardActivity"],
        [],
    ),
    (
        {"action": "link", "link": "https://example.org/page?a=1&b=2"},
        ["am start -a android.intent.action.VIEW -d 'https://example.org/page?a=1&b=2'"],
        [],
    ),
    (
        {"action": "swipe", "from": [0.5, 0.75], "to": [0.5, 0.25], "every_s": 20},
        ["input swipe 540 1800 540 600 300"],
        [],
    ),
    ({"action": "tap", "at": [1.0, 0.0]}, ["input tap 1079 0"], []),
    ({"action": "type", "text": "it's 5 km; go"}, ["input text 'it'\"'\"'s%s5%skm;%sgo'"], []),
    ({"action": "play"}, ["input keyevent 126"], ["input keyevent 127"]),
    ({"action": "volume", "step": 7}, ["cmd media_session volume --stream 3 --set 7"], []),
    (
        {"action": "call", "number": "+49 30 1234567", "max_s": 60},
        [
            "am start -a android.intent.action.CALL -d tel:+49301234567",
            "input keyevent 6",
        ],
        ["input keyevent 6"],
    ),
    (
        {"action": "film"},
        ["am start -a android.media.action.VIDEO_CAMERA", "input keyevent 27"],
        ["input keyevent 27"],
    ),
    (
        {"action": "picture", "every_s": 30},
        ["am start -a android.media.action.STILL_IMAGE_CAMERA", "input keyevent 27"],
        [],
    ),
    ({"action": "screen_on"}, ["input keyevent 224"], []),
]


def test_every_action_has_a_case() -> None:
    assert {case[0]["action"] for case in CASES} == set(ACTION_NAMES)
    kinds = TypeAdapter(Action).json_schema()["discriminator"]["mapping"]
    assert set(kinds) == set(ACTION_NAMES)


@pytest.mark.parametrize(
    ("action", "received", "finale"),
    CASES,
    ids=[f"{n}-{case[0]['action']}" for n, case in enumerate(CASES)],
)
def test_the_phone_receives_what_the_action_says(
    rig: Rig, action: dict[str, Any], received: list[str], finale: list[str]
) -> None:
    assert rig.begin(action).endswith(f"the phones do: {action['action']}")
    for command in received:
        rig.wait_for(command)
    assert rig.received[: len(received)] == received
    n_before = len(rig.received)
    assert rig.drive.stop() == ""
    assert rig.received[n_before:][-len(finale) or len(rig.received) :] == finale
    assert not rig.phone.driver.is_running
    assert "processor" in rig.drive.costs()[0]


def test_repeated_actions_come_on_time(rig: Rig) -> None:
    rig.begin({"action": "swipe", "from": [0.5, 0.8], "to": [0.5, 0.2], "every_s": 20})
    swipe = "input swipe 540 1920 540 480 300"
    rig.wait_for(swipe, times=5)
    times = [at_s for at_s, command in rig.phone.hands.received if command == swipe]
    gaps = [later - earlier for earlier, later in pairwise(times)]
    assert all(gap == pytest.approx(20.0, abs=2.0) for gap in gaps), gaps


def test_a_call_ends_after_its_time_even_if_the_segment_goes_on(rig: Rig) -> None:
    rig.begin({"action": "call", "number": "+49301234567", "max_s": 30})
    rig.wait_for("input keyevent 6")
    (called, _), (hung_up, _) = rig.phone.hands.received[:2]
    assert hung_up - called == pytest.approx(30.0, abs=2.0)
    assert rig.phone.driver.is_running


def test_settings_of_actions_are_kept_and_put_back(rig: Rig) -> None:
    place = ("system", "screen_off_timeout")
    rig.begin({"action": "screen_on"}, {"action": "volume", "step": 9})
    assert rig.phone.handset.settings[place] == "2147483647"
    assert rig.phone.hands.volume == 9
    assert rig.drive.clear_away() == ""
    rig.snapshots.restore(rig.adb, "0" * 16)
    assert rig.phone.handset.settings[place] == "1800000"
    assert rig.phone.hands.volume == 5
    assert rig.phone.files.find(DRIVE_FOLDER) is None, "nothing of ours is left on the phone"


def test_a_number_that_is_not_on_the_list_is_not_called(rig: Rig) -> None:
    said = rig.begin({"action": "call", "number": "+49307654321", "max_s": 30})
    assert "not on your list" in said
    assert rig.received == []
    assert not rig.phone.driver.is_running


def test_it_ends_by_itself_when_nobody_watches(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("collector.driving.drive.LEASE_S", 45.0)
    driven = DrivenPhone(rig.adb)
    score = score_of(segment({"action": "play"}), SCREEN, OWN)
    driven.begin(score, 55.0)
    rig.wait_for("input keyevent 126")
    rig.wait_for("input keyevent 127")
    status = driven.status()
    assert (status.running, status.why) == (False, "alone")
    begun, ended = (at_s for at_s, _ in rig.phone.hands.received)
    assert 40.0 <= ended - begun <= 52.0


def test_it_ends_when_the_phone_is_hot(rig: Rig) -> None:
    driven = DrivenPhone(rig.adb)
    driven.begin(score_of(segment({"action": "play"}), SCREEN, OWN), stop_c=20.0)
    rig.wait_for("input keyevent 127")
    assert driven.status().why == "hot"


def test_it_ends_with_the_segment(rig: Rig) -> None:
    driven = DrivenPhone(rig.adb)
    driven.begin(score_of(segment({"action": "play"}, minutes=0.2), SCREEN, OWN), 55.0)
    rig.wait_for("input keyevent 127")
    assert driven.status().why == "done"


def test_a_phone_that_cannot_is_said_so(rig: Rig) -> None:
    with pytest.raises(PhoneRefusedError, match="says"):
        DrivenPhone(rig.adb).status()


def test_screens_and_their_sizes() -> None:
    assert screen_size("Physical size: 1080x2400\nOverride size: 720x1600\n") == ScreenSize(
        width=720, height=1600
    )
    with pytest.raises(ValueError, match="size of its screen"):
        screen_size("cmd: no")


def test_a_rehearsal_prints_and_sends_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("collector.driving.drive.allowed_numbers", frozenset[str])
    plan = parse_plan("""
title = "x"
[[segment]]
name = "scrolling"
duration_min = 5
[[segment.drive]]
action = "swipe"
from = [0.5, 0.8]
to = [0.5, 0.2]
every_s = 20
[[segment.drive]]
action = "play"
after_s = 2.5
[[segment]]
name = "call"
duration_min = 5
[[segment.drive]]
action = "call"
number = "+49301234567"
max_s = 60
""")
    assert rehearse(plan)[:4] == [
        "'scrolling':",
        "  after 0 s, every 20 s: input swipe 540 1920 540 480 300",
        "  after 2.5 s: input keyevent 126",
        "  at the end: input keyevent 127",
    ]
    assert rehearse(plan)[5].startswith("  refused: '+49301234567' is not called: it is not on")


MKSH, TOYBOX = shutil.which("mksh"), shutil.which("toybox")


class Bed:
    """The real script under mksh and toybox, with commands that write down what they are given."""

    def __init__(self, root: Path) -> None:
        assert MKSH, "install mksh and toybox"
        assert TOYBOX, "install mksh and toybox"
        self.root, self.log = root, root / "received"
        self.folder = root / "rundown-drive"
        for path in (self.folder, root / "bin", root / "proc"):
            path.mkdir()
        (root / "proc/uptime").symlink_to("/proc/uptime")
        (root / "proc/self").symlink_to("/proc/self")
        for applet in ("grep", "rm", "sleep", "setsid", "cat"):
            (root / "bin" / applet).symlink_to(TOYBOX)
        (root / "bin/sh").symlink_to(MKSH)
        for name in ("input", "am", "monkey", "cmd"):
            self.command(name, f'print -r -- "{name} $*" >>{self.log}')
        self.warmth("291")
        (self.folder / "drive.sh").write_text(DRIVE_SCRIPT)

    def command(self, name: str, body: str) -> None:
        script = self.root / "bin" / name
        script.write_text(f"#!{MKSH}\n{body}\n")
        script.chmod(script.stat().st_mode | stat.S_IXUSR)

    def warmth(self, tenths: str) -> None:
        self.command("dumpsys", f"print '  level: 80'; print '  temperature: {tenths}'")

    def tell(self, *words: str, **given: str) -> list[str]:
        done = subprocess.run(
            [str(MKSH), str(self.folder / "drive.sh"), *words],
            env={"PATH": str(self.root / "bin"), "RUNDOWN_ROOT": str(self.root), **given},
            capture_output=True,
            timeout=15,
            check=False,
        )
        assert done.stderr == b""
        return done.stdout.decode().split()

    def begin(self, wanted: Segment, stop_dc: str = "550", lease: str = "450") -> list[str]:
        score = score_of(wanted, SCREEN, OWN)
        (self.folder / "score").write_text("".join(f"{line}\n" for line in score.lines))
        (self.folder / "finale").write_text("".join(f"{line}\n" for line in score.finale))
        self.tell("lease", lease)
        return self.tell("start", TENTHS=str(score.tenths), STOP_DC=stop_dc)

    def received(self) -> list[str]:
        return self.log.read_text().splitlines() if self.log.exists() else []

    def until(self, why: str) -> list[str]:
        deadline = time.monotonic() + 12.0
        while (status := self.tell("status"))[2:4] != ["idle", why]:
            assert time.monotonic() < deadline, status
            time.sleep(0.05)
        return status


@pytest.fixture
def bed(tmp_path: Path) -> Iterator[Bed]:
    made = Bed(tmp_path)
    yield made
    if made.folder.exists():
        made.tell("stop")


BUSY = (
    {"action": "open", "app": "org.example.tiles"},
    {"action": "type", "text": "it's 5 km; go", "enter": True},
    {"action": "tap", "at": [0.5, 0.5], "every_s": 1},
    {"action": "play", "after_s": 0.5},
)


def test_the_script_sends_what_the_virtual_phone_is_sent(bed: Bed, tmp_path: Path) -> None:
    wanted = segment(*BUSY, minutes=0.04)
    assert bed.begin(wanted)[2] == "running"
    status = bed.until("done")
    twin = VirtualPhone(Handset(ALDER, [], seed=1, until_off=False), SteppedTime())
    for name in ("score", "finale", "drive.sh"):
        twin.files.write(f"{DRIVE_FOLDER}/{name}", (bed.folder / name).read_bytes())

    async def play() -> None:
        await twin.driver.answer(f"sh {DRIVE_PATH} lease 450")
        await twin.driver.answer(f"TENTHS=24 STOP_DC=550 sh {DRIVE_PATH} start")
        for n in range(60):
            await asyncio.sleep(0)
            await asyncio.sleep(0)
            clock: Any = twin.time
            clock.advance_to(n * 0.1)
        assert not twin.driver.is_running

    asyncio.run(play())
    unquoted = [command.replace("'it'\"'\"'s%s5%skm;%sgo'", "it's%s5%skm;%sgo") for command in
                twin.hands.commands()]  # fmt: skip
    assert bed.received() == unquoted
    assert len(bed.received()) == int(status[4]) + 1, "a line may hold two commands"
    assert int(status[5]) >= 0, "what it cost"


def test_the_script_stops_at_once(bed: Bed) -> None:
    bed.begin(segment(*BUSY))
    began = time.monotonic()
    assert bed.tell("stop")[2:4] == ["idle", "stopped"]
    assert time.monotonic() - began < 6.0
    assert bed.received()[-1] == "input keyevent 127"


def test_the_script_ends_alone_and_when_hot(bed: Bed) -> None:
    bed.begin(segment(*BUSY), lease="10")
    bed.until("alone")
    bed.warmth("560")
    bed.begin(segment(*BUSY))
    bed.until("hot")
    bed.warmth("-31")
    assert bed.begin(segment(*BUSY))[2] == "running", "cold is not hot"


def test_a_second_start_changes_nothing(bed: Bed) -> None:
    bed.begin(segment(*BUSY))
    pid = (bed.folder / "running").read_text()
    bed.begin(segment(*BUSY))
    assert (bed.folder / "running").read_text() == pid
    assert bed.tell("remove") == []
    assert not bed.folder.exists()
    left = Path(f"/proc/{pid.strip()}/stat")
    assert not left.exists() or left.read_text().split()[2] == "Z", "nothing runs on"
