"""Messages as mails, read back with the standard library's parser."""

from dataclasses import replace
from email.message import EmailMessage
from email.parser import BytesParser
from email.policy import default
from email.utils import parsedate_to_datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.support.messages import NOW, messages
from watchkeeper.model.message import Message, message_id
from watchkeeper.notifiers.mail.mime import MOST_REFERENCES, as_bytes, domain, greeting, mail_id

KEEPER = "keeper@example.org"


def words(mail: EmailMessage) -> str:
    """The text of a mail, with the program's line ends instead of those of the wire."""
    return str(mail.get_content()).replace("\r\n", "\n")


def read_back(message: Message) -> EmailMessage:
    """The mail as a reader parses it from the wire."""
    return BytesParser(policy=default).parsebytes(as_bytes(message, "gannet@example.org", (KEEPER,)))


def test_one_episode_is_one_thread() -> None:
    """RFC 5322 3.6.4: each mail has its own id, is a reply to the one before it, and refers to all earlier ones."""
    mails = [read_back(each) for each in messages()]
    ids = [each["Message-ID"] for each in mails]
    assert len(set(ids)) == 4
    assert [each["In-Reply-To"] for each in mails] == [None, *ids[:3]]
    assert [each["References"] for each in mails] == [None, ids[0], " ".join(ids[:2]), " ".join(ids[:3])]


def test_headers() -> None:
    """From, to, subject and date; RFC 3834 marks it as sent by a program, so that no vacation reply is sent."""
    mail = read_back(messages()[0])
    assert mail["Subject"] == "pool skerry full in about 3 days (Fri 27 Nov)"
    assert mail["From"] == "watchkeeper on gannet <gannet@example.org>"
    assert mail["To"] == KEEPER
    assert mail["Auto-Submitted"] == "auto-generated"
    assert parsedate_to_datetime(mail["Date"]) == NOW
    assert mail.get_content_type() == "text/plain"
    assert words(mail) == messages()[0].body


def test_only_an_alarm_is_marked() -> None:
    """Importance (RFC 2156, RFC 4021) is set on alarms, which need immediate action, and on nothing else."""
    assert [read_back(each)["Importance"] for each in messages()] == [None, "high", None, None]


def test_the_same_bytes_on_every_try() -> None:
    """A mail that is sent again is identical, so that no id is seen with two contents."""
    once, again = (as_bytes(messages()[2], KEEPER, (KEEPER,)) for _ in range(2))
    assert once == again


def test_words_beyond_ascii() -> None:
    """A subject and a body in other scripts arrive unchanged, in headers that are ASCII on the wire."""
    message = replace(messages()[0], headline="Möwe » 海鳥 " * 8, body="Die Klippe ist voll: 海鳥\n", host="tölpel")
    raw = as_bytes(message, KEEPER, (KEEPER,))
    assert raw.partition(b"\r\n\r\n")[0].isascii()
    mail = read_back(message)
    assert mail["Subject"] == message.headline.strip()
    assert words(mail) == message.body
    assert mail["From"].addresses[0].display_name == "watchkeeper on tölpel"


text = st.text(st.characters(exclude_categories=()), max_size=200)


@given(text, text, text, text)
def test_no_header_can_be_injected(headline: str, body: str, host: str, thread: str) -> None:
    """Whatever a message contains, the mail has the headers of every mail, no more, and short lines."""
    message = replace(messages()[1], headline=headline, body=body, host=host, thread=thread, id=message_id(thread, 2))
    raw = as_bytes(message, KEEPER, (KEEPER,))
    mail = BytesParser(policy=default).parsebytes(raw)
    plain = BytesParser(policy=default).parsebytes(as_bytes(messages()[1], KEEPER, (KEEPER,)))
    own = {"Content-Type", "Content-Transfer-Encoding", "MIME-Version"}
    assert set(mail.keys()) - own == set(plain.keys()) - own
    assert not mail.defects
    assert max(map(len, raw.split(b"\r\n"))) <= 998  # RFC 5322 2.1.1


@given(st.integers(2, 400), st.from_regex(r"[a-z0-9-]{1,63}(\.[a-z0-9-]{1,63}){0,4}", fullmatch=True))
def test_long_threads_and_names_keep_their_ids_whole(number: int, host: str) -> None:
    """However long the thread and the host's name, each id is complete on one line, and the first one is kept."""
    thread = messages()[0].thread
    message = replace(messages()[1], host=host, number=number, id=message_id(thread, number))
    raw = as_bytes(message, KEEPER, (KEEPER,))
    mail = BytesParser(policy=default).parsebytes(raw)
    references = str(mail["References"]).split()
    assert str(mail["Message-ID"]) == mail_id(message.id, host)
    assert str(mail["In-Reply-To"]) == references[-1] == mail_id(message.earlier_ids[-1], host)
    assert references[0] == mail_id(message.earlier_ids[0], host)
    assert len(references) == min(number - 1, MOST_REFERENCES)
    assert b"=?" not in raw.partition(b"From:")[0]


@pytest.mark.parametrize(
    ("host", "name", "hello"),
    [
        ("gannet", "gannet", "[127.0.0.1]"),
        ("Gannet.Example.ORG", "gannet.example.org", "gannet.example.org"),
        ("a" * 99 + ".example.org", "a" * 99, "[127.0.0.1]"),
        ("..x..y..", "x.y", "x.y"),
        ("-a-.-b-", "a.b", "a.b"),
        ("tölpel insel", "t-lpel-insel", "[127.0.0.1]"),
        ("", "localhost", "[127.0.0.1]"),
        ("\r\n", "localhost", "[127.0.0.1]"),
    ],
)
def test_host_names(host: str, name: str, hello: str) -> None:
    """A host's name is adapted for ids; if it is not a full name, an address is the greeting (RFC 5321 4.1.4)."""
    assert domain(host) == name
    assert greeting(host) == hello
