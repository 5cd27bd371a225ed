"""The command behind `rundown phones --cost`: every attached phone measured, told and kept."""

import json
import threading
from dataclasses import asdict

from rich.console import Console

from collector.adb import AdbServer
from collector.errors import CollectorError
from collector.inventory.observer import BLOCK_S, N_PAIRS, Cost, keep_costs, measure_cost
from collector.recording.bench import make_ready
from parsers.exits import ATTENTION, DONE
from parsers.text import printable


def observe_all(server: AdbServer, console: Console, progress: Console, *, as_json: bool) -> int:
    """Measures one phone after the other; returns the exit code.

    Raises:
        NoPhonesError: if none is attached.
        ServerGoneError: if no adb server answers.
    """
    costs: dict[str, Cost] = {}
    problems: dict[str, str] = {}
    wait = threading.Event().wait  # nobody sets it: only its deadline ends the waiting
    for ready in make_ready(server, {}):
        label = ready.entry.label
        minutes = 2 * N_PAIRS * BLOCK_S / 60
        progress.print(f"{label}: {minutes:.0f} minutes; leave it alone, screen off", markup=False)
        try:
            phone = server.phone(ready.serial)
            costs[label] = measure_cost(phone, ready.offer.settings, wait)
        except CollectorError as exc:
            problems[label] = str(exc)
            continue
        keep_costs([(ready.entry.phone_hash, costs[label])])
    if as_json:
        phones = [{"phone": label, **asdict(cost)} for label, cost in costs.items()]
        console.print_json(json.dumps({"schema": 1, "phones": phones}))
    for label, cost in costs.items() if not as_json else ():
        console.print(
            f"{label}: one reading a second takes {cost.mw_at_1hz:.2f} mW "
            f"({cost.lo95_mw:.2f} to {cost.hi95_mw:.2f})",
            markup=False,
        )
    for label, problem in problems.items():
        progress.print(f"{label}: {printable(problem, 300)}", markup=False)
    return ATTENTION if problems else DONE
