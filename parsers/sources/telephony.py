"""Telephony registry: call state and network type; nothing that says where or with whom.

References:
    AOSP services/core/java/com/android/server/TelephonyRegistry.java (dump);
    AOSP TelephonyDisplayInfo.java, ServiceState.java (toString), TelephonyManager.java.
"""

import re
from dataclasses import dataclass

from parsers.dump import Dump, keyed
from parsers.outcome import Parsed
from parsers.words import CALL, word

KIND = "telephony"
COMMAND = "dumpsys telephony.registry"
"""The one-line answer of `getprop gsm.network.type` is understood as well."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TelephonyRow:
    """All SIMs of the phone taken together.

    Attributes:
        call: `off_hook` or `ringing` if any SIM is, else `idle`.
        network: type in use (`lte`, `nr`, ...) by the SIM whose data connection is up, else by
            the first SIM that has one.
        network_override: finer type shown for the same SIM (`lte_ca`, `nr_nsa`, ...).
        data_connected: a SIM has a mobile data connection.
    """

    call: str | None = None
    network: str | None = None
    network_override: str | None = None
    data_connected: bool | None = None


class _Sim:
    def __init__(self) -> None:
        self.call: int | None = None
        self.data: int | None = None
        self.shown: tuple[str, str] | None = None
        self.served: str | None = None

    @property
    def network(self) -> str | None:
        name = self.shown[0] if self.shown is not None else self.served
        return None if name is None or word(name) == "unknown" else word(name)

    @property
    def override(self) -> str | None:
        name = word(self.shown[1]) if self.shown is not None else "none"
        return None if name == "none" else name


_SIM = "Phone Id="
_CALL = "mCallState="
_DATA = "mDataConnectionState="
_SHOWN = "mTelephonyDisplayInfo="
_SERVED = "mServiceState="
_KEYS = (_SIM, _CALL, _DATA, _SHOWN, _SERVED)
_WHOLE = re.compile(r"-?[0-9]{1,10}")
_CONNECTED = 2
_DISPLAY_INFO = re.compile(
    r"TelephonyDisplayInfo ?\{network=([\w +.-]{1,30}), overrideNetwork=(\w{1,30})[,}].{0,200}"
)
_RADIO = re.compile(r"getRilDataRadioTechnology=[0-9]{1,3}\(([\w.-]{1,20})\)")
NETWORKS = frozenset(
    {"gprs", "edge", "umts", "cdma", "hsdpa", "hsupa", "hspa", "hspa_plus", "hspap", "iden"}
    | {"ehrpd", "evdo_0", "evdo_a", "evdo_b", "lte", "lte_ca", "gsm", "td_scdma", "iwlan"}
    | {"nr", "nr_sa", "nr_nsa", "unknown"}
)
_LIST = re.compile(r"[\w+ -]{0,20}(?:,[\w+ -]{0,20}){0,7}")


def looks_like(lines: list[tuple[int, str]]) -> bool:
    """Whether a line states a call or what network is shown, or all of it is a list of types."""
    ours = keyed((_CALL, _DATA, _SHOWN))
    return any(ours(line) for _, line in lines) or _property_types(lines) is not None


def parse(text: str) -> Parsed[TelephonyRow]:
    """Call and network. Lines that begin with none of its keys are skipped.

    Raises:
        SourceRefusedError: if the phone does not give this dump.
        NotThisDumpError: if the text is something else.
    """
    dump = Dump(KIND, text)
    types = _property_types(dump.head)
    if types is not None:
        known = (name for name in types if name not in ("", "unknown"))
        return Parsed(rows=(TelephonyRow(network=next(known, None)),))
    sims = [_Sim()]
    dump.read(lambda line: _take(line.strip(), sims), keyed(_KEYS))
    calls = [sim.call for sim in sims if sim.call is not None]
    data = [sim.data for sim in sims if sim.data is not None]
    found = bool(calls or data) or any(sim.shown or sim.served for sim in sims)
    serving = sorted(
        (sim for sim in sims if sim.network is not None), key=lambda sim: sim.data != _CONNECTED
    )
    row = TelephonyRow(
        call=CALL[max(calls)] if calls else None,  # codes rise from idle to off hook
        network=serving[0].network if serving else None,
        network_override=serving[0].override if serving else None,
        data_connected=_CONNECTED in data if data else None,
    )
    return dump.parsed(row, found=found, needs="line of the telephony registry")


def _take(line: str, sims: list[_Sim]) -> bool:
    key, _, text = line.partition("=")
    sim = sims[-1]
    match key + "=":
        case "Phone Id=":
            sims.append(_Sim())
            return _WHOLE.fullmatch(text) is not None
        case "mCallState=":
            code = int(text) if _WHOLE.fullmatch(text) else None
            sim.call = code if sim.call is None and code in CALL else sim.call
            return code in CALL
        case "mDataConnectionState=":
            code = int(text) if _WHOLE.fullmatch(text) else None
            sim.data = code if sim.data is None else sim.data
            return code is not None
        case "mTelephonyDisplayInfo=":
            shown = _DISPLAY_INFO.fullmatch(text)
            if shown is not None and sim.shown is None:
                sim.shown = (shown[1], shown[2])
            return shown is not None or text == "null"
        case _:
            radio = _RADIO.search(text)
            sim.served = radio[1] if radio is not None and sim.served is None else sim.served
            return True


def _property_types(lines: list[tuple[int, str]]) -> list[str] | None:
    """The types of a property's one-line list, if the text is nothing else."""
    if len(lines) != 1 or not _LIST.fullmatch(lines[0][1].strip()):
        return None
    types = [word(name) for name in lines[0][1].split(",")]
    return types if any(types) and all(name in NETWORKS or not name for name in types) else None
