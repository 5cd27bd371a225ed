"""Fairness of light, radio, apps and storage.

Tolerances are choices of this project.
"""

from collections.abc import Callable

from collector.fairness.facts import Facts
from collector.fairness.items import (
    Bench,
    Item,
    good,
    must_be,
    must_be_alike,
    required,
    told,
    words_alike,
)
from collector.fairness.knobs import VOLUME

SIGNALS_APART_DB = 10.0
LUMINANCE_APART_RATIO = 0.05


def _room(bench: Bench) -> Item:
    low, high = bench.plan.ambient_c if bench.plan else (18.0, 25.0)
    ambient_c = bench.given.ambient_c
    if ambient_c is None:
        return told("room", "ask", {}, "temperature not stated", "--ambient-c, with a thermometer")
    if low <= ambient_c <= high:
        return good("room", {"room": f"{ambient_c:.1f} °C"})
    found = {"room": f"{ambient_c:.1f} °C"}
    return told("room", "wrong", found, f"outside {low:g} to {high:g} °C", "heat, cool, or wait")


def _luminance(bench: Bench) -> Item:
    measured = bench.given.luminance_cd_m2
    wanted = required(bench).luminance_cd_m2
    found = {label: f"{value:g} cd/m²" for label, value in measured.items()}
    missing = [label for label in bench.facts if label not in measured]
    if missing:
        return told(
            "luminance",
            "ask",
            found,
            "the slider says nothing about light: measure a white patch on each phone",
            f"--luminance {missing[0]}=200",
        )
    middle = wanted or sum(measured.values()) / len(measured)
    off = [
        label
        for label, value in measured.items()
        if abs(value - middle) > LUMINANCE_APART_RATIO * middle
    ]
    if off:
        why = f"{', '.join(off)}: more than 5 % from {middle:g} cd/m²"
        return told("luminance", "wrong", found, why, "set the sliders by the meter")
    return good("luminance", found)


def _call(bench: Bench) -> Item:
    return must_be(
        "call",
        bench.each(lambda f: f.telephony.call if f.telephony else None),
        lambda call: call == "idle",
        lambda call: call.replace("_", " "),
        why="it is in a call",
        fix="hang up",
    )


def _radio(bench: Bench) -> Item:
    wanted = required(bench).radio
    names = bench.each(_network)
    if wanted in ("mobile", "wifi"):
        return must_be(
            "radio",
            names,
            lambda name: name.startswith("wifi") == (wanted == "wifi"),
            lambda name: name,
            why=f"the plan wants {wanted}",
            fix="turn the other one off; for mobile data with no Wi-Fi link, use rundown arm",
        )
    return words_alike(
        "radio",
        names,
        why="different networks: their radios use different power",
        fix="same network, same technology, same place",
    )


def _network(facts: Facts) -> str | None:
    if facts.wifi is not None and facts.wifi.connected:
        band = facts.wifi.frequency_mhz
        return "wifi" if band is None else f"wifi {'2.4' if band < 3000 else '5 or 6'} GHz"
    return facts.telephony.network if facts.telephony else None


def _signal(bench: Bench) -> Item:
    return must_be_alike(
        "Wi-Fi signal",
        bench.each(lambda f: f.wifi.rssi_dbm if f.wifi else None),
        SIGNALS_APART_DB,
        lambda rssi_dbm: f"{rssi_dbm:.0f} dBm",
        why=f"more than {SIGNALS_APART_DB:.0f} dB apart",
        fix="same distance to the access point",
    )


def _storage(bench: Bench) -> Item:
    least_gb = required(bench).free_gb
    return must_be(
        "free storage",
        bench.each(lambda f: f.free_gb),
        lambda free_gb: free_gb >= least_gb,
        lambda free_gb: f"{free_gb:.1f} GB",
        why=f"less than {least_gb:g} GB",
        fix="make room: a full phone works differently",
    )


def _volume(bench: Bench) -> Item:
    wanted = required(bench).volume
    volumes = {label: facts.volume for label, facts in bench.facts.items()}
    known = {label: volume[0] for label, volume in volumes.items() if volume is not None}
    target = wanted if wanted is not None else min(known.values(), default=0)
    item = must_be(
        "volume",
        volumes,
        lambda volume: volume[0] == target,
        lambda volume: f"{volume[0]} of {volume[1]}",
        why=f"must be {target}" if wanted is not None else "not the same on all phones",
        fix="set the media volume alike; steps of different models are not equally loud",
    )
    off = [label for label, step in known.items() if step != target]
    return Item(finding=item.finding, sets=tuple((label, VOLUME, str(target)) for label in off))


def versions(bench: Bench) -> list[Item]:
    """One item for each app that the plan names."""
    apps = bench.plan.all_apps if bench.plan else ()
    return [
        words_alike(
            f"version of {app}",
            {
                label: facts.versions.get(app) or "not there"
                for label, facts in bench.facts.items()
            },
            why="different versions do different work",
            fix="install the same version on all phones",
        )
        for app in apps
    ]


LOOKS: tuple[Callable[[Bench], Item], ...] = (
    _room, _luminance, _call, _radio, _signal, _storage, _volume
)  # fmt: skip
