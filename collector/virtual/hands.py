"""What can be done to a virtual phone through its shell, and what it was seen to receive."""

import re
import shlex
from collections.abc import Callable

from collector.virtual.handset import Handset
from collector.virtual.loads import ACTIVITIES, CALL_ACTIVE, STANDBY, VOICE_CALL, Activity

_END_CALL = "6"
_VOLUME_STEPS = 15
_FREE_KB = 42_000_000
_SIZE_KB = 118_000_000


class Hands:
    """The commands that change something, and the dumps of what they change.

    Args:
        handset: the phone.

    Attributes:
        received: every command that acts on screen, apps, calls or keys, with the phone's boot
            time in s, in order.
        packages: installed apps and their versions.
        volume: of media, 0 to 15.
        stuck: settings that take no new value, as a vendor's phone may have.
    """

    def __init__(self, handset: Handset) -> None:
        self.handset = handset
        self.received: list[tuple[float, str]] = []
        self.volume = 5
        self.stuck: set[tuple[str, str]] = set()
        self.packages = {
            activity.context.foreground.split("/")[0]: "4.2.0"
            for activity in ACTIVITIES
            if activity.context.foreground is not None
        }
        self._acts: tuple[tuple[re.Pattern[str], Callable[[re.Match[str]], str]], ...] = tuple(
            (re.compile(pattern), act)
            for pattern, act in (
                (r"settings put (system|global|secure) (\w+) ([\w.:-]+)", self._put),
                (r"settings delete (system|global|secure) (\w+)", self._delete),
                (r"cmd media_session volume --stream 3 --set (\d{1,3})", self._set_volume),
                (r"cmd media_session volume --stream 3 --get", self._tell_volume),
                (r"dumpsys package ([\w.]+)", self._package),
                (r"df -k (/data)", self._free),
                (r"wm size", lambda _: "Physical size: 1080x2400\n"),
                (r"dumpsys battery reset", self._reset_battery),
                (r"input keyevent (\d{1,3})", self._key),
                (r"input (?:tap|swipe|text) .{1,400}", self._plain),
                (r"am start .{1,1200}", self._start),
                (r"monkey -p ([\w.]+) -c android\.intent\.category\.LAUNCHER 1", self._monkey),
            )
        )

    def answer(self, command: str) -> str | None:
        """What the command prints; None if it is none of these."""
        for pattern, act in self._acts:
            if (match := pattern.fullmatch(command)) is not None:
                return act(match)
        return None

    def commands(self) -> list[str]:
        """What was received, without the times."""
        return [command for _, command in self.received]

    def _put(self, match: re.Match[str]) -> str:
        if (match[1], match[2]) not in self.stuck:
            self.handset.settings[match[1], match[2]] = match[3]
        return ""

    def _delete(self, match: re.Match[str]) -> str:
        known = (match[1], match[2]) in self.handset.settings
        if known and (match[1], match[2]) not in self.stuck:
            self.handset.settings[match[1], match[2]] = "null"
        return f"Deleted {int(known)} rows\n"

    def _set_volume(self, match: re.Match[str]) -> str:
        self._note(match)
        self.volume = min(int(match[1]), _VOLUME_STEPS)
        return f"[v] will set volume to index={self.volume}\n"

    def _tell_volume(self, match: re.Match[str]) -> str:
        del match
        return (
            "[v] will control stream=3 (STREAM_MUSIC)\n[v] will get volume\n"
            f"[v] Connecting to AudioService\n"
            f"volume is {self.volume} in range [0..{_VOLUME_STEPS}]\n"
        )

    def _package(self, match: re.Match[str]) -> str:
        version = self.packages.get(match[1])
        if version is None:
            return f"Unable to find package: {match[1]}\n"
        return (
            f"Packages:\n  Package [{match[1]}] (5e1f3a2):\n    userId=10123\n"
            f"    versionCode=420 minSdk=26 targetSdk=34\n    versionName={version}\n"
        )

    def _free(self, match: re.Match[str]) -> str:
        used = _SIZE_KB - _FREE_KB
        return (
            "Filesystem        1K-blocks     Used Available Use% Mounted on\n"
            f"/dev/block/dm-42  {_SIZE_KB} {used}  {_FREE_KB}  65% {match[1]}\n"
        )

    def _reset_battery(self, match: re.Match[str]) -> str:
        del match
        self.handset.reset_faked()
        return ""

    def _key(self, match: re.Match[str]) -> str:
        self._note(match)
        if match[1] == _END_CALL and self.handset.activity.context.call_state == CALL_ACTIVE:
            self.handset.set_activity(STANDBY)
        return ""

    def _start(self, match: re.Match[str]) -> str:
        self._note(match)
        words = shlex.split(match[0])
        if "android.intent.action.CALL" in words:
            self.handset.set_activity(VOICE_CALL)
        else:
            self._bring_to_front(words[-1])
        return f"Starting: Intent {{ {words[-1]} }}\n"

    def _monkey(self, match: re.Match[str]) -> str:
        self._note(match)
        if match[1] not in self.packages:
            return "** No activities found to run, monkey aborted.\n"
        self._bring_to_front(match[1])
        return "Events injected: 1\n"

    def _bring_to_front(self, target: str) -> None:
        activity = _activity_of(target.split("/", maxsplit=1)[0])
        if activity is not None and activity is not self.handset.activity:
            self.handset.set_activity(activity)

    def _plain(self, match: re.Match[str]) -> str:
        self._note(match)
        return ""

    def _note(self, match: re.Match[str]) -> None:
        self.received.append((self.handset.boot_s, match[0]))


def _activity_of(package: str) -> Activity | None:
    return next(
        (a for a in ACTIVITIES if (a.context.foreground or "").startswith(f"{package}/")), None
    )
