"""Custom bodies: what a template may do, and how errors in one are reported."""

import json
from dataclasses import replace
from pathlib import Path

import pytest
from jinja2 import Environment
from pydantic import ValidationError

from tests.notifiers.webhook.test_webhook import answering, hook, receiver
from tests.support.messages import messages
from watchkeeper import settings
from watchkeeper.errors import ConfigError, DeliveryDeferred
from watchkeeper.model.alert import Concern, NotificationKind, State
from watchkeeper.notifiers import cloudevent
from watchkeeper.notifiers.sample_messages import sample_messages
from watchkeeper.notifiers.webhook.template import KNOWN, LONGEST_BYTES, Body, TemplateWrong

PUSH = '{"title": {{ headline | tojson }}, "urgent": {{ (priority == "alarm") | tojson }}}'


def wrong(text: str, *, is_json: bool = False) -> str:
    """The error in a template."""
    with pytest.raises(TemplateWrong) as raised:
        Body(text, is_json=is_json)
    return str(raised.value)


def test_the_fields_are_those_of_the_event() -> None:
    """Every name in a webhook's data can be used, and gives the same value."""
    text = "{" + ", ".join(f'"{name}": {{{{ {name} | tojson }}}}' for name in KNOWN) + "}"
    for message in messages():
        assert json.loads(Body(text, is_json=True).render(message)) == cloudevent.data(message)


def test_it_is_tried_with_every_kind_of_message() -> None:
    """There is a sample message for every notification of every concern, and exactly one test message."""
    kinds = {(message.kind, message.concern) for _, message in sample_messages()}
    assert kinds == {(telling, concern) for telling in NotificationKind for concern in Concern}
    assert sum(message.test for _, message in sample_messages()) == 1


def test_only_what_has_ended_is_no_alert_any_more() -> None:
    """A template is tried with what is sent: an ended alert is over and has no priority, all others are active."""
    for _, message in sample_messages():
        ended = message.kind is NotificationKind.ENDED
        assert (message.state, message.priority is None) == ((State.RECTIFIED if ended else State.ACTIVE), ended)
        assert (message.since is None, message.likely_at is None) == (ended, ended)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("one\n{{ headlin }}", "line 2: unknown name headlin; known names: at, before, body, concern"),
        ("one\ntwo {{ headline", "line 2: unexpected end of template"),
        ("{% for each in body %}", "line 1: Unexpected end of template"),
        ("{{ headline | shout }}", "line 1: No filter named 'shout'"),
        ("\n\n{{ priority | int + 'x' }}", "line 3: TypeError"),
        ("\n{{ since + 'x' }}", "line 2: TypeError"),
        ("{{ headline.upper() }}", "line 1: access to attribute 'upper'"),
        ("{{ headline.__class__ }}", "line 1: access to attribute '__class__'"),
        ("{{ headline.nothing }}", "line 1: 'str object' has no attribute 'nothing'"),
        ("{{ range(9) }}", "line 1: unknown name range"),
        ("{{ 'x' * 999 }}", 'line 1: "*" is allowed only for small numbers'),
        ("{{ 2 ** 9 }}", 'line 1: "**" is allowed only for small numbers'),
        ("{{ '%99d' % 1 }}", 'line 1: "%" is allowed only for small numbers'),
        ("{{ headline | center(10) }}", "line 1: No filter named 'center'"),
        ("{% include 'x' %}", "line 1: TypeError: no loader for this environment specified"),
        ("x" * (LONGEST_BYTES + 1), "is longer than 64 KiB"),
        ("{% for a in body %}{% for b in body %}{% for c in body %}{{ body }}{% endfor %}{% endfor %}{% endfor %}",
         "produces a body of more than 256 KiB"),
        ("{{" + "(" * 5_000 + "1" + ")" * 5_000 + "}}", "is nested too deeply"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_told(text: str, said: str) -> None:
    """The line, the error there, and what is known."""
    assert said in wrong(text)


LOOP, END = "{% for a in body %}", "{% endfor %}"
DOUBLE = "{% set a = body %}" + "{% set a = a ~ a %}" * 40 + "{{ a }}"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (LOOP * 5 + END * 5, "takes more than 20,000 steps"),
        ("{% for a in body %}{% for b in body if false %}{% endfor %}{% endfor %}" * 9, "takes more than 20,000 steps"),
        ("{{ body|list|join(body)|list|join(body)|list|join(body) }}", "more than 256 KiB"),
        ("{{ body|replace('', body)|replace('', body) }}", "more than 256 KiB"),
        (DOUBLE, "more than 256 KiB"),
        (DOUBLE.replace("~", "+"), "more than 256 KiB"),
        ("{% set a = body %}" + "{% set a %}{{ a }}{{ a }}{% endset %}" * 40 + "{{ a }}", "more than 256 KiB"),
        ("{% macro m(n) %}{% if n %}{{ m(n-1) }}{{ m(n-1) }}{% endif %}{% endmacro %}{{ m(30) }}", "20,000 steps"),
        ("{% for a in body recursive %}{{ loop(body) }}{% endfor %}", "recursion"),
        ("{{ ['a', 'b']|random }}", "No filter named"),
    ],
)
def test_what_would_run_for_long_is_refused(text: str, said: str) -> None:
    """Loops without a body, joins, and texts that double: by steps and by length, before anything is sent."""
    with pytest.raises(TemplateWrong, match=said):
        Body(text, is_json=False)


def test_what_a_long_message_needs_is_allowed() -> None:
    """A loop over its lines, filters in it, a macro for each, and texts that are put together."""
    text = (
        "{% macro part(line) %}<p>{{ line|escape ~ '' }}</p>{% endmacro %}"
        "{% for line in (body + ' ')|list if line != 'x' %}{{ part(line) }}{% endfor %}{{ [headline]|join(', ') }}"
    )
    assert b"<p>" in Body(text, is_json=False).render(messages()[0])


@pytest.mark.parametrize(
    "text",
    [
        "{{ ['a', 'b']|join }}",
        "{{ ['a', 'b']|join(', ') }}",
        "{{ ['a', 'b']|join(d='-') }}",
        "{{ 'a man'|replace('a', 'the') }}",
        "{{ 'a man'|replace('a', new='the') }}",
        "{{ 'a man'|replace(old='a', new='the') }}",
        "{{ 'a man'|replace('a', 'the', 1) }}",
        "{{ 'a' ~ 1 ~ ['b'] }}",
    ],
)
def test_what_is_bounded_makes_what_jinja_makes(text: str) -> None:
    """Arguments by place and by name; the reference is an environment without bounds."""
    assert Body(text, is_json=False).render(messages()[0]).decode() == Environment().from_string(text).render()


@pytest.mark.parametrize("text", ["{{ body|list|join(d=body) }}", "{{ body|replace(old='', new=body) }}"])
def test_arguments_by_name_are_bounded_too(text: str) -> None:
    """The length is known before a text is made."""
    long = "{% set body = body %}" + "{% set body = body ~ body %}" * 5
    with pytest.raises(TemplateWrong, match="more than 256 KiB"):
        Body(long + text, is_json=False)


def test_a_name_that_is_set_in_the_template_is_known() -> None:
    """Its own variables, loops and their counters, and simple arithmetic may be used."""
    text = "{% set short = headline | truncate(9) %}{{ short }}{% for p in [1, 2] %}{{ loop.index * p }}{% endfor %}"
    assert Body(text, is_json=False).render(messages()[0]).endswith(b"14")


def test_quotes_that_are_not_escaped_are_told() -> None:
    """A template that builds JSON by hand fails on the first name with a quote in it: that is detected beforehand."""
    said = wrong('{"title": "{{ headline }}"}', is_json=True)
    assert 'does not produce JSON for a message of kind "raised" and concern "full"' in said
    assert "{{ headline | tojson }}, without quotes around it" in said
    Body('{"title": "{{ headline }}"}', is_json=False)


async def test_a_webhook_sends_it() -> None:
    """The body and its type are the operator's, the id and the signature's headers stay."""
    async with receiver(answering(204)) as kept:
        await hook(kept.url, template=PUSH).deliver(messages()[1])
        await hook(kept.url, template="{{ headline }}", content_type="text/plain; charset=utf-8").deliver(messages()[1])
    (headers, body), (plain_headers, plain) = kept.requests
    assert json.loads(body) == {"title": messages()[1].headline, "urgent": True}
    assert headers["content-type"] == "application/json"
    assert headers["webhook-id"] == messages()[1].id
    assert (plain.decode(), plain_headers["content-type"]) == (messages()[1].headline, "text/plain; charset=utf-8")


async def test_one_that_fails_after_all_is_put_off() -> None:
    """A message longer than every sample is not lost: the operator can fix the template."""
    text = "{% for a in body %}{{ body }}{% endfor %}"
    long = replace(messages()[0], body="x" * 2_000)
    async with receiver(answering(204)) as kept:
        with pytest.raises(DeliveryDeferred, match="template: produces a body of more than 256 KiB"):
            await hook(kept.url, template=text, content_type="text/plain").deliver(long)
    assert kept.requests == []


def test_check_config_tells_it(tmp_path: Path) -> None:
    """The problem names the notifier's key, the line and what is known."""
    path = tmp_path / "config.toml"
    path.write_text("[[notifier]]\nkind = 'webhook'\nurl = 'http://127.0.0.1/'\ntemplate = '{{ heading }}'\n")
    with pytest.raises(ConfigError) as raised:
        settings.read(path)
    (problem,) = raised.value.problems
    assert "notifier[1].template" in problem.place
    assert "line 1: unknown name heading; known names: at, before, body" in problem.what


@pytest.mark.parametrize("text", ["json", "text/", "a/b\r\nX: y", "text/plain; x"])
def test_a_content_type_is_a_media_type(text: str) -> None:
    """RFC 9110 8.3.1; a line break in it would be another header."""
    with pytest.raises(ValidationError, match="is not a media type"):
        hook("http://127.0.0.1/", content_type=text)


def test_json_goes_by_its_media_type() -> None:
    """RFC 6839 3.1: +json is JSON too."""
    with pytest.raises(ValidationError, match="does not produce JSON"):
        hook("http://127.0.0.1/", content_type="application/note+json", template="{{ headline }}")
