"""A user's DBC file: read, and its signals chosen. The only file that loads cantools."""

from __future__ import annotations

import logging
import re
from codecs import BOM_UTF16_BE, BOM_UTF16_LE
from collections.abc import Mapping
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING, Final

from livemon.errors import RecordingError, UsageError
from livemon.files import read_whole
from livemon.identifiers import Mask
from livemon.quantities import QUANTITIES
from livemon.sources.dbc_layout import Layout, layout_of

if TYPE_CHECKING:
    from cantools.database.can import Database, Message, Signal

_MOST_BYTES: Final = 8 << 20  # many times the messages of a vehicle; cantools takes half a minute
_MOST_LENGTH: Final = 1785  # bytes: the longest message that is sent in pieces, SAE J1939-21
# The length of a message, the place and length of a signal; what stands in quotes is passed over.
_LENGTHS: Final = re.compile(
    r'"[^"]*"|\bBO_\s+\d+\s+\w+\s*:\s*(\d+)|\bSG_\s[^:"]{0,300}:\s*(\d+)\s*\|\s*(\d+)\s*@'
)
GROUP_MASK: Final = 0x03FFFF00  # a J1939 identifier without priority and address
_ANY_SOURCE: Final = 0xFE  # J1939's null address: in a DBC it stands for whoever sends the message
_NEAR: Final = 0.4  # alike enough to be a slip of the pen


def layouts(path: Path, broadcast: Mapping[str, str]) -> dict[Mask, Layout]:
    """Where the quantities of `broadcast` lie, by the frames they are in; see DbcDecoder.

    Raises RecordingError when the file is no usable DBC, UsageError when it lacks a signal asked for.
    """
    chosen: dict[Mask, list[tuple[str, Message, Signal]]] = {}
    for quantity, message, signal in _choose(_load(path), broadcast, str(path)):
        chosen.setdefault(_key(message), []).append((quantity, message, signal))
    try:
        return {key: layout_of(signals) for key, signals in chosen.items()}
    except ValueError as problem:
        raise RecordingError("usable numbers in the DBC", str(problem), str(path), "correct it") from None


def _load(path: Path) -> Database:
    import cantools.database
    from cantools.database.can import Database

    if not path.is_file():
        came = "a directory" if path.is_dir() else "a device or a pipe" if path.exists() else "no such file"
        raise RecordingError("a DBC file", came, str(path), "check the path")
    logging.getLogger("cantools").setLevel(logging.ERROR)  # it warns of names that occur twice: see _choose
    content = read_whole(path, "a DBC file", _MOST_BYTES, error=RecordingError)
    try:
        text = _text(content)
        _no_giants(text, str(path))
        database = cantools.database.load_string(text, database_format="dbc", strict=False)
    except RecordingError:
        raise
    except Exception as failure:  # parse errors, wrong encodings, impossible layouts: all one to the user
        reason = str(failure).split("\n")[0][:200]
        if reason.removeprefix("DBC: ") in ("", '""'):  # what Python raises without a word
            reason = "numbers too large for it"
        raise RecordingError("a DBC file", reason, str(path), "check that the file is a whole DBC") from None
    if not isinstance(database, Database) or not database.messages:
        raise RecordingError("a DBC file", "one without messages", str(path), "give the vehicle's DBC")
    return database


def _no_giants(text: str, where: str) -> None:
    """Raise RecordingError for a message or signal that no bus carries: cantools would make room for it."""
    for found in _LENGTHS.finditer(text):
        message, start, length = found.groups()
        most, unit = (_MOST_LENGTH, "bytes") if message else (8 * _MOST_LENGTH, "bits")
        for number in filter(None, (message, start, length)):
            if len(number) > 9 or int(number) > most:
                line = text.count("\n", 0, found.start()) + 1
                came, do = f"{number[:20]} {unit}", "correct that line"
                raise RecordingError(f"at most {most} {unit}", came, f"{where}:{line}", do)


def _text(content: bytes) -> str:
    """The format names no encoding: what the bytes themselves say, else that of the editors it comes from.

    Names and numbers are ASCII; a wrong guess spoils nothing but comments.
    """
    if content.startswith((BOM_UTF16_LE, BOM_UTF16_BE)):
        return content.decode("utf-16")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return content.decode("cp1252", errors="replace")


def _choose(
    database: Database, broadcast: Mapping[str, str], where: str
) -> list[tuple[str, Message, Signal]]:
    """The signals asked for, with the quantities they are; without `broadcast` those named like one."""
    named: dict[str, list[tuple[Message, Signal]]] = {}  # by "Message.Signal" and by the signal's name alone
    for message in database.messages:
        for signal in message.signals:
            for name in (f"{message.name}.{signal.name}", signal.name):
                named.setdefault(name, []).append((message, signal))
    chosen = []
    for quantity, name in (broadcast or {name: name for name in named if name in QUANTITIES}).items():
        if quantity not in QUANTITIES:
            raise _unknown(f"[broadcast] {quantity}", "a quantity", quantity, QUANTITIES, where)
        if name not in named:
            raise _unknown(f"[broadcast] {quantity}", "Message.Signal in the DBC", name, named, where)
        if len({id(message) for message, _ in named[name]}) > 1:
            raise _ambiguous(quantity, name, [message for message, _ in named[name]], where)
        chosen += [(quantity, message, signal) for message, signal in named[name]]
    if not chosen:
        like = [name for name in named if "." in name][:3]
        raise UsageError(
            "a [broadcast] table in the vehicle file, or signals named like quantities",
            f"signals like {', '.join(like) or 'none'}",
            where,
            'write for instance [broadcast] engine_rpm = "Message.Signal" in the vehicle file',
        )
    return chosen


def _unknown(key: str, expected: str, came: str, known: Mapping[str, object], where: str) -> UsageError:
    near = get_close_matches(came, known, 1, _NEAR)
    return UsageError(
        f"{expected} for {key}", repr(came), where, f"did you mean {near[0]!r}?" if near else "check it"
    )


def _ambiguous(quantity: str, name: str, messages: list[Message], where: str) -> UsageError:
    alike = len({message.name for message in messages}) < len(messages)
    do = (
        "give the messages names that differ in the DBC"
        if alike
        else f'write [broadcast] {quantity} = "Message.Signal" in the vehicle file'
    )
    came = ", ".join(f"{message.name} (0x{message.frame_id:X})" for message in messages[:3])
    return UsageError(f"one message with a signal {name!r} for {quantity}", came, where, do)


def _key(message: Message) -> Mask:
    """The frames a message comes in; of J1939 whatever its priority and address."""
    extended = message.is_extended_frame
    if extended and (message.protocol == "j1939" or message.frame_id & 0xFF == _ANY_SOURCE):
        return message.frame_id & GROUP_MASK, GROUP_MASK, True
    return message.frame_id, 0x1FFFFFFF if extended else 0x7FF, extended
