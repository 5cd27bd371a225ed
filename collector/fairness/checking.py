"""A fairness check from end to end: ask all phones, put right what adb can, write it down."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from collector.adb import AdbServer, Phone
from collector.clock import Clock
from collector.errors import CollectorError
from collector.fairness.check import check, put_right
from collector.fairness.facts import gather_all
from collector.fairness.items import Given, Item
from collector.fairness.snapshot import Snapshots, restore_all
from collector.planning.file import PlanFile
from collector.planning.plan import Plan
from collector.recording.bench import Ready
from collector.recording.identity import identify, phone_hash
from collector.tagging.append import append_lines
from parsers.checks import CheckRecord, Finding
from parsers.runfolder import RunFolder


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """What came of a check.

    Attributes:
        items: as they are now, after what was put right.
        set_by_adb: what was changed, in sentences.
        not_set: what could not be, in sentences.
    """

    items: tuple[Item, ...]
    set_by_adb: tuple[str, ...] = ()
    not_set: tuple[str, ...] = ()

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Of all items."""
        return tuple(item.finding for item in self.items)

    @property
    def wrong(self) -> tuple[Finding, ...]:
        """What is unfair."""
        return tuple(f for f in self.findings if f.outcome == "wrong")


def check_phones(
    server: AdbServer,
    ready: Sequence[Ready],
    plan: Plan | None,
    given: Given,
    clock: Clock,
    fix_with: Snapshots | None = None,
) -> Checked:
    """Asks all phones; with `fix_with`, sets what adb can set and asks again.

    Raises:
        CollectorError: if a link breaks meanwhile.
        OSError: if a snapshot cannot be written.
    """
    phones = {one.entry.label: server.phone(one.serial) for one in ready}
    apps = plan.all_apps if plan else ()
    items = check(gather_all(phones, apps), plan, given)
    if fix_with is None:
        return Checked(items=tuple(items))
    known = {one.entry.label: (phones[one.entry.label], one.entry.phone_hash) for one in ready}
    done, failed = put_right(items, known, fix_with, clock.utc())
    again = check(gather_all(phones, apps), plan, given) if done else items
    return Checked(items=tuple(again), set_by_adb=tuple(done), not_set=tuple(failed))


def write_down(
    run: RunFolder,
    checked: Checked,
    given: Given,
    clock: Clock,
    when: Literal["start", "during", "end"],
    plan: PlanFile | None,
) -> None:
    """Adds the check to the run's record.

    Raises:
        OSError: if it cannot be written.
    """
    record = CheckRecord(
        made_utc=clock.utc(),
        when=when,
        plan=plan.name if plan else None,
        ambient_c=given.ambient_c,
        luminance_cd_m2=dict(given.luminance_cd_m2),
        findings=checked.findings,
        set_by_adb=checked.set_by_adb,
        not_set=checked.not_set,
    )
    append_lines(run.checks_path, [record.model_dump_json()])


def attached_by_hash(server: AdbServer) -> Mapping[str, Phone]:
    """The phones that answer now; one that does not is left out.

    Raises:
        ServerGoneError: if no adb server answers.
    """
    found: dict[str, Phone] = {}
    for serial, state in server.states().items():
        if state != "device":
            continue
        phone = server.phone(serial)
        try:
            found[phone_hash(identify(phone).serial or serial)] = phone
        except CollectorError:
            continue
    return found


def put_back(
    server: AdbServer, snapshots: Snapshots, wanted: Collection[str]
) -> tuple[list[str], list[str]]:
    """Puts back what is pending on the phones with these hashes.

    Returns:
        What was put back and what was not, in sentences.

    Raises:
        ServerGoneError: if no adb server answers.
    """
    return restore_all(snapshots, attached_by_hash(server), wanted) if wanted else ([], [])
