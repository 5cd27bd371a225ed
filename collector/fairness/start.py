"""From a check to a recording: what must be agreed to, what is written down, what is put back."""

from collections.abc import Sequence
from dataclasses import dataclass

from collector.adb import AdbServer
from collector.clock import Clock
from collector.driving.drive import Drive, refusals
from collector.errors import CollectorError
from collector.fairness.checking import Checked, check_phones, write_down
from collector.fairness.items import Given
from collector.fairness.snapshot import Snapshots, restore_all
from collector.planning.file import PlanFile
from collector.planning.plan import Limits, Plan
from collector.recording.bench import Ready
from parsers.runfolder import RunFolder, replace_file
from parsers.text import printable


@dataclass(frozen=True, slots=True, kw_only=True)
class Start:
    """Everything a fair recording begins with.

    Attributes:
        plan: None for a free run.
        given: what only a person can tell.
        checked: how the phones are now.
    """

    ready: Sequence[Ready]
    plan: PlanFile | None
    given: Given
    checked: Checked

    @property
    def rules(self) -> Plan | None:
        """The plan itself."""
        return self.plan.plan if self.plan else None

    def questions(self) -> list[str]:
        """What the user must agree to before it begins."""
        asked = []
        if self.rules is not None and self.checked.wrong:
            names = ", ".join(finding.item for finding in self.checked.wrong)
            asked.append(f"The test is not fair yet ({names}). Start all the same?")
        if self.rules is not None and self.rules.unattended_work:
            names = ", ".join(f"'{printable(name)}'" for name in self.rules.unattended_work)
            asked.append(
                f"The phones do {names} by themselves. Is somebody beside them all the time, with "
                "nothing flammable near, and a smoke alarm in the room?"
            )
        missing = [
            label
            for label in (self.rules.phones if self.rules else [])
            if label not in {one.entry.label for one in self.ready}
        ]
        if missing:
            asked.append(f"The plan expects {', '.join(missing)} too. Start without?")
        return asked


def prepare(
    server: AdbServer,
    ready: Sequence[Ready],
    plan: PlanFile | None,
    given: Given,
    clock: Clock,
) -> Start:
    """Checks the phones for the plan.

    Raises:
        CollectorError: if the plan would call a number that may not be called, or a link breaks.
    """
    if plan is not None and (refused := refusals(plan.plan)):
        raise CollectorError(f"plan {plan.name}: {refused[0]}")
    checked = check_phones(server, ready, plan.plan if plan else None, given, clock)
    return Start(ready=ready, plan=plan, given=given, checked=checked)


def keep_papers(run: RunFolder, start: Start, clock: Clock) -> None:
    """Puts plan and check into the run.

    Raises:
        OSError: if they cannot be written.
    """
    if start.plan is not None:
        replace_file(run.plan_path, start.plan.text.encode())
    write_down(run, start.checked, start.given, clock, "start", start.plan)


def drive_for(server: AdbServer, start: Start, snapshots: Snapshots, clock: Clock) -> Drive | None:
    """What has the phones act by themselves; None if the plan has nothing of the kind."""
    if start.rules is None or not start.rules.unattended_work:
        return None
    phones = {
        one.entry.label: (server.phone(one.serial), one.entry.phone_hash) for one in start.ready
    }
    return Drive(phones, snapshots, start.rules.limits if start.rules else Limits(), clock)


def leave_as_found(
    server: AdbServer, start: Start, drive: Drive | None, snapshots: Snapshots
) -> tuple[list[str], list[str]]:
    """Takes the actions' files off the phones and puts every setting back.

    Returns:
        What was put back and what was not, in sentences.
    """
    phones = {one.entry.phone_hash: server.phone(one.serial) for one in start.ready}
    left = drive.clear_away() if drive is not None else ""
    done, failed = restore_all(snapshots, phones, [one.entry.phone_hash for one in start.ready])
    return done, [left, *failed] if left else failed
