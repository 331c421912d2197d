"""Secrets come from files and credentials, are tried before anything starts, and never show."""

import os
import secrets
from pathlib import Path

import pytest
from pydantic import SecretStr

from tests.support.document import loaded, problems
from watchkeeper.config.secrets import Secrets
from watchkeeper.config.types import LARGEST_SECRET_BYTES, SecretSource, TokenSource
from watchkeeper.errors import ConfigError
from watchkeeper.settings import read

SECRET = "tide-and-time"
BELL = '[[notifier]]\nkind = "bell"\n'
PLACE = 'notifier[1].rope (the 1st [[notifier]], of kind "bell")'


@pytest.fixture
def rope(tmp_path: Path) -> Path:
    """A file with a secret in it that its owner alone may read."""
    path = tmp_path / "rope"
    path.write_text(f"{SECRET}\r\n")
    path.chmod(0o600)
    return path


def test_a_secret_is_read_without_its_line_end(rope: Path) -> None:
    """Editors end the last line; the secret does not hold that."""
    assert SecretSource(file=rope).read().get_secret_value() == SECRET


def test_a_credential_is_read_from_where_systemd_puts_it(rope: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """systemd.exec(5): $CREDENTIALS_DIRECTORY/ID."""
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(rope.parent))
    assert SecretSource(credential="rope").read().get_secret_value() == SECRET


def test_a_secret_never_shows(tmp_path: Path, rope: Path) -> None:
    """Neither settings nor sources hold the secret, so no repr, text or JSON of them can."""
    found = loaded(tmp_path, f'{BELL}rope = {{ file = "{rope}" }}')
    source = SecretSource(file=rope)
    assert SECRET not in f"{found!r} {found.settings} {found.settings.model_dump_json()} {source!r} {source.read()!r}"
    assert isinstance(source.read(), SecretStr)


@pytest.mark.parametrize(
    ("token", "said"),
    [("tide", "4 characters, 4"), ("tide-and-time-and-sea", "21 characters, 9"), ("ab" * 16, "32 characters, 2")],
)
def test_a_token_that_could_be_guessed_is_refused(tmp_path: Path, token: str, said: str) -> None:
    """By the configuration's own check, with how to make one and without the token."""
    path = tmp_path / "token"
    path.write_text(f"{token}\n")
    path.chmod(0o600)
    config = tmp_path / "config.toml"
    config.write_text(
        f'[[probe]]\nkind = "job"\nname = "nightly-backup"\nwithin = "26h"\ntoken = {{ file = "{path}" }}\n'
    )
    with pytest.raises(ConfigError) as reported:
        read(config)
    (problem,) = reported.value.problems
    assert str(problem) == (
        f'probe[1].token (the 1st [[probe]], "nightly-backup"): the secret in {path} can be guessed ({said} of them '
        "different); a token has at least 22 characters, 8 of them different; write a token there that is made with: "
        "openssl rand -base64 32"
    )


def test_a_token_of_enough_characters_is_taken(tmp_path: Path) -> None:
    """As base64 and as hexadecimal digits."""
    path = tmp_path / "token"
    for length, made in ((22, secrets.token_urlsafe(16)), (64, secrets.token_hex(32))):
        path.write_text(f"{made}\n")
        assert len(TokenSource(file=path).read().get_secret_value()) == length


def test_a_secret_that_only_its_owner_reads_is_no_warning(tmp_path: Path, rope: Path) -> None:
    """The usual case is quiet."""
    assert loaded(tmp_path, f'{BELL}rope = {{ file = "{rope}" }}').warnings == ()


def test_a_secret_that_everybody_can_read_is_a_warning(tmp_path: Path, rope: Path) -> None:
    """It works, so it is not an error. The warning has the remedy."""
    rope.chmod(0o644)
    assert loaded(tmp_path, f'{BELL}rope = {{ file = "{rope}" }}').warnings == (
        f"notifier[1].rope: every user of this host can read {rope}; run: chmod 600 {rope}",
    )


def test_a_pipe_that_everybody_can_read_is_no_warning(tmp_path: Path) -> None:
    """A secret may come from a shell's process substitution."""
    reading, writing = os.pipe()
    os.write(writing, SECRET.encode())
    os.close(writing)
    found = loaded(tmp_path, f'{BELL}rope = {{ file = "/dev/fd/{reading}" }}')
    os.close(reading)
    assert found.warnings == ()


def test_a_secret_that_is_gone_right_after_it_was_read_is_no_warning(
    tmp_path: Path, rope: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whether everybody could read it is asked after; by then the file may have been replaced."""
    read = SecretSource.read

    def read_and_remove(source: SecretSource) -> SecretStr:
        found = read(source)
        rope.unlink()
        return found

    monkeypatch.setattr(SecretSource, "read", read_and_remove)
    assert loaded(tmp_path, f'{BELL}rope = {{ file = "{rope}" }}').warnings == ()


def test_a_missing_secret_is_reported_with_the_remedy(tmp_path: Path) -> None:
    """Nothing starts with a secret that cannot be read."""
    assert problems(tmp_path, f'{BELL}rope = {{ file = "{tmp_path}/none" }}') == [
        (
            f"{PLACE}: the secret in {tmp_path}/none cannot be read: No such file or directory; "
            f"write the secret there and protect it: chmod 600 {tmp_path}/none"
        )
    ]


def test_an_unreadable_secret_is_reported_with_the_remedy(
    tmp_path: Path, rope: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The remedy is about who runs watchkeeper, not about opening the file to all."""

    def refuse(_source: SecretSource) -> SecretStr:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(SecretSource, "read", refuse)
    assert problems(tmp_path, f'{BELL}rope = {{ file = "{rope}" }}') == [
        (
            f"{PLACE}: the secret in {rope} cannot be read: Permission denied; "
            "let only the user that runs watchkeeper read it"
        )
    ]


@pytest.mark.parametrize(
    ("content", "reported"),
    [
        (b"", "is empty"),
        (b"\n", "is empty"),
        (b"\xff\xfe", "is not UTF-8 text"),
        (b"x" * (LARGEST_SECRET_BYTES + 1), "holds more than 64 KiB, which is too long for a secret"),
    ],
)
def test_an_invalid_secret_is_reported_without_its_content(
    tmp_path: Path, rope: Path, content: bytes, reported: str
) -> None:
    """A wrong file is found before a mail server refuses what is in it."""
    rope.write_bytes(content)
    assert problems(tmp_path, f'{BELL}rope = {{ file = "{rope}" }}') == [
        f"{PLACE}: the secret in {rope} {reported}; write the secret there, on one line"
    ]


def test_a_device_without_an_end_is_not_read_to_its_end(tmp_path: Path) -> None:
    """/dev/zero as a secret is refused at once."""
    assert "holds more than 64 KiB" in problems(tmp_path, f'{BELL}rope = {{ file = "/dev/zero" }}')[0]


def test_a_credential_without_systemd_says_where_it_comes_from(tmp_path: Path) -> None:
    """The daemon that was started by hand cannot have a credential."""
    assert problems(tmp_path, f'{BELL}rope = {{ credential = "rope" }}') == [
        (
            f'{PLACE}: the credential "rope" comes from systemd, and $CREDENTIALS_DIRECTORY is not set here; '
            "add LoadCredential=rope:/path/of/the/secret to the unit, or name a file"
        )
    ]


def test_a_credential_that_systemd_was_not_asked_for_names_the_unit(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Under systemd the remedy is a line of the unit."""
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path))
    assert problems(tmp_path, f'{BELL}rope = {{ credential = "rope" }}') == [
        (
            f'{PLACE}: the credential "rope" cannot be read: No such file or directory; '
            "see LoadCredential=rope: in the unit"
        )
    ]


def test_a_check_from_a_terminal_only_warns_of_credentials(tmp_path: Path) -> None:
    """check-config is run by hand, where systemd gives none; the configuration may be sound all the same."""
    found = loaded(tmp_path, f'{BELL}rope = {{ credential = "rope" }}', Secrets.LOOKED_AT)
    assert found.warnings == (
        'notifier[1].rope: the credential "rope" comes from systemd and could not be checked here',
    )


def test_a_command_that_needs_no_secret_reads_none(tmp_path: Path) -> None:
    """`status` works for somebody who may not read the secrets."""
    assert loaded(tmp_path, f'{BELL}rope = {{ file = "/nonexistent" }}', Secrets.LEFT_ALONE).warnings == ()


def test_secrets_are_found_wherever_they_stand(tmp_path: Path) -> None:
    """A secret in a table of headers is tried as well, and named by its header."""
    text = """
[[probe]]
kind = "hide"
url = "http://127.0.0.1/"
headers = { Accept = "text/html", Authorization = { file = "/nonexistent/token" } }
token = { file = "/nonexistent/token" }
"""
    assert [each.partition(" (")[0] for each in problems(tmp_path, text)] == [
        "probe[1].headers.Authorization",
        "probe[1].token",
    ]


@pytest.mark.parametrize("name", ["a/b", "..", ".hidden", "", "a b", "a\0b"])
def test_the_name_of_a_credential_is_no_path(tmp_path: Path, name: str) -> None:
    """A credential cannot name a file elsewhere."""
    quoted = name.replace("\0", "\\u0000")
    assert problems(tmp_path, f'{BELL}rope = {{ credential = "{quoted}" }}') == [
        (
            'notifier[1].rope.credential (the 1st [[notifier]], of kind "bell"): '
            "a credential's name consists of letters, digits, dots, dashes and underscores"
        )
    ]


def test_a_secret_has_one_source(tmp_path: Path) -> None:
    """None, or two, is an error that shows both forms."""
    wanted = f'{PLACE}: name one source: {{ file = "/path/of/the/secret" }} or {{ credential = "name" }}'
    assert problems(tmp_path, f"{BELL}rope = {{}}") == [wanted]
    assert problems(tmp_path, f'{BELL}rope = {{ file = "/x", credential = "rope" }}') == [wanted]
