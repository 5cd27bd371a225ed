"""Who a phone is, without ever keeping its serial."""

import hashlib
import os
import re
import secrets
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from platformdirs import user_data_path

from collector.adb import Phone
from parsers.runfolder import LABEL
from parsers.text import decode

ASK_DEADLINE_S = 10.0
_SALT_BYTES = 32


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """What a phone says it is; all of it untrusted text.

    Attributes:
        model: as printed.
        build: identifier of the system build.
        serial: hardware serial, for hashing only; empty if the phone does not tell.
    """

    model: str
    build: str
    serial: str


def identify(phone: Phone) -> Identity:
    """Asks the phone for its model, build and serial.

    Raises:
        CollectorError: if the link breaks meanwhile.
    """
    model, build, serial = (
        decode(phone.ask(f"getprop {name}", ASK_DEADLINE_S).stdout).strip()[:200]
        for name in ("ro.product.model", "ro.build.fingerprint", "ro.serialno")
    )
    return Identity(model=model, build=build, serial=serial)


def salt_path() -> Path:
    """Where this computer keeps the salt of its phone hashes."""
    return user_data_path("phone-rundown", appauthor=False) / "salt"


def phone_hash(serial: str, salt_file: Path | None = None) -> str:
    """Sixteen hexadecimal digits that recognise a phone here and say nothing elsewhere.

    The salt is made on first use and readable by the user alone.
    """
    path = salt_file or salt_path()
    path.parent.mkdir(parents=True, exist_ok=True)
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError:
        pass
    else:
        with os.fdopen(handle, "wb") as file:
            file.write(secrets.token_bytes(_SALT_BYTES))
    return hashlib.sha256(path.read_bytes() + serial.encode("utf-8", "replace")).hexdigest()[:16]


def new_label(model: str, taken: Iterable[str]) -> str:
    """A label for a phone of that model that is not taken: `alder-1`, `alder-2`, ..."""
    stem = re.sub(r"[^a-z0-9]+", "-", model.lower()[:64]).strip("-")[:24].strip("-") or "phone"
    used = set(taken)
    label = next(f"{stem}-{n}" for n in range(1, 1000) if f"{stem}-{n}" not in used)
    return label if LABEL.fullmatch(label) else new_label("", used)
