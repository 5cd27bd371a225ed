"""Fairness of settings: one row for each that changes what a phone uses."""

from collections.abc import Callable, Iterable

from collector.fairness.items import Bench, Item, SettingItem
from collector.fairness.knobs import Knob
from collector.planning.plan import Plan, Required


def check_settings(bench: Bench) -> list[Item]:
    """How every setting stands."""
    items = [setting.check(bench) for setting in SETTINGS]
    # Where a meter has set the light, sliders differ, and should.
    if all(label in bench.given.luminance_cd_m2 for label in bench.facts):
        items = [item for item in items if item.finding.item != str(_SLIDER)]
    return items + [Item(finding=setting.check(bench).finding) for setting in BY_HAND]


def _as_wanted(take: Callable[[Required], object]) -> Callable[[Plan | None], str | None]:
    """The value that a plan wants for a setting, as the platform writes it."""

    def wanted(plan: Plan | None) -> str | None:
        value = take(plan.require if plan else Required())
        if isinstance(value, bool):
            return str(int(value))
        return None if value is None else f"{value:g}" if isinstance(value, float) else str(value)

    return wanted


def _setting(
    place: str,
    take: Callable[[Required], object],
    by_hand: str,
    *,
    unset: str | None = None,
    pick: Callable[[Iterable[float]], float] | None = None,
) -> SettingItem:
    namespace, name = place.split("/")
    return SettingItem(
        knob=Knob(namespace=namespace, name=name),
        wanted=_as_wanted(take),
        by_hand=by_hand,
        unset=unset,
        pick=pick,
    )


_SLIDER = Knob(namespace="system", name="screen_brightness")
SETTINGS = (
    _setting(
        "system/screen_brightness_mode",
        lambda r: r.auto_brightness,
        "set it in Display",
        unset="0",
    ),
    _setting(
        "system/screen_brightness",
        lambda r: r.brightness,
        "set by a meter, not by the slider: equal steps are not equal light",
    ),
    _setting(
        "system/peak_refresh_rate",
        lambda r: r.refresh_hz,
        "choose the same rate in Display",
        pick=min,
    ),
    _setting(
        "system/min_refresh_rate",
        lambda _: None,
        "choose the same rate in Display",
        unset="0",
    ),
    _setting(
        "system/screen_off_timeout",
        lambda r: None if r.timeout_s is None else r.timeout_s * 1000,
        "choose the same time in Display",
        pick=max,
    ),
    _setting("global/low_power", lambda r: r.saver, "turn it off", unset="0"),
    _setting(
        "global/adaptive_battery_management_enabled",
        lambda r: r.adaptive_battery,
        "set it alike in Battery",
        unset="1",
    ),
    _setting(
        "global/stay_on_while_plugged_in",
        lambda r: r.stay_awake,
        "turn it off in Developer options",
        unset="0",
    ),
    _setting(
        "secure/doze_always_on",
        lambda r: r.always_on_display,
        "turn it off in Display",
    ),
    _setting(
        "secure/ui_night_mode",
        lambda _: None,
        "choose the same theme",
        unset="1",
    ),
    _setting(
        "secure/night_display_activated",
        lambda _: False,
        "turn it off in Display",
        unset="0",
    ),
)
BY_HAND = (
    _setting("global/bluetooth_on", lambda r: r.bluetooth, "set it alike", unset="0"),
    _setting("secure/location_mode", lambda r: r.location, "set it alike", unset="0"),
)
"""Their setting only shows the switch; writing it does not turn it."""
