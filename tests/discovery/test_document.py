"""The whole document loads, whatever was found, and says what could not be examined."""

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.discovery.conftest import NOW, document, loaded, uncommented, usable
from watchkeeper.discovery.document import Survey, render
from watchkeeper.discovery.host import HELPER
from watchkeeper.discovery.proposal import Found, Key, Proposal, Unseen, things

ANY = st.text(st.characters(), max_size=30)


@given(name=ANY, of=st.lists(ANY, min_size=1, max_size=4), about=ANY, offered=st.booleans())
def test_any_name_gives_a_document_that_loads(name: str, of: list[str], about: str, *, offered: bool) -> None:
    """What cannot be written or would be refused becomes a comment. The rest of the document is valid."""
    odd = Proposal(
        "zfs-snapshots", (Key("name", name), Key("datasets", tuple(of), about), Key("max_age", "2h")), (about,), offered
    )
    settings = usable(document(odd, Proposal("memory"), found=None))
    assert "memory" in [each.kind for each in settings.probe]


@given(names=st.lists(st.sampled_from(["hourly", "", "hourly 2", "x" * 120]), min_size=1, max_size=8))
def test_names_are_made_unique(names: list[str]) -> None:
    """The configuration takes each name once, so the second of a name gets a number."""
    proposals = [Proposal("http", (Key("name", name or "a"), Key("url", "http://127.0.0.1/"))) for name in names]
    probes = usable(document(*proposals)).probe
    assert len({each.name for each in probes}) == len(names)


def test_a_kind_that_comes_twice_without_a_name() -> None:
    """The first is called by its kind, the second gets a name."""
    assert [each.label for each in usable(document(Proposal("memory"), Proposal("memory"))).probe] == [
        "memory",
        "memory 2",
    ]


def test_a_proposal_that_would_be_refused_is_a_comment() -> None:
    """Its keys can be read there, and why it cannot be used."""
    text = document(Proposal("guests", (Key("sockets", ("not a whole path",)),), ("Guests.",)))
    assert loaded(text).probe == ()
    joined = " ".join(text.replace("\n# ", " ").split())
    assert "would not be accepted, so it is only a comment: probe[1].sockets[1]: " in joined
    assert "# sockets: not a whole path" in text


def test_an_offered_key_that_would_be_refused_counts_too() -> None:
    """Taking the # away must not break the document."""
    text = document(Proposal("memory", (Key("every", "soon", offered=True),)))
    assert loaded(text).probe == ()


def test_what_the_environment_gets_wrong_is_not_the_proposals_fault(monkeypatch: pytest.MonkeyPatch) -> None:
    """A survey can be made while the configuration in use has a fault."""
    monkeypatch.setenv("WATCHKEEPER_PAGE__PORT", "no number")
    assert tomllib.loads(document(Proposal("memory")))["probe"] == [{"kind": "memory"}]


def test_what_could_not_be_looked_at_stands_at_the_end() -> None:
    """Each with its reason. A remedy for several is given once."""
    found = Found(
        unseen=(
            Unseen("LVM", "this needs root.", HELPER), Unseen("disks", "this needs root", HELPER),
            Unseen("units", "no bus")
        ),
        absent=("ZFS", "btrfs"),
    )  # fmt: skip
    text = document(found=found)
    assert text.count("Start the helper") == 1
    assert "# - disks: this needs root. See the remedy above." in text
    assert "# - units: no bus.\n" in text
    assert text.endswith("# Searched for and not found: ZFS, btrfs.\n")
    usable(text)


def test_the_hosts_name_may_be_anything() -> None:
    """A host without a name that can be shown gets one."""
    for name in ("", "x" * 300, 'a"\n\udcff'):
        usable(render(Survey(name, NOW, [])))


def test_offers_are_distinct_from_prose() -> None:
    """Prose has one space behind its #; what is offered has none, or the four of a list."""
    long = Proposal("zfs", (Key("pools", tuple(f"pool-{n}-{'x' * 20}" for n in range(9)), "Why.", offered=True),))
    text = document(long)
    assert '\n#pools = [\n#    "pool-0' in text
    assert len(tomllib.loads(uncommented(text))["probe"][0]["pools"]) == 9


def test_found_adds_up() -> None:
    """What several finders bring is one."""
    one = Found((Proposal("zfs"),), there=frozenset(things("pool", ["a"])), looked=frozenset({"pool"}))
    both = sum([one, Found((Proposal("lvm"),), absent=("x",))], Found())
    assert [each.kind for each in both.proposals] == ["zfs", "lvm"]
    assert both.absent == ("x",)
    assert both.looked == {"pool"}
