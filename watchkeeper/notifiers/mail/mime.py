"""Format a message as a mail (RFC 5322), the same bytes on every attempt. Pure.

One episode of an alert is one thread: each mail's Message-ID is derived from the message's id, and In-Reply-To and
References name the earlier ones, whether or not this receiver was sent them. Not here: SMTP.
"""

import re
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime

from watchkeeper.messages.wording import clean
from watchkeeper.model.alert import Priority
from watchkeeper.model.message import Message

LONGEST_DOMAIN = 100
"""The longest host name within an id; the rest is cut, so that no line exceeds 998 characters (RFC 5322 2.1.1)."""

MOST_REFERENCES = 30
"""RFC 5322 3.6.4 asks for all of them; mail readers need the first, which started the thread, and the newest."""


def domain(host: str) -> str:
    """The host name as the right side of a Message-ID: letters, digits, hyphens and full stops."""
    plain = re.sub(r"[^a-z0-9.-]+", "-", host.lower())[:LONGEST_DOMAIN]
    return re.sub(r"[.-]*\.[.-]*", ".", plain).strip(".-") or "localhost"


def greeting(host: str) -> str:
    """The name the host gives in EHLO: its full name, or an address if it has none (RFC 5321 4.1.4)."""
    name = domain(host)
    return name if "." in name else "[127.0.0.1]"


def mail_id(message_id: str, host: str) -> str:
    """`<id@host>`, the Message-ID of a message."""
    return f"<{re.sub(r'[^A-Za-z0-9-]', '-', message_id)}@{domain(host)}>"


def as_bytes(message: Message, sender: str, recipients: tuple[str, ...]) -> bytes:
    """The mail as it is sent. sender and recipients are bare addresses; the sender's display name contains the host."""
    mail = EmailMessage(policy=SMTP)
    mail["From"] = Address(f"watchkeeper on {clean(message.host, 60)}", addr_spec=sender)
    mail["To"] = ", ".join(recipients)
    mail["Subject"] = clean(message.headline)
    mail["Date"] = format_datetime(message.at)
    mail["Auto-Submitted"] = "auto-generated"  # RFC 3834 5: no vacation answers, no loops
    if message.priority is Priority.ALARM:
        mail["Importance"] = "high"  # RFC 2156 5.3.4, registered for mail by RFC 4021
    mail.set_content(message.body.encode("utf-8", "replace").decode())
    return _ids(message) + mail.as_bytes()


def _ids(message: Message) -> bytes:
    """The headers of the thread, folded here: the library would break an id that is longer than its line limit."""
    lines = [f"Message-ID: {mail_id(message.id, message.host)}"]
    earlier = [mail_id(each, message.host) for each in message.earlier_ids]
    if earlier:
        references = earlier[:1] + earlier[1:][-(MOST_REFERENCES - 1) :]
        lines += [f"In-Reply-To: {earlier[-1]}", "References: " + "\r\n ".join(references)]
    return "".join(f"{line}\r\n" for line in lines).encode("ascii")
