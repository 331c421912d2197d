"""DNS, against a real name server of the test's own over real UDP and TCP."""

import pytest
from pydantic import ValidationError

from tests.probes.hands import the_answer
from tests.probes.nameserver import Answering, answer, name_server, record
from tests.support.receivers import free_port
from watchkeeper.model.observation import Answer
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.services.dns import DnsProbe, DnsSettings

LOOPBACK = record(1, b"\x7f\0\0\1")


async def look(bench: ProbeContext, port: int, **settings: object) -> Answer:
    """One question to the server at a port."""
    chosen = {"name": "resolver", "server": "127.0.0.1", "port": port, "question": "hide-hub.test", **settings}
    probe = DnsProbe(DnsSettings.model_validate(chosen), bench)
    seen = await probe.observe()
    await probe.close()
    return the_answer(seen)


async def ask(bench: ProbeContext, answering: Answering, **settings: object) -> Answer:
    """One question to a server that answers so."""
    async with name_server(answering) as (port, _):
        return await look(bench, port, **settings)


async def test_an_answer(bench: ProbeContext) -> None:
    """A name server that answers, and the value among the facts."""
    seen = await ask(bench, lambda asked, _: [answer(asked, LOOPBACK, 1)], expect=["127.0.0.1"])
    assert seen.answered
    assert str(seen.key) == "service resolver: answer"
    assert [phase for phase, _ in seen.phases] == ["UDP"]
    assert dict(seen.facts)["answer"] == "127.0.0.1"
    assert dict(seen.facts)["question"] == "A of hide-hub.test"


async def test_another_value_than_expected(bench: ProbeContext) -> None:
    """A value that is missing makes it no answer; what was answered instead is told."""
    seen = await ask(bench, lambda asked, _: [answer(asked, LOOPBACK, 1)], expect=["192.0.2.7"])
    assert not seen.answered
    assert seen.reason == "A of hide-hub.test: 192.0.2.7 is not in the answer (127.0.0.1)"


async def test_values_are_compared_by_what_they_mean(bench: ProbeContext) -> None:
    """An address in another form, and a name in another case and with its last dot, are the same."""
    six = record(28, bytes.fromhex("20010db8000000000000000000000007"))
    seen = await ask(bench, lambda asked, _: [answer(asked, six, 1)], record="AAAA", expect=["2001:0DB8:0:0:0:0:0:7"])
    assert seen.answered
    alias = record(5, b"\x03Hub\xc0\x15")
    seen = await ask(bench, lambda asked, _: [answer(asked, alias, 1)], record="CNAME", expect=["hub.test."])
    assert seen.answered


@pytest.mark.parametrize(
    ("flags", "reason"),
    [
        (0x8183, "A of hide-hub.test: it says that the name does not exist (NXDOMAIN)"),
        (0x8182, "A of hide-hub.test: it failed to find out (SERVFAIL)"),
        (0x8180, "A of hide-hub.test: the name exists, but no such record"),
    ],
)
async def test_refusals(bench: ProbeContext, flags: int, reason: str) -> None:
    """A server that answers without the record has responded, but not as it should."""
    seen = await ask(bench, lambda asked, _: [answer(asked, flags=flags)])
    assert not seen.answered
    assert seen.took_s is not None
    assert seen.reason == reason


async def test_a_lost_packet(bench: ProbeContext) -> None:
    """The same question goes out again where no answer came."""
    asked_before: list[bytes] = []

    def second_time(asked: bytes, _: str) -> list[bytes]:
        asked_before.append(asked)
        return [answer(asked, LOOPBACK, 1)] if len(asked_before) > 1 else []

    assert (await ask(bench, second_time, timeout=0.6)).answered
    assert len(asked_before) == 2
    assert asked_before[0] == asked_before[1]


async def test_answers_to_other_questions(bench: ProbeContext) -> None:
    """Packets with another id, and rubbish, are passed over; the right one counts."""

    def after_others(asked: bytes, _: str) -> list[bytes]:
        other = bytes([asked[0] ^ 1]) + asked[1:]
        return [b"?", answer(other, LOOPBACK, 1), answer(asked, LOOPBACK, 1)]

    assert (await ask(bench, after_others)).answered


async def test_nothing_but_rubbish(bench: ProbeContext) -> None:
    """Where only rubbish comes, however much, time runs out and the reason says what came."""
    seen = await ask(bench, lambda _asked, _: [b"rubbish"] * 100, timeout=0.3)
    assert not seen.answered
    assert "an answer arrived, but it is incomplete" in seen.reason


async def test_silence(bench: ProbeContext) -> None:
    """A server that never answers."""
    seen = await ask(bench, lambda _asked, _: [], timeout=0.2)
    assert seen.reason.endswith("(asking over UDP)")
    assert seen.took_s is None


async def test_an_answer_that_is_too_long_for_udp(bench: ProbeContext) -> None:
    """A truncated answer is asked for again over TCP (RFC 7766)."""

    def by_way(asked: bytes, way: str) -> list[bytes]:
        return [answer(asked, flags=0x8380)] if way == "udp" else [answer(asked, LOOPBACK, 1)]

    seen = await ask(bench, by_way)
    assert seen.answered
    assert [phase for phase, _ in seen.phases] == ["UDP", "TCP"]


@pytest.mark.parametrize(
    ("over_tcp", "reason"),
    [
        ([], "the connection closed in the middle of its answer"),
        ([b"rubbish"], "its answer is not valid: it is incomplete"),
    ],
)
async def test_trouble_over_tcp(bench: ProbeContext, over_tcp: list[bytes], reason: str) -> None:
    """A TCP answer that ends early or makes no sense."""
    seen = await ask(bench, lambda asked, way: [answer(asked, flags=0x8380)] if way == "udp" else over_tcp)
    assert seen.reason == reason


async def test_nobody_listens(bench: ProbeContext) -> None:
    """The ICMP error that a closed port sends back is told at once."""
    assert (await look(bench, free_port())).reason == "connection refused"


async def test_a_server_that_is_not_there(bench: ProbeContext) -> None:
    """A way that the kernel refuses."""
    seen = await look(bench, 53, server="255.255.255.255")
    assert seen.reason.startswith("no connection: ")


@pytest.mark.parametrize("wrong", [{"server": "resolver.test"}, {"question": "a..b"}, {"record": "ANY"}, {"port": 0}])
def test_settings_that_make_no_sense(wrong: dict[str, object]) -> None:
    """A server by name, a name that is none and a record that is none are refused."""
    with pytest.raises(ValidationError):
        DnsSettings.model_validate({"name": "r", "server": "127.0.0.1", "question": "hide-hub.test", **wrong})
