"""Is the test fair and safe to start? Every item good, wrong with the way to fix it, or to ask."""

from collections.abc import Iterable, Mapping
from datetime import datetime

from collector.adb import Phone
from collector.fairness import power, scene
from collector.fairness.facts import DEADLINE_S, Facts
from collector.fairness.items import Bench, Given, Item, told
from collector.fairness.scene import versions
from collector.fairness.settings import check_settings
from collector.fairness.snapshot import Snapshots
from collector.planning.plan import Plan

ALWAYS_ASK = (
    ("content", "the same files, pages, accounts and app settings on all phones"),
    ("updates", "automatic updates, backups and sync are off or finished"),
    ("place", "same stand, same spot, no case, not stacked; positions swapped between runs"),
    ("rest of the radio", "NFC, hotspot and second SIM are the same; signal bars compared"),
    ("rested", "half an hour unplugged since the charge was full"),
)


def check(facts: dict[str, Facts], plan: Plan | None, given: Given) -> list[Item]:
    """Every item, in the order a person would go through them."""
    bench = Bench(facts=facts, plan=plan, given=given)
    items = [look(bench) for look in (*power.LOOKS, *scene.LOOKS)]
    items += [*check_settings(bench), *versions(bench)]
    asked = [*ALWAYS_ASK, *(("plan", question) for question in (plan.ask if plan else []))]
    return items + [told(item, "ask", {}, why) for item, why in asked]


def put_right(
    items: Iterable[Item],
    phones: Mapping[str, tuple[Phone, str]],
    snapshots: Snapshots,
    at: datetime,
) -> tuple[list[str], list[str]]:
    """Sets what adb can set, each old value kept first.

    Args:
        items: of the check.
        phones: phone and hash by label.
        snapshots: where the old values are kept.
        at: now.

    Returns:
        What was set and what was not, in sentences.

    Raises:
        CollectorError: if a link breaks meanwhile; what was set by then is in the snapshot.
        OSError: if the snapshot cannot be written.
    """
    done, failed = [], []
    for item in items:
        for label, knob, value in item.sets:
            phone, phone_hash = phones[label]
            was_set, was_not = snapshots.set(phone, phone_hash, label, [(knob, value)], at)
            done += was_set
            failed += was_not
        for label in item.unfreezes:
            phones[label][0].ask("dumpsys battery reset", DEADLINE_S)
            done.append(f"{label}: simulated battery state ended; that is not put back")
    return done, failed
