"""Wi-Fi: connected or not, and the link's figures; no names and no addresses.

References:
    AOSP packages/modules/Wifi: WifiShellCommand.java (status), WifiInfo.java (toString),
    ClientModeImpl.java (dump).
"""

import re
from dataclasses import dataclass

from parsers.dump import Dump, keyed, known, positive
from parsers.outcome import Parsed

KIND = "wifi"
COMMAND = "cmd wifi status"
"""From API 30; the large `dumpsys wifi` is understood as well."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WifiRow:
    """The phone's Wi-Fi; the link's figures only while it is connected.

    Attributes:
        rssi_dbm: received signal strength.
        frequency_mhz: centre of the channel.
        link_speed_mbps: as the driver states it; `tx_` and `rx_` apart on newer releases.
    """

    wifi_enabled: bool | None = None
    connected: bool | None = None
    rssi_dbm: int | None = None
    frequency_mhz: int | None = None
    link_speed_mbps: int | None = None
    tx_link_speed_mbps: int | None = None
    rx_link_speed_mbps: int | None = None


_ENABLED = {"Wifi is enabled": True, "Wifi is disabled": False}
_CONNECTED = "Wifi is connected to "
_NOT_CONNECTED = "Wifi is not connected"
_LINKS = ("WifiInfo: SSID: ", "mWifiInfo SSID: ")
_KEYS = (*_ENABLED, _CONNECTED, _NOT_CONNECTED, *_LINKS)
_ATTRIBUTE = re.compile(r"([A-Za-z][A-Za-z -]{1,40}): (-?[0-9]{1,10})(?: ?(?:Mbps|MHz))?")
_SUPPLICANT = "Supplicant state: "
_NO_RSSI_DBM = -127


class _Reader:
    def __init__(self) -> None:
        self.enabled: bool | None = None
        self.connected: bool | None = None
        self.link: dict[str, int] = {}

    def take(self, line: str) -> bool:
        text = line.strip()
        if text in _ENABLED:
            self.enabled = _ENABLED[text] if self.enabled is None else self.enabled
            return True
        if text == _NOT_CONNECTED or text.startswith(_CONNECTED):
            self.connected = bool(self.connected) or text != _NOT_CONNECTED
            return True
        return text.startswith(_LINKS) and self._take_link(text)

    def _take_link(self, text: str) -> bool:
        # The name of a network can imitate every attribute; its address comes after it.
        _, address, attributes = text.rpartition(", BSSID: ")
        parts = attributes.split(", ") if address else []
        states = [part for part in parts if part.startswith(_SUPPLICANT)]
        up = states[:1] == [_SUPPLICANT + "COMPLETED"]
        if states:
            self.connected = bool(self.connected) or up
        if (up or not states) and not self.link:
            for part in parts:
                match = _ATTRIBUTE.fullmatch(part)
                if match is not None:
                    self.link.setdefault(match[1], int(match[2]))
        return bool(parts)


def looks_like(lines: list[tuple[int, str]]) -> bool:
    """Whether a line states Wi-Fi's switch, its connection or its link."""
    ours = keyed(_KEYS)
    return any(ours(line) for _, line in lines)


def parse(text: str) -> Parsed[WifiRow]:
    """Connection and link. Lines that begin with none of its keys are skipped.

    Raises:
        SourceRefusedError: if the phone does not give this dump.
        NotThisDumpError: if the text is something else.
    """
    dump = Dump(KIND, text)
    reader = _Reader()
    dump.read(reader.take, keyed(_KEYS))
    link = reader.link if reader.connected else {}
    rssi_dbm = known(link.get("RSSI", _NO_RSSI_DBM))
    row = WifiRow(
        wifi_enabled=reader.enabled,
        connected=reader.connected,
        rssi_dbm=rssi_dbm if rssi_dbm is not None and _NO_RSSI_DBM < rssi_dbm < 0 else None,
        frequency_mhz=positive(link.get("Frequency", 0)),
        link_speed_mbps=positive(link.get("Link speed", 0)),
        tx_link_speed_mbps=positive(link.get("Tx Link speed", 0)),
        rx_link_speed_mbps=positive(link.get("Rx Link speed", 0)),
    )
    found = reader.enabled is not None or reader.connected is not None
    return dump.parsed(row, found=found, needs="line about Wi-Fi")
