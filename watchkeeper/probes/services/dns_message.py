"""DNS messages (RFC 1035, section 4): writes one question, reads one answer. Pure; hostile bytes only raise BadAnswer.

No DNS library is among the dependencies, and the standard library only queries the system's resolver: it cannot be
pointed at one server, nor can it report what that server answered. This file has the part of the format that is needed:
one question of one class, and eight kinds of record.
"""

import ipaddress
import struct
from dataclasses import dataclass

TYPES = {"A": 1, "NS": 2, "CNAME": 5, "PTR": 12, "MX": 15, "TXT": 16, "AAAA": 28, "SRV": 33}
"""Record types: RFC 1035 (3.2.2), RFC 3596 (AAAA), RFC 2782 (SRV)."""

REFUSALS = {
    1: "it did not understand the question (FORMERR)",
    2: "it failed to find out (SERVFAIL)",
    3: "it says that the name does not exist (NXDOMAIN)",
    4: "it does not do that (NOTIMP)",
    5: "it refuses to answer (REFUSED)",
}
"""Response codes: RFC 1035, section 4.1.1."""

CLASS_IN = 1
RESPONSE, TRUNCATED, RECURSION_DESIRED = 0x8000, 0x0200, 0x0100
RECORDS_LIMIT = 256
"""More than a reasonable answer contains; an answer that claims 65,535 records is not read to its end."""

_HEADER = struct.Struct("!6H")
_QUESTION_TAIL = struct.Struct("!2H")
_RECORD_TAIL = struct.Struct("!2HIH")


class BadAnswer(ValueError):
    """The bytes are not an answer to this question; the text says why."""


@dataclass(frozen=True, slots=True)
class Question:
    """One question. id: 16 bits that the answer must repeat. name: as wire labels, without the root label."""

    id: int
    name: tuple[bytes, ...]
    type: int

    def packet(self) -> bytes:
        """The query message, with recursion desired."""
        labels = b"".join(bytes([len(label)]) + label for label in self.name)
        header = _HEADER.pack(self.id, RECURSION_DESIRED, 1, 0, 0, 0)
        return header + labels + b"\0" + _QUESTION_TAIL.pack(self.type, CLASS_IN)


@dataclass(frozen=True, slots=True)
class Reply:
    """The answer. records: values of the requested type, as text. refusal: why there are none."""

    records: tuple[str, ...]
    refusal: str = ""
    truncated: bool = False


def to_labels(name: str) -> tuple[bytes, ...]:
    """A name's labels in wire format. Raises ValueError that says what is wrong with the name."""
    stripped = name.strip().removesuffix(".")
    try:
        labels = tuple(
            part.encode("ascii") if part.isascii() else part.encode("idna") for part in stripped.split(".") if stripped
        )
    except UnicodeError:
        raise ValueError(f"{name!r} holds characters that are not allowed in a name") from None
    if any(not 0 < len(label) < 64 for label in labels) or sum(len(label) + 1 for label in labels) > 254:
        raise ValueError(f"{name!r} is not a name: labels of 1 to 63 characters between dots, 253 in all")
    return labels


def read(packet: bytes, question: Question) -> Reply:
    """Read an answer to this question. Raises BadAnswer if it is not one."""
    try:
        return _read(packet, question)
    except (struct.error, IndexError):
        raise BadAnswer("it is incomplete") from None


def _read(packet: bytes, question: Question) -> Reply:
    number, flags, questions, answers, _, _ = _HEADER.unpack_from(packet)
    if number != question.id or not flags & RESPONSE:
        raise BadAnswer("it answers another question")
    truncated, refusal = bool(flags & TRUNCATED), flags & 0xF
    if questions != 1 and not refusal:
        raise BadAnswer("it does not repeat the question")
    at = _check_question(packet, question) if questions else _HEADER.size
    if refusal:
        return Reply((), REFUSALS.get(refusal, f"the server answers with code {refusal}"), truncated)
    return Reply(() if truncated else _records(packet, at, min(answers, RECORDS_LIMIT), question.type), "", truncated)


def _check_question(packet: bytes, question: Question) -> int:
    """The offset of the answers. The question must be repeated, so that a stray answer is not mistaken for this one."""
    labels, at = _name(packet, _HEADER.size)
    asked = [label.lower() for label in question.name]
    if [label.lower() for label in labels] != asked or _QUESTION_TAIL.unpack_from(packet, at) != (
        question.type,
        CLASS_IN,
    ):
        raise BadAnswer("it answers another question")
    return at + _QUESTION_TAIL.size


def _records(packet: bytes, at: int, count: int, wanted: int) -> tuple[str, ...]:
    found = []
    for _ in range(count):
        _, at = _name(packet, at)
        kind, group, _, length = _RECORD_TAIL.unpack_from(packet, at)
        at += _RECORD_TAIL.size
        if at + length > len(packet):
            raise BadAnswer("it is incomplete")
        if kind == wanted and group == CLASS_IN:
            found.append(_value(packet, at, length, kind))
        at += length
    return tuple(found)


def _value(packet: bytes, at: int, length: int, kind: int) -> str:
    """One record's data in the usual text form."""
    data = packet[at : at + length]
    match kind:
        case 1 | 28:
            if length != (4 if kind == 1 else 16):
                raise BadAnswer("it contains an address of the wrong length")
            return str(ipaddress.ip_address(data))
        case 15:
            return f"{struct.unpack_from('!H', data)[0]} {_text(packet, at + 2)}"
        case 33:
            priority, weight, port = struct.unpack_from("!3H", data)
            return f"{priority} {weight} {port} {_text(packet, at + 6)}"
        case 16:
            return _strings(data)
        case _:
            return _text(packet, at)


def _strings(data: bytes) -> str:
    """The character strings of a TXT record, joined."""
    parts, at = [], 0
    while at < len(data):
        length = data[at]
        parts.append(data[at + 1 : at + 1 + length])
        at += 1 + length
    return b"".join(parts).decode("utf-8", "replace")


def _text(packet: bytes, at: int) -> str:
    return b".".join(_name(packet, at)[0]).decode("ascii", "backslashreplace") or "."


def _name(packet: bytes, at: int) -> tuple[list[bytes], int]:
    """A name's labels, and the offset after it. Follows compression pointers (RFC 1035, 4.1.4), backwards only."""
    labels: list[bytes] = []
    after, limit = 0, at
    while (length := packet[at]) != 0:
        if length >= 0xC0:
            target = (length & 0x3F) << 8 | packet[at + 1]
            after = after or at + 2
            if target >= limit:
                raise BadAnswer("a name in it points forwards")
            at = limit = target
        elif length < 64:
            labels.append(packet[at + 1 : at + 1 + length])
            at += 1 + length
        else:
            raise BadAnswer("a name in it has a label of an unknown kind")
        if len(labels) > 127:
            raise BadAnswer("a name in it is too long")
    return labels, after or at + 1
