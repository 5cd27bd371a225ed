"""Fairness of battery, supply and warmth.

Tolerances are choices of this project unless a source is named.
"""

from collections.abc import Callable

from collector.fairness.facts import Facts
from collector.fairness.items import (
    Bench,
    Item,
    must_be,
    must_be_alike,
    required,
    told,
    words_alike,
)
from collector.planning.plan import Limits

LEVELS_APART_PCT = 2.0
WARMTHS_APART_C = 2.0
CYCLES_APART = 100
HEALTH_APART_PCT = 5.0
SETTLED_S = 180.0
"""GSMA TS.09 v10.1 section 18: three minutes after start-up."""
_NORMAL_CHARGING = ("default",)


def _link(bench: Bench) -> Item:
    return words_alike(
        "link",
        bench.each(lambda f: "network" if f.by_network else "cable"),
        why="some by cable, some by network: the radio's own use differs",
        fix="connect all phones the same way",
    )


def _cable(bench: Bench) -> Item:
    return must_be(
        "cable",
        bench.each(lambda f: f.battery.plugged if f.battery else None),
        lambda plugged: not plugged,
        lambda plugged: "charging" if plugged else "unplugged",
        why="it draws from a supply, so the battery's current is the charger's",
        fix="unplug it; use wireless debugging, or a cable with its supply cut",
    )


def _frozen(bench: Bench) -> Item:
    stopped = bench.each(lambda f: f.battery.updates_stopped if f.battery else None)
    item = must_be(
        "true values",
        stopped,
        lambda is_stopped: not is_stopped,
        lambda is_stopped: "simulated" if is_stopped else "true",
        why="its battery values are simulated and frozen",
        fix="adb shell dumpsys battery reset",
    )
    frozen = tuple(label for label, is_stopped in stopped.items() if is_stopped)
    return Item(finding=item.finding, unfreezes=frozen)


def _level(bench: Bench) -> Item:
    least_pct = required(bench).level_min_pct
    return must_be(
        "charge",
        bench.each(lambda f: f.battery.level_pct if f.battery else None),
        lambda level_pct: level_pct >= least_pct,
        lambda level_pct: f"{level_pct:.0f} %",
        why=f"below {least_pct:.0f} %",
        fix="charge to full, let it rest, unplug",
    )


def _levels(bench: Bench) -> Item:
    return must_be_alike(
        "charge alike",
        bench.each(lambda f: f.battery.level_pct if f.battery else None),
        LEVELS_APART_PCT,
        lambda level_pct: f"{level_pct:.0f} %",
        why=f"more than {LEVELS_APART_PCT:.0f} % apart",
        fix="charge all to full",
    )


def _settled(bench: Bench) -> Item:
    return must_be(
        "settled",
        bench.each(lambda f: f.up_s),
        lambda up_s: up_s >= SETTLED_S,
        lambda up_s: f"on for {up_s / 60:.0f} min",
        why="it has only just started",
        fix="wait three minutes after start-up",
    )


def _warmth(bench: Bench) -> Item:
    ambient_c, within_c = bench.given.ambient_c, required(bench).within_c
    values = bench.each(lambda f: f.battery.temperature_c if f.battery else None)
    if ambient_c is None:
        found = {label: f"{value:.1f} °C" for label, value in values.items() if value is not None}
        return told(
            "warmth", "ask", found, "room temperature not stated", "measure it: --ambient-c 21.5"
        )
    return must_be(
        "warmth",
        values,
        lambda warm_c: abs(warm_c - ambient_c) <= within_c,
        lambda warm_c: f"{warm_c:.1f} °C",
        why=f"more than {within_c:g} °C from the room's {ambient_c:.1f} °C",
        fix="leave it idle and unplugged until it has the room's temperature",
    )


def _warmths(bench: Bench) -> Item:
    return must_be_alike(
        "warmth alike",
        bench.each(lambda f: f.battery.temperature_c if f.battery else None),
        WARMTHS_APART_C,
        lambda warm_c: f"{warm_c:.1f} °C",
        why=f"more than {WARMTHS_APART_C:g} °C apart",
        fix="leave all idle until they are alike",
    )


def _too_hot(bench: Bench) -> Item:
    limits = bench.plan.limits if bench.plan else Limits()
    return must_be(
        "safe to start",
        bench.each(lambda f: f.battery.temperature_c if f.battery else None),
        lambda warm_c: warm_c < limits.warn_c,
        lambda warm_c: f"{warm_c:.1f} °C",
        why=f"{limits.warn_c:g} °C or more",
        fix="let it cool in the open; do not cover or refrigerate it",
    )


def _throttled(bench: Bench) -> Item:
    return must_be(
        "thermal status",
        bench.each(lambda f: f.thermal.thermal_status if f.thermal else None),
        lambda status: status == 0,
        lambda status: f"{status}",
        why="it is slowing down for its warmth",
        fix="let it cool",
    )


def _policy(bench: Bench) -> Item:
    return must_be(
        "charge limit",
        bench.each(lambda f: f.battery.charging_policy if f.battery else None),
        lambda policy: policy in _NORMAL_CHARGING,
        lambda policy: policy,
        why="it does not charge to full",
        fix="turn charge limits and adaptive charging off",
    )


def _cycles(bench: Bench) -> Item:
    return must_be_alike(
        "battery cycles",
        bench.each(lambda f: f.supply.cycle_count if f.supply else None),
        CYCLES_APART,
        lambda cycles: f"{cycles:.0f}",
        why=f"packs of different age: more than {CYCLES_APART} cycles apart",
        fix="say so with the result, or use packs of the same age",
    )


def _health(bench: Bench) -> Item:
    return must_be_alike(
        "battery health",
        bench.each(_health_pct),
        HEALTH_APART_PCT,
        lambda health_pct: f"{health_pct:.0f} % of design",
        why=f"full capacities more than {HEALTH_APART_PCT:.0f} % of design apart",
        fix="say so with the result, or use packs of the same health",
    )


def _health_pct(facts: Facts) -> float | None:
    supply = facts.supply
    if supply is not None and supply.charge_full_mah and supply.charge_full_design_mah:
        return 100.0 * supply.charge_full_mah / supply.charge_full_design_mah
    return facts.battery.state_of_health_pct if facts.battery else None


LOOKS: tuple[Callable[[Bench], Item], ...] = (
    _link, _cable, _frozen, _level, _levels, _settled, _warmth, _warmths, _too_hot, _throttled,
    _policy, _cycles, _health,
)  # fmt: skip
