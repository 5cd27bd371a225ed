"""Dumps without what is nobody's business: as many lines and bytes, only the allow-list readable.

Outside the allow-list only punctuation stays, and before the first `:` or `=` of a line the words
that keys are built of, so that an unknown line can still be told; every other letter becomes `x`
or `X`, every digit `0`, and what is not plain ASCII `?`.
"""

import re
from collections.abc import Sequence
from dataclasses import fields, is_dataclass
from functools import lru_cache
from typing import Any

from parsers.allowed import ALLOWED
from parsers.blocks import parse_block
from parsers.errors import ParserError
from parsers.parts import PARTS
from parsers.sources import Source
from parsers.vocabulary import WORDS
from parsers.words import word

_PIECE = re.compile(r"[A-Za-z0-9]+|[^\x20-\x7e\t\r\n]")
_SEPARATOR = re.compile("[:=]")
_WORD = re.compile(r"[A-Z]?[a-z]+|[A-Z]+(?![a-z])")
_LOWER, _UPPER, _DIGIT = re.compile("[a-z]"), re.compile("[A-Z]"), re.compile("[0-9]")
_LONGEST_REMEMBERED = 200
_NOTHING: frozenset[str] = frozenset()


def redact(text: str, source: Source) -> str:
    """The dump with all masked but what the source's allow-list finds.

    Reading it gives the same rows, and unread lines of the same numbers.
    """
    mark = "\ufeff" if text.startswith("\ufeff") else ""
    read = _strings_read(text, source) if ALLOWED[source].groups else _NOTHING
    lines = text.removeprefix(mark).split("\n")
    return mark + "\n".join(_shown(line, source, read) for line in lines)


def redact_bytes(body: bytes, source: Source) -> bytes:
    """The same for bytes as they came: other bytes, never more or fewer."""
    text = body.decode("utf-8", errors="surrogateescape")
    return redact(text, source).encode("utf-8", errors="surrogateescape")


def redact_block(raw: bytes) -> bytes:
    """A framed block, each part masked: as many bytes, and it reads the same.

    What is not one whole block is given back as it is: nobody can say what it holds.
    """
    block = parse_block(raw)
    if block is None:
        return raw
    pieces = []
    at = 0
    for name, body in block.parts:
        begin = raw.index(b"\n", raw.index(b"@part ", at)) + 1
        source = PARTS.get(name)
        shown = redact_bytes(body, source) if source is not None else _masked_bytes(body)
        pieces += [raw[at:begin], shown]
        at = begin + len(body)
    return b"".join([*pieces, raw[at:]])


def _masked_bytes(body: bytes) -> bytes:
    text = body.decode("utf-8", errors="surrogateescape")
    return masked(text).encode("utf-8", errors="surrogateescape")


def masked(text: str) -> str:
    """Any text with only punctuation and the words of keys left."""
    return "\n".join(_hidden(line, _key_end(line)) for line in text.split("\n"))


def _key_end(line: str) -> int:
    separator = _SEPARATOR.search(line)
    return separator.start() if separator else 0


def _hidden(text: str, n_key: int) -> str:
    """The text masked, with the words of keys left in its first `n_key` characters."""
    return _PIECE.sub(_mask, text[:n_key]) + _PIECE.sub(_mask_all, text[n_key:])


def _mask(piece: re.Match[str]) -> str:
    text = piece[0]
    if text.isascii() and text.isalpha():
        return _WORD.sub(_mask_word, text)
    return _blank(text)


def _mask_all(piece: re.Match[str]) -> str:
    return _blank(piece[0])


def _mask_word(piece: re.Match[str]) -> str:
    return piece[0] if piece[0].lower() in WORDS else _blank(piece[0])


def _blank(text: str) -> str:
    if not (text.isascii() and text.isprintable()):
        return "?" * len(text.encode("utf-8", errors="surrogateescape"))
    return _DIGIT.sub("0", _UPPER.sub("X", _LOWER.sub("x", text)))


def _shown(line: str, source: Source, read: frozenset[str]) -> str:
    if read or len(line) > _LONGEST_REMEMBERED:
        return _masked_line(line, source, read)
    return _remembered(line, source.__name__)


@lru_cache(maxsize=4096)
def _remembered(line: str, kind: str) -> str:
    return _masked_line(line, _BY_NAME[kind], _NOTHING)


_BY_NAME = {source.__name__: source for source in ALLOWED}


def _masked_line(line: str, source: Source, read: frozenset[str]) -> str:
    body = line.strip()
    indent = line[: len(line) - len(line.lstrip())]
    key_end = _key_end(body)
    pieces = [masked(indent)]
    at = 0
    for found in ALLOWED[source].finditer(body):
        pieces.append(_hidden(body[at : found.start()], max(0, key_end - at)))
        at = found.start()
        for group in found.re.groupindex:
            if found[group] is not None and not _was_read(found[group], read):
                pieces += [_clean(body[at : found.start(group)]), _hidden(found[group], 0)]
                at = found.end(group)
        pieces.append(_clean(body[at : found.end()]))
        at = found.end()
    pieces += [_hidden(body[at:], max(0, key_end - at)), masked(line[len(indent) + len(body) :])]
    return "".join(pieces)


def _clean(text: str) -> str:
    """Without control characters and the like."""
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() or c in "\t\r" else _blank(c) for c in text)


def _was_read(text: str, read: frozenset[str]) -> bool:
    whole = text.strip()
    package = whole.partition("/")[0]  # of a package and its activity
    return not read.isdisjoint((whole, word(whole), package))


def _strings_read(text: str, source: Source) -> frozenset[str]:
    """Every text among the values of the dump."""
    try:
        rows = source.parse(text).rows
    except ParserError:
        return _NOTHING
    found: set[str] = set()
    _collect(rows, found)
    return frozenset(found)


def _collect(value: Any, found: set[str]) -> None:
    if isinstance(value, str):
        found.add(value)
    elif isinstance(value, Sequence):
        for item in value:
            _collect(item, found)
    elif is_dataclass(value):
        for field in fields(value):
            _collect(getattr(value, field.name), found)
