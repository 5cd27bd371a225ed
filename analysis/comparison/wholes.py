"""Segments of which spans were cut out, their parts taken together."""

from dataclasses import replace

from analysis.report import PhoneEnergy, SegmentEnergy


def activities(phone: PhoneEnergy) -> dict[tuple[str, int], SegmentEnergy]:
    """What a phone did, by name and occurrence; parts of one segment as one."""
    parts: dict[tuple[str, int], list[SegmentEnergy]] = {}
    for segment in phone.segments:
        parts.setdefault(segment.activity, []).append(segment)
    return {key: _together(phone, key, found) for key, found in parts.items()}


def _together(
    phone: PhoneEnergy, key: tuple[str, int], parts: list[SegmentEnergy]
) -> SegmentEnergy:
    if len(parts) == 1 or key not in phone.wholes:
        return parts[0]
    warmths = [(s.temperature_max_c, s.temperature_mean_c, s.amount.duration_s) for s in parts]
    known = [(top, mean, s) for top, mean, s in warmths if top is not None and mean is not None]
    seen_s = sum(s for _, _, s in known)
    return replace(
        parts[0],
        amount=phone.wholes[key],
        end_utc=parts[-1].end_utc,
        method=", ".join(dict.fromkeys(s.method for s in parts)),
        temperature_mean_c=sum(mean * s for _, mean, s in known) / seen_s if known else None,
        temperature_max_c=max((top for top, _, _ in known), default=None),
        cut_short=any(s.cut_short for s in parts),
        flags=tuple(dict.fromkeys(flag for s in parts for flag in s.flags)),
    )
