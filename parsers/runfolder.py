"""A run on disk: where each file lies, and the manifest `run.json`."""

import os
import re
from datetime import datetime
from pathlib import Path
from typing import Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, ValidationError

from parsers.errors import RunDamagedError, RunFolderError

MANIFEST_VERSION = 1
LABEL = re.compile(r"(?=[a-z0-9_-]*[a-z])[a-z0-9](?:[a-z0-9_-]{0,38}[a-z0-9])?")
"""A phone's label: lower case, safe as a file name on every platform, and with a letter in it:
readers of the tables take a folder's name of digits alone for a number."""

_RESERVED = {"con", "prn", "aux", "nul", *(f"{p}{n}" for p in ("com", "lpt") for n in range(10))}


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class GaugeFacts(_Model):
    """What a phone's raw integers mean, and why we think so.

    Attributes:
        current_unit: `uA` or `mA`; None if it cannot be told.
        current_sign: 1 as documented (positive into the battery), -1 inverted, 0 magnitude only.
        counter_unit: `uAh`, `10uAh`, `0.1mAh` or `mAh`; None if it cannot be told.
        counter: `cumulative`, `tick` (moves with the level), `stuck`, `absent` or `unknown`.
        scale: what current and charge were multiplied by, as stated by the user.
        why: the evidence, in one sentence.
        confidence: between 0 (cannot tell) and 1.
    """

    current_unit: str | None = None
    current_sign: int | None = None
    counter_unit: str | None = None
    counter: str = "unknown"
    scale: float = 1.0
    why: str = ""
    confidence: float = 0.0


class PhoneEnd(_Model):
    """How a phone's recording ended.

    Attributes:
        what: `shut_off` only with evidence, `link_lost` without; `stopped` by user or plan.
        last_answer_utc: when its last block arrived.
        silent_utc: when it was first found not to answer; the end lies between the two.
        evidence: what speaks for it, in one sentence.
        last_voltage_mv: of the last reading that had one.
    """

    what: Literal["shut_off", "link_lost", "stopped"]
    last_answer_utc: AwareDatetime | None = None
    silent_utc: AwareDatetime | None = None
    evidence: str = ""
    last_voltage_mv: float | None = None


class ClockAnchor(_Model):
    """A phone's boot clock and the computer's monotonic clock at the same moment.

    Attributes:
        boot_id: boot session, first eight hexadecimal digits.
        boot_s: the phone's clock since boot, suspend included.
        host_s: the computer's monotonic clock.
        u_s: standard uncertainty of the two belonging together.
    """

    boot_id: str
    boot_s: float
    host_s: float
    u_s: float


class Missing(_Model):
    """Readings that the phone numbered and that are not in the tables.

    Attributes:
        boot_id: boot session, first eight hexadecimal digits.
        first_seq: first number missing.
        last_seq: last number missing; None if more may be on the phone.
        reason: why, in words.
    """

    boot_id: str
    first_seq: int
    last_seq: int | None = None
    reason: str


class PhoneEntry(_Model):
    """One phone of a run; never its serial.

    Attributes:
        label: the user's name for it.
        phone_hash: salted hash that recognises the phone in a later run.
        model: as the phone says, untrusted text.
        build: build identifier as the phone says, untrusted text.
        capacity_mah: rated capacity as stated by the user or the phone; None if unknown.
        capacity_from: where that figure comes from.
        sources: which source was polled for what.
        gauge: meaning of the raw integers; None until tables were built.
        gauge_stated: what the user states of it, in words such as `mA,inverted`; empty for
            nothing.
        end: how its recording ended; None while recording, or interrupted.
        n_unread: lines no parser understood, over the whole recording.
        armed: recorded on the phone with no link, and fetched afterwards.
        clocks: its clock against the computer's, whenever that was measured, in order of time.
        missing: what the phone numbered and nobody has.
        polling_mw: what the recording itself takes, where it was measured.
        polling_u_mw: its standard uncertainty.
    """

    label: str
    phone_hash: str
    model: str = ""
    build: str = ""
    capacity_mah: float | None = None
    capacity_from: str = ""
    sources: dict[str, str] = Field(default_factory=dict)
    gauge: GaugeFacts | None = None
    gauge_stated: str = ""
    end: PhoneEnd | None = None
    n_unread: int = 0
    armed: bool = False
    clocks: tuple[ClockAnchor, ...] = ()
    missing: tuple[Missing, ...] = ()
    polling_mw: float | None = None
    polling_u_mw: float | None = None


class Clocks(_Model):
    """The computer's two clocks, read together at the start of the run.

    Attributes:
        utc: wall clock.
        host_s: monotonic clock.
        host_boot: the computer's boot session, in which monotonic times mean anything; empty if
            the system does not tell.
    """

    utc: AwareDatetime
    host_s: float
    host_boot: str = ""


class Manifest(_Model):
    """`run.json`. A run without `outcome` was interrupted.

    Attributes:
        run_id: made up once, names the run in results.
        title: the user's words, untrusted text.
        ambient_c: room temperature as stated by the user.
        plan: name of the plan, None for a free run.
        virtual: True when the phones were virtual, so that their true energy is known.
        tool_version: version that recorded the run.
        imported_from: name of the log that the run was made of; None for a recorded run, which has
            journals.
        outcome: `finished` (every phone ended by itself) or `stopped`; None: interrupted.
    """

    schema_version: Literal[1] = 1
    run_id: str
    title: str = ""
    ambient_c: float | None = None
    plan: str | None = None
    virtual: bool = False
    tool_version: str
    clocks: Clocks
    phones: tuple[PhoneEntry, ...] = ()
    imported_from: str | None = None
    outcome: Literal["finished", "stopped"] | None = None

    def phone(self, label: str) -> PhoneEntry:
        """The phone of that label.

        Raises:
            KeyError: if the run has none.
        """
        return next(p for p in self.phones if p.label == label)


class RunFolder:
    """Paths inside one run folder, and its manifest.

    Attributes:
        path: the folder.
    """

    def __init__(self, path: Path) -> None:
        self.path = path

    @property
    def manifest_path(self) -> Path:
        """`run.json`."""
        return self.path / "run.json"

    @property
    def tags_path(self) -> Path:
        """`tags.jsonl`."""
        return self.path / "tags.jsonl"

    @property
    def plan_path(self) -> Path:
        """`plan.toml`, the plan as it was used; not there in a free run."""
        return self.path / "plan.toml"

    @property
    def checks_path(self) -> Path:
        """`checks.jsonl`: what was found fair and unfair (see `parsers.checks`)."""
        return self.path / "checks.jsonl"

    @property
    def slips_path(self) -> Path:
        """`slips.jsonl`: what went wrong meanwhile (see `parsers.slips`)."""
        return self.path / "slips.jsonl"

    @property
    def tables(self) -> Path:
        """Folder of the derived tables."""
        return self.path / "tables"

    @property
    def results(self) -> Path:
        """Folder of energies and comparisons."""
        return self.path / "results"

    @property
    def published(self) -> Path:
        """Folder of everything meant for readers."""
        return self.path / "published"

    @property
    def lock_path(self) -> Path:
        """Held by the one process that records into the run."""
        return self.path / ".poll.lock"

    def journal_path(self, label: str) -> Path:
        """The journal of one phone."""
        return self.path / "journal" / f"{checked_label(label)}.journal"

    def journals(self) -> dict[str, Path]:
        """Journals by label, sorted."""
        return {p.stem: p for p in sorted((self.path / "journal").glob("*.journal"))}

    def read_manifest(self) -> Manifest:
        """The manifest.

        Raises:
            RunFolderError: if there is none.
            RunDamagedError: if it is not what this version can read.
        """
        try:
            return Manifest.model_validate_json(self.manifest_path.read_bytes())
        except FileNotFoundError:
            raise RunFolderError(
                str(self.path),
                "not a run folder (no run.json); name one that `rundown poll` made",
            ) from None
        except ValidationError as exc:
            first = exc.errors(include_url=False)[0]
            where = ".".join(str(step) for step in first["loc"]) or "the file"
            raise RunDamagedError(
                str(self.manifest_path),
                f"{where}: {first['msg']}; it was cut, edited by hand or written by another "
                "version, restore it from a copy",
            ) from exc

    def write_manifest(self, manifest: Manifest) -> None:
        """Replaces `run.json` in one step: readers see the old or the new one, whole."""
        replace_file(self.manifest_path, manifest.model_dump_json(indent=2).encode() + b"\n")


def replace_file(path: Path, data: bytes) -> None:
    """Writes a file under a temporary name, makes it durable, then renames it into place."""
    path.parent.mkdir(parents=True, exist_ok=True)
    temporary = path.with_name(f".{path.name}.{os.getpid()}.new")
    with temporary.open("wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
    temporary.replace(path)


def checked_label(label: str) -> str:
    """The label, if it is safe as a file name.

    Raises:
        ValueError: with a sentence on what a label may be.
    """
    if LABEL.fullmatch(label) is None or label in _RESERVED:
        raise ValueError(
            f"label {label!r}: use 1 to 40 of a-z, 0-9, '-' and '_', a letter among them, "
            "beginning and ending with a letter or digit, such as alder-1"
        )
    return label


def newest_run(folder: Path) -> RunFolder:
    """The run in `folder` that began last.

    Raises:
        RunFolderError: if there is none.
    """
    runs: list[tuple[datetime, Path]] = []
    for manifest in folder.glob("*/run.json"):
        try:
            runs.append((RunFolder(manifest.parent).read_manifest().clocks.utc, manifest.parent))
        except RunFolderError:
            continue
    if not runs:
        raise RunFolderError(
            str(folder), "no run in this folder; name one, or record with `rundown poll`"
        )
    return RunFolder(max(runs)[1])
