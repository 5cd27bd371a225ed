"""What runs on the phone itself: one shell script, and how it is told what to do."""

import re
from dataclasses import dataclass
from importlib.resources import files
from typing import Literal

RECORDER_SCRIPT = files("collector.onphone").joinpath("recorder.sh").read_text("utf-8")
RECORDER_VERSION = 2
DRIVE_SCRIPT = files("collector.onphone").joinpath("drive.sh").read_text("utf-8")
DRIVE_FOLDER = "/data/local/tmp/rundown-drive"
DRIVE_PATH = f"{DRIVE_FOLDER}/drive.sh"
FOLDER = "/data/local/tmp/rundown"
"""Where the shell user may write and run on every phone; it goes when the last run is fetched."""
SCRIPT_PATH = f"{FOLDER}/recorder.sh"
CAP_KB = 256 * 1024
"""Blocks of one run on the phone: about a week at one reading a second."""

Mode = Literal["polled", "armed"]
FastSource = Literal["uevent", "property", "none"]
_SUPPLY = re.compile(r"[A-Za-z0-9_-]{1,64}")
_BOOT = re.compile(r"[0-9a-f]{0,8}")
_RUN = re.compile(r"[0-9a-f]{1,32}")


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopSettings:
    """What the recorder reads and how often.

    Attributes:
        fast: read at every tick: `uevent` (the supply's file), `property` (live current, at every
            fifth tick the charge counter too) or `none`.
        supply: name of the power supply for `uevent`; letters, digits, `-` and `_` only.
        tick_ms: time from tick to tick.
        slow_s: time from one platform battery dump to the next.
        context_s: time from one look at the surroundings to the next.
        cap_kb: where it stops, so that a forgotten one does not fill the phone.
    """

    fast: FastSource
    supply: str = "battery"
    tick_ms: int = 1000
    slow_s: int = 10
    context_s: int = 30
    cap_kb: int = CAP_KB

    def environment(self) -> str:
        """Assignments to go before a shell command.

        Raises:
            ValueError: if the supply's name is not safe in a shell line.
        """
        if _SUPPLY.fullmatch(self.supply) is None:
            raise ValueError(f"supply name {self.supply!r} is not safe in a shell line")
        return (
            f"FAST={self.fast} SUPPLY={self.supply} TICK_MS={self.tick_ms:d} "
            f"SLOW_S={self.slow_s:d} CONTEXT_S={self.context_s:d} CAP_KB={self.cap_kb:d}"
        )


def blocks_path(run_id: str) -> str:
    """The file on the phone that a run's blocks are written to.

    Raises:
        ValueError: if the id is not of the kind that runs have.
    """
    if _RUN.fullmatch(run_id) is None:
        raise ValueError(f"run id {run_id!r} is not safe in a shell line")
    return f"{FOLDER}/{run_id}.blocks"


def start_command(
    run_id: str, mode: Mode, settings: LoopSettings, first_boot_id: str = "", first_seq: int = 0
) -> str:
    """Starts the recorder in the background unless one runs; prints its status line.

    Args:
        run_id: names the file of its blocks.
        mode: whether somebody watches it.
        settings: what it reads and how often.
        first_boot_id: boot session in which it counts from `first_seq` on; in others from 0.
        first_seq: least number of its first block.

    Raises:
        ValueError: if anything of this is not safe in a shell line.
    """
    blocks_path(run_id)
    if _BOOT.fullmatch(first_boot_id) is None:
        raise ValueError(f"boot id {first_boot_id!r} is not safe in a shell line")
    return (
        f"RUN={run_id} MODE={mode} {settings.environment()} FIRST_BOOT={first_boot_id} "
        f"FIRST_SEQ={first_seq:d} sh {SCRIPT_PATH} start"
    )


def control_command(run_id: str, word: Literal["status", "stop", "remove"]) -> str:
    """Asks the recorder for its status line, ends it, or ends and deletes."""
    blocks_path(run_id)
    return f"RUN={run_id} sh {SCRIPT_PATH} {word}"


def follow_command(run_id: str, from_bytes: int) -> str:
    """Prints a run's blocks from a place in the file on, and goes on as they are written."""
    return f"exec tail -c +{from_bytes + 1:d} -f {blocks_path(run_id)}"


def fetch_command(run_id: str, from_bytes: int) -> str:
    """Prints a run's blocks from a place in the file on, to its end."""
    return f"exec tail -c +{from_bytes + 1:d} {blocks_path(run_id)}"
