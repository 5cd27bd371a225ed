"""What can hurt someone in a run-down test, said before it starts."""

from rich.console import Console
from rich.table import Table
from rich.text import Text

CAUTIONS = (
    "Lithium cells: stop and move the phone outdoors or onto a non-flammable surface at any "
    "swelling, hiss, smell, smoke or heat without load. Never run down a damaged, swollen, wet "
    "or recalled phone.",
    "Heat: do not cover the phones or lay them on bedding; keep flammable things away; let hot "
    "glass and metal cool before touching. Do not leave heavy loads unattended.",
    "Charging: not below 5 °C or above 40 °C; recharge within days of a shut-off.",
    "Calls: only numbers you own or may call; never emergency numbers.",
    "Eyes and ears: full-white or flickering content can disturb people with photosensitivity; "
    "keep the volume modest and wear no headphones in unattended runs.",
    "adb over Wi-Fi: only on a network you trust; turn debugging off when the test is over.",
    "The phone maker's advice, local rules and a licensed professional go before anything here.",
)
"""Common practice; the charging window is narrower than the 0 to 45 °C cells usually allow."""


def print_cautions(console: Console) -> None:
    """Prints the cautions, one line each."""
    console.print("Before you start:")
    lines = Table.grid(padding=(0, 1))
    for caution in CAUTIONS:
        lines.add_row("  -", Text(caution))
    console.print(lines)
