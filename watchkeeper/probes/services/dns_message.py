"""DNS messages (RFC 1035, section 4): writes one question, reads one answer. Hostile bytes only raise BadAnswer.

dnspython has the format; what is here is what this probe asks and accepts of it. It is imported only if a name server
is monitored: 3 MiB and 30 ms.
"""

import ipaddress
import struct
from dataclasses import dataclass
from typing import Any

import dns.exception
import dns.flags
import dns.message
import dns.name
import dns.opcode
import dns.rdataclass
import dns.rdatatype

REFUSALS = {
    1: "it did not understand the question (FORMERR)",
    2: "it failed to find out (SERVFAIL)",
    3: "it says that the name does not exist (NXDOMAIN)",
    4: "it does not do that (NOTIMP)",
    5: "it refuses to answer (REFUSED)",
}
"""Response codes: RFC 1035, section 4.1.1."""

RECORDS_LIMIT = 256
"""More than a reasonable answer contains; an answer that claims 65,535 records is not read to its end."""

_HEADER = struct.Struct("!6H")
_NOT_VALID = "it is incomplete, or has a record that is not valid"
_WHY = {
    dns.name.BadPointer: "a name in it points forwards",
    dns.name.BadLabelType: "a name in it has a label of an unknown kind",
    dns.name.NameTooLong: "a name in it is too long",
}


class BadAnswer(ValueError):
    """The bytes are not an answer to this question; the text says why."""


@dataclass(frozen=True, slots=True)
class Question:
    """One question. id: 16 bits that the answer must repeat. type: of the records, such as `MX`."""

    id: int
    name: dns.name.Name
    type: str

    @property
    def asked(self) -> tuple[dns.name.Name, dns.rdatatype.RdataType, dns.rdataclass.RdataClass]:
        """What an answer must repeat."""
        return self.name, dns.rdatatype.from_text(self.type), dns.rdataclass.IN

    def packet(self) -> bytes:
        """The query message, with recursion desired."""
        return dns.message.make_query(self.name, self.type, id=self.id).to_wire()


@dataclass(frozen=True, slots=True)
class Reply:
    """The answer. records: values of the requested type, as text. refusal: why there are none."""

    records: tuple[str, ...]
    refusal: str = ""
    truncated: bool = False


def to_name(text: str) -> dns.name.Name:
    """A name that somebody wrote. Raises ValueError that says what is wrong with it."""
    try:
        return dns.name.from_text(text.strip())
    except (dns.exception.DNSException, UnicodeError):
        raise ValueError(f"{text!r} is not a name: labels of 1 to 63 characters between dots, 253 in all") from None


def read(packet: bytes, question: Question) -> Reply:
    """Read an answer to this question. Raises BadAnswer if it is not one."""
    try:
        number, flags, questions, answers, _, _ = _HEADER.unpack_from(packet)
    except struct.error:
        raise BadAnswer("it is incomplete") from None
    if number != question.id or not flags & dns.flags.QR or dns.opcode.from_flags(flags) != dns.opcode.QUERY:
        raise BadAnswer("it answers another question")
    truncated, refusal = bool(flags & dns.flags.TC), flags & 0xF
    if questions != 1 and not refusal:
        raise BadAnswer("it does not repeat the question")
    # Only the answers are read, and not all of them if there are too many; of a refused or cut one, only the question.
    counted = 0 if refusal or truncated else min(answers, RECORDS_LIMIT)
    message = _message(_HEADER.pack(number, flags & ~dns.flags.TC, questions, counted, 0, 0) + packet[_HEADER.size :])
    if [(each.name, each.rdtype, each.rdclass) for each in message.question] not in ([], [question.asked]):
        raise BadAnswer("it answers another question")
    if refusal:
        return Reply((), REFUSALS.get(refusal, f"the server answers with code {refusal}"), truncated)
    of_kind = (each for each in message.answer if (each.rdtype, each.rdclass) == question.asked[1:])
    return Reply(tuple(_text(each[0]) for each in of_kind), "", truncated)


def _message(packet: bytes) -> dns.message.Message:
    try:
        return dns.message.from_wire(packet, ignore_trailing=True, one_rr_per_rrset=True)
    except dns.exception.DNSException as error:
        raise BadAnswer(next((why for kind, why in _WHY.items() if isinstance(error, kind)), _NOT_VALID)) from None


def _text(record: Any) -> str:  # noqa: ANN401  the classes of dnspython's records are made when they are needed
    """One record's data in the usual text form."""
    match dns.rdatatype.to_text(record.rdtype):
        case "A" | "AAAA":
            return str(ipaddress.ip_address(record.address))
        case "MX":
            return f"{record.preference} {_name(record.exchange)}"
        case "SRV":
            return f"{record.priority} {record.weight} {record.port} {_name(record.target)}"
        case "TXT":
            return b"".join(record.strings).decode("utf-8", "replace")
        case _:
            return _name(record.target)


def _name(name: dns.name.Name) -> str:
    return name.to_text(omit_final_dot=True)
