"""Which columns of a table a terminal has room for, and how it is said that some are left out."""

from collections.abc import Collection, Mapping, Sequence


def fitting(
    widths_chars: Mapping[str, int], spared: Sequence[str], room_chars: int, gap_chars: int
) -> tuple[str, ...]:
    """Headings of the columns that fit, in their order.

    Args:
        widths_chars: of all columns, by heading.
        spared: headings that may be left out, the first of them first.
        room_chars: width of the terminal.
        gap_chars: between two columns.
    """
    shown = dict(widths_chars)
    for heading in spared:
        if sum(shown.values()) + gap_chars * (len(shown) - 1) <= room_chars:
            break
        shown.pop(heading, None)
    return tuple(shown)


def left_out(headings: Collection[str], shown: Collection[str]) -> str:
    """A sentence on the columns that did not fit; empty if all did."""
    missing = [heading for heading in headings if heading not in shown]
    return f"no room for {', '.join(missing)}: widen the window, or see --json" if missing else ""
