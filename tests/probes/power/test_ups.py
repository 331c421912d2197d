"""A UPS, asked over a real server with a scripted device; and what answers on its port without being one."""

import asyncio
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from types import MappingProxyType

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from tests.probes.hands import conditions
from tests.probes.power.upsd import UpsServer, ups_server
from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Level, Observation
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.power import ups_protocol
from watchkeeper.probes.power.ups import UpsProbe, UpsSettings


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[UpsServer]:
    """A real server."""
    with ups_server(tmp_path_factory.mktemp("ups")) as started:
        yield started


async def look(bench: ProbeContext, port: int, **more: object) -> Sequence[Observation]:
    """One look."""
    made = UpsSettings.model_validate({"name": "shed", "port": port, "timeout": "5s", **more})
    return await UpsProbe(made, bench).observe()


def levels(seen: Sequence[Observation]) -> dict[str, float]:
    """The used shares by quantity."""
    return {each.key.quantity: round(each.used, 3) for each in seen if isinstance(each, Level)}


async def scripted(
    bench: ProbeContext,
    server: UpsServer,
    status: str,
    charge: int = 100,
    run_time_s: int = 1200,
    more: Mapping[str, str] = MappingProxyType({}),
) -> Sequence[Observation]:
    """What is seen once the server knows a new state; its driver looks once a second."""
    server.script(status, charge, run_time_s, more)
    for _ in range(100):
        seen = await look(bench, server.port)
        if dict(seen[0].facts)["status"] == status:
            return seen
        await asyncio.sleep(0.1)
    pytest.fail(f"the server never said {status}")


async def test_a_power_failure_from_its_begin_to_its_end(bench: ProbeContext, server: UpsServer) -> None:
    """Mains, battery, nearly empty, mains again with a worn battery: as the words of RFC 9271 say."""
    seen = await scripted(bench, server, "OL")
    assert all(each.ok for each in conditions(seen).values())
    assert set(conditions(seen)) == {
        "UPS shed: mains power", "UPS shed: output", "UPS shed: overload", "UPS shed: battery health",
    }  # fmt: skip
    assert levels(seen) == {"discharge": 0.0, "endurance": 0.5}  # ten minutes are needed, twenty are there

    power_lost = conditions(await scripted(bench, server, "OB DISCHRG", 60, 380))["UPS shed: mains power"]
    assert (power_lost.ok, power_lost.grave) == (False, True)
    assert power_lost.reason == "no mains power; by its own estimate it lasts 6m20s"

    seen = await scripted(bench, server, "OB LB DISCHRG", 9, 50)
    assert conditions(seen)["UPS shed: mains power"].reason.startswith("the battery is nearly empty; ")
    assert levels(seen) == {"discharge": 0.91}  # the endurance is that of a full battery, so it is not known now

    seen = await scripted(bench, server, "OL RB", 100, 480)
    assert conditions(seen)["UPS shed: mains power"].ok
    worn = conditions(seen)["UPS shed: battery health"]
    assert (worn.ok, worn.grave, worn.reason) == (False, False, "it asks for a new battery")
    assert levels(seen) == {"discharge": 0.0, "endurance": 1.25}


@pytest.mark.parametrize(
    ("status", "more", "quantity", "reason"),
    [
        ("OL OVER", {}, "overload", "its load is above what it can supply"),
        ("OL BYPASS", {}, "output", "it is bypassed: a power failure reaches what it feeds"),
        ("OL OFF", {}, "output", "its output is off"),
        ("OB FSD", {}, "mains power", "its server has ordered the shutdown of the hosts that it feeds"),
        ("ALARM OL", {"ups.alarm": "Fan failure!"}, "battery health", 'it reports "Fan failure!"'),
        ("OL CHRG", {"ups.test.result": "Test failed"}, "battery health", 'its last test: "Test failed"'),
    ],
)
async def test_other_states(
    bench: ProbeContext, server: UpsServer, status: str, more: dict[str, str], quantity: str, reason: str
) -> None:
    """Each is one condition's fault, and no other's."""
    found = conditions(await scripted(bench, server, status, more=more))
    assert {key: each.reason for key, each in found.items() if not each.ok} == {f"UPS shed: {quantity}": reason}


async def test_data_that_is_no_longer_fresh_is_not_ok(bench: ProbeContext, tmp_path: Path) -> None:
    """A driver that has ended leaves its last words with the server: they are refused after two seconds."""
    with ups_server(tmp_path / "ups") as server:
        assert await look(bench, server.port)
        with pytest.raises(ProbeError, match=r"refuses: it knows no UPS of this name$"):
            await look(bench, server.port, ups="hut")
        server.driver.kill()
        server.driver.wait(20)

        async def refused() -> str:
            try:
                await look(bench, server.port)
            except ProbeError as error:
                return str(error)
            return ""

        for _ in range(100):
            if why := await refused():
                break
            await asyncio.sleep(0.1)
    assert "it has no fresh data of the UPS" in why or "the driver of the UPS does not run" in why


@pytest.mark.parametrize(
    ("said", "why"),
    [
        (b"", "closed the connection without an answer"),
        (b"220 mail.example.org ESMTP\r\n", 'is no UPS server: it says "220 mail.example.org ESMTP"'),
        (b"x" * 5000, 'it says "a line without an end"'),
        (b'BEGIN LIST UPS\nUPS shed "a"\nUPS hut "b"\nEND LIST UPS\n', 'the server has hut, shed; name it with "ups"'),
        (b"BEGIN LIST UPS\nEND LIST UPS\n", "the server has none"),
        (b"BEGIN LIST UPS\n" + b'UPS shed "a"\n' * 1001, "lists more than 1000 values"),
        (b"ERR ACCESS-DENIED\n", "it refuses this host"),
        (b"ERR \x1b[31m\n", "refuses: "),
        (b'BEGIN LIST UPS\nUPS shed "a"\nEND LIST UPS\nBEGIN LIST VAR shed\nEND LIST VAR shed\n', "no known status"),
    ],
)
async def test_what_is_no_ups(bench: ProbeContext, said: bytes, why: str) -> None:
    """Whatever answers: one clear error, and never a state."""
    looked = asyncio.Event()

    async def serve(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(said)
        writer.write_eof()
        await looked.wait()  # closing before that would reset the connection
        writer.close()

    async with await asyncio.start_server(serve, "127.0.0.1", 0) as started:
        with pytest.raises(ProbeError) as caught:
            await look(bench, started.sockets[0].getsockname()[1])
        looked.set()
        await asyncio.sleep(0)
    assert why in str(caught.value)
    assert "\x1b" not in str(caught.value)


async def test_no_server_and_one_that_never_answers(bench: ProbeContext) -> None:
    """Both are said within the time that is given."""
    with pytest.raises(ProbeError, match="cannot be asked: connection refused"):
        await look(bench, 9)
    done = asyncio.Event()

    async def serve(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await done.wait()
        writer.close()

    async with await asyncio.start_server(serve, "127.0.0.1", 0) as started:
        with pytest.raises(ProbeError, match="no answer within 1s"):
            await look(bench, started.sockets[0].getsockname()[1], timeout="1s")
        done.set()
        await asyncio.sleep(0)


@given(st.text(max_size=100).map(lambda said: f'VAR shed ups.status "{said}"') | st.text(max_size=100))
@settings(deadline=None)
def test_any_line_gives_short_texts_or_nothing(line: str) -> None:
    """An entry is what the whole line is, with a value that may be shown."""
    found = ups_protocol.read_entry(line)
    assert found is None or found.value.isprintable()


def test_a_value_with_escaped_quotes() -> None:
    """RFC 9271, section 4.1: a quote and a backslash within a value are escaped with a backslash."""
    found = ups_protocol.read_entry(r'VAR shed ups.alarm "the \"shed\" \\ is hot"')
    assert found is not None
    assert found == ("shed", "ups.alarm", 'the "shed" \\ is hot')


@pytest.mark.parametrize(
    ("key", "value"), [("ups", "a b"), ("ups", ""), ("port", 0), ("host", "a b"), ("must_last", "soon"), ("name", "")]
)
def test_wrong_settings_are_refused(key: str, value: object) -> None:
    """Each with its own error."""
    with pytest.raises(ValidationError):
        UpsSettings.model_validate({"name": "shed", key: value})
