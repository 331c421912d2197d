"""The format of DNS messages, against the example of RFC 1035 and against bytes that mean harm."""

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.probes.nameserver import answer, record
from watchkeeper.probes.services.dns_message import RECORDS_LIMIT, BadAnswer, Question, read, to_name

TYPES = {"A": 1, "NS": 2, "CNAME": 5, "PTR": 12, "MX": 15, "TXT": 16, "AAAA": 28, "SRV": 33}
"""Record types: RFC 1035 (3.2.2), RFC 3596 (AAAA), RFC 2782 (SRV)."""

HUB = Question(0x1234, to_name("hide-hub.test"), "A")


def test_a_question_as_the_rfc_draws_it() -> None:
    """Header, labels with their lengths, the root, type and class (RFC 1035, 4.1.1 and 4.1.2), written out by hand."""
    assert HUB.packet() == bytes.fromhex("1234 0100 0001 0000 0000 0000") + b"\x08hide-hub\x04test\x00\x00\x01\x00\x01"


def test_the_compression_of_the_rfc() -> None:
    """The names of RFC 1035, 4.1.4: F.ISI.ARPA at 20, FOO.F.ISI.ARPA that points to it, ARPA that points into it."""
    question = Question(7, to_name("F.ISI.ARPA"), "NS")
    head = struct.pack("!6H", 7, 0x8000, 1, 2, 0, 0) + question.packet()[12:]
    foo, arpa = b"\x03FOO\xc0\x0c", b"\xc0\x12"
    reply = read(head + record(2, foo) + record(2, arpa), question)
    assert reply.records == ("FOO.F.ISI.ARPA", "ARPA")


@pytest.mark.parametrize(
    ("kind", "data", "text"),
    [
        ("A", bytes([192, 0, 2, 7]), "192.0.2.7"),
        ("AAAA", bytes.fromhex("20010db8000000000000000000000007"), "2001:db8::7"),
        ("CNAME", b"\x07hub-two\xc0\x15", "hub-two.test"),
        ("MX", b"\x00\x0a\x04mail\xc0\x15", "10 mail.test"),
        ("SRV", b"\x00\x01\x00\x02\x1f\x90\x04mail\xc0\x15", "1 2 8080 mail.test"),
        ("TXT", b"\x05spell\x02ed", "spelled"),
        ("NS", b"\x00", "."),
        ("PTR", b"\x03\xff\xfea\x00", "\\255\\254a"),
    ],
)
def test_every_kind_of_record(kind: str, data: bytes, text: str) -> None:
    """The value of each type of record as people write it."""
    question = Question(1, to_name("hide-hub.test"), kind)
    assert read(answer(question.packet(), record(TYPES[kind], data), 1), question).records == (text,)


def test_only_the_asked_type_counts() -> None:
    """An alias before the address, and a record of another class, are passed over."""
    others = record(5, b"\x01x\x00") + record(1, b"\1\2\3\4", group=4)
    reply = read(answer(HUB.packet(), others + record(1, b"\x7f\0\0\1"), 3), HUB)
    assert reply.records == ("127.0.0.1",)


def test_names_are_compared_without_case() -> None:
    """A server may repeat the question in another case (RFC 1035, 2.3.3)."""
    packet = answer(HUB.packet(), record(1, b"\x7f\0\0\1"), 1).replace(b"hide-hub", b"HIDE-hub")
    assert read(packet, HUB).records == ("127.0.0.1",)


@pytest.mark.parametrize(
    ("flags", "refusal"),
    [
        (0x8182, "it failed to find out (SERVFAIL)"),
        (0x8183, "it says that the name does not exist (NXDOMAIN)"),
        (0x8185, "it refuses to answer (REFUSED)"),
        (0x818B, "the server answers with code 11"),
    ],
)
def test_refusals(flags: int, refusal: str) -> None:
    """A response code is told in words, also where the question is not repeated."""
    assert read(answer(HUB.packet(), flags=flags), HUB).refusal == refusal
    bare = struct.pack("!6H", HUB.id, flags, 0, 0, 0, 0)
    assert read(bare, HUB).refusal == refusal


def test_a_truncated_answer() -> None:
    """What did not fit is not half read: it says so, and holds nothing."""
    reply = read(answer(HUB.packet(), b"\xc0", 1, flags=0x8380), HUB)
    assert reply.truncated
    assert reply.records == ()


OTHER = Question(0x1234, to_name("nest-cams.test"), "A")


@pytest.mark.parametrize(
    ("packet", "why"),
    [
        (b"", "is incomplete"),
        (HUB.packet(), "another question"),
        (b"\0\0" + answer(HUB.packet())[2:], "another question"),
        (answer(OTHER.packet()), "another question"),
        (struct.pack("!6H", HUB.id, 0x8180, 0, 0, 0, 0), "does not repeat"),
        (answer(HUB.packet(), b"", 1), "is incomplete"),
        (answer(HUB.packet(), record(1, b"\1\2\3\4")[:-1], 1), "is incomplete"),
        (answer(HUB.packet(), record(1, b"\1\2\3"), 1), "not valid"),
        (answer(HUB.packet(), b"\xc0\xff" + b"\0" * 20, 1), "points forwards"),
        (answer(HUB.packet(), b"\xc0\x1f" + b"\0" * 20, 1), "points forwards"),
        (answer(HUB.packet(), b"\x80" + b"\0" * 20, 1), "unknown kind"),
        (answer(HUB.packet(), b"\x01a" * 200 + b"\0", 1), "too long"),
    ],
)
def test_bytes_that_mean_harm(packet: bytes, why: str) -> None:
    """Broken and hostile answers are refused with a reason, and loops in names end."""
    with pytest.raises(BadAnswer, match=why):
        read(packet, HUB)


def test_an_answer_that_claims_too_much() -> None:
    """No more records are read than a sensible answer holds."""
    many = record(1, b"\x7f\0\0\1") * (RECORDS_LIMIT + 10)
    assert len(read(answer(HUB.packet(), many, RECORDS_LIMIT + 10), HUB).records) == RECORDS_LIMIT


@given(st.binary(max_size=200), st.sampled_from(sorted(TYPES)))
def test_no_bytes_do_harm(tail: bytes, kind: str) -> None:
    """Whatever follows a well-formed beginning is read, or refused as BadAnswer; nothing else is raised."""
    question = Question(1, to_name("hide-hub.test"), kind)
    for packet in (tail, answer(question.packet(), tail, 3), answer(question.packet(), record(TYPES[kind], tail), 1)):
        try:
            read(packet, question)
        except BadAnswer:
            continue


@pytest.mark.parametrize(
    ("name", "labels"),
    [
        ("hide-hub.test.", (b"hide-hub", b"test")),
        ("_sip._tcp.hide-hub.test", (b"_sip", b"_tcp", b"hide-hub", b"test")),
        ("möwe.test", (b"xn--mwe-sna", b"test")),
        (".", ()),
    ],
)
def test_names(name: str, labels: tuple[bytes, ...]) -> None:
    """Names as people write them; other scripts go over the wire as IDNA (RFC 3490). Value from Python's own codec."""
    assert to_name(name).labels == (*labels, b"")


@pytest.mark.parametrize("name", ["a..b", "x" * 64, ".".join(["x" * 60] * 5), "ü" * 70])
def test_names_that_are_none(name: str) -> None:
    """Empty labels, labels of more than 63 and names of more than 253 characters are refused (RFC 1035, 2.3.4)."""
    with pytest.raises(ValueError, match="name"):
        to_name(name)
