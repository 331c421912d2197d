"""What deploy/ puts on a machine: every file is there, goes where its unit looks, and every script is one."""

import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from tests.support.needs import need
from watchkeeper import settings
from watchkeeper.config.secrets import Secrets

ROOT = Path(__file__).parents[2]
DEPLOY = ROOT / "deploy"
SCRIPTS = (
    "check", "environment", "files", "install", "package", "prepare", "remove", "start",
    "debian/postinst", "debian/prerm", "debian/postrm",
)  # fmt: skip


def placed(who: str) -> list[tuple[str, str, str]]:
    """From, to and mode of every file, as deploy/files itself says."""
    script = f". deploy/files; places {who}; placed"
    said = subprocess.run(
        ["sh", "-euc", script], cwd=ROOT, capture_output=True, text=True, check=True, timeout=60
    ).stdout
    return [(line.split()[0], line.split()[1], line.split()[2]) for line in said.splitlines()]


@pytest.mark.parametrize("script", SCRIPTS)
def test_every_script_is_one(script: str) -> None:
    """A POSIX shell reads it, and what is meant to be run can be."""
    subprocess.run(["sh", "-n", str(DEPLOY / script)], check=True, timeout=60)
    sourced = script in ("environment", "files")
    assert sourced or (DEPLOY / script).stat().st_mode & 0o111


@pytest.mark.parametrize("who", ["admin", "package"])
def test_every_file_has_a_place(who: str) -> None:
    """Nothing that systemd needs is forgotten, nothing is placed twice, and no word is left unreplaced."""
    files = placed(who)
    for source, target, mode in files:
        assert (ROOT / source).is_file(), source
        assert target.startswith("/"), target
        assert "@" not in target.replace("@.service", ".service")
        assert mode == "644"
    assert len({target for _, target, _ in files}) == len(files)
    kept = {str(path.relative_to(ROOT)) for path in (DEPLOY / "systemd").rglob("*") if path.is_file()}
    assert kept == {source for source, _, _ in files if source.startswith("deploy/systemd/")}


def test_a_checkout_that_lies_where_things_are_put(tmp_path: Path) -> None:
    """The first version was a clone in /opt/watchkeeper itself: what goes there and is there already is no error."""
    checkout = tmp_path / "opt" / "watchkeeper"
    shutil.copytree(DEPLOY, checkout / "deploy")
    for name in ("README.md", "config.example.toml"):
        shutil.copy(ROOT / name, checkout)
    script = '. deploy/files; places admin; put "$1"'
    subprocess.run(["sh", "-euc", script, "sh", tmp_path], cwd=checkout, check=True, timeout=60)
    assert (checkout / "README.md").read_text() == (ROOT / "README.md").read_text()
    assert all((tmp_path / target[1:]).is_file() for _, target, _ in placed("admin"))


def test_the_first_configuration_sets_nothing() -> None:
    """What an install writes where there is no configuration: it can be read, and means the defaults."""
    first = settings.read(DEPLOY / "first.toml", secrets=Secrets.LEFT_ALONE).settings
    # The model that read it knows fewer kinds than the model of every kind.
    assert first.model_dump() == settings.known_model()().model_dump()


def test_units_name_what_the_install_makes() -> None:
    """The environment's place is the same in the units and in the scripts."""
    home = subprocess.run(
        ["sh", "-euc", ". deploy/files; places admin; echo $HOME_IN"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    ).stdout.strip()
    units = [path for path in (DEPLOY / "systemd").iterdir() if path.suffix == ".service"]
    for unit in units:
        (program,) = re.findall(r"^ExecStart=(\S+)", unit.read_text(), re.MULTILINE)
        assert program.startswith(f"{home}/.venv/bin/")


def test_users_and_folders_are_what_systemd_reads() -> None:
    """systemd-tmpfiles(8) and systemd-sysusers(8) accept the lines; nothing is made on this machine."""
    need(shutil.which("systemd-tmpfiles"), "systemd-tmpfiles is not installed")
    lines = (DEPLOY / "systemd/watchkeeper.tmpfiles").read_text().splitlines()
    folders = [line.split() for line in lines if line and not line.startswith("#")]
    assert [(each[1], each[2]) for each in folders] == [
        ("/etc/watchkeeper", "0755"),
        ("/etc/watchkeeper/secrets", "0700"),
    ]


@pytest.mark.parametrize(
    ("script", "words", "said"),
    [
        ("install", ["--colour"], "--colour is not an option of deploy/install"),
        ("install", ["--packages"], "--packages needs an existing folder of wheels"),
        ("install", ["--packages", "/nowhere"], "--packages needs an existing folder of wheels"),
        ("remove", ["--all"], "--all is not an option of deploy/remove; its option is --everything"),
        ("package", [], "no folder was given for the package; run: deploy/package dist"),
        ("package", ["--fast"], "--fast is not an option of deploy/package"),
    ],
)
def test_wrong_words(script: str, words: list[str], said: str) -> None:
    """Each is told with what may stand there, before anything is done; exit code 64 (EX_USAGE)."""
    done = subprocess.run([DEPLOY / script, *words], capture_output=True, text=True, check=False, timeout=60)
    assert done.returncode == 64
    assert said in done.stderr


@pytest.mark.parametrize("script", ["install", "remove"])
def test_without_systemd_nothing_is_done(script: str) -> None:
    """On a machine that does not run systemd, or without root, the reason is told and nothing is touched."""
    if Path("/run/systemd/system").is_dir():
        pytest.skip("this machine runs systemd: the script would do its work")
    done = subprocess.run([DEPLOY / script], capture_output=True, text=True, check=False, timeout=60)
    assert done.returncode == (69 if os.geteuid() == 0 else 77)
    assert "needs root" in done.stderr or "does not run systemd" in done.stderr
    assert not Path("/opt/watchkeeper").exists()


def test_the_package_asks_for_what_it_runs_on() -> None:
    """The control file has every field that Debian Policy 5.3 wants of a binary package, and its words are replaced."""
    control = (DEPLOY / "debian/control").read_text()
    for field in ("Package", "Version", "Architecture", "Maintainer", "Description"):
        assert re.search(rf"^{field}: \S", control, re.MULTILINE), field
    script = (DEPLOY / "package").read_text()
    for word in set(re.findall(r"@[A-Z]+@", control)):
        assert f"s|{word}|" in script, word


def test_root_touches_nothing_in_the_daemons_folder_by_its_own_hand() -> None:
    """Scripts leave the database to the command, which takes its owner's rights; they may look, and remove it all."""
    for script in ("install", "remove", "debian/postinst", "debian/prerm", "debian/postrm"):
        lines = [line.strip() for line in (DEPLOY / script).read_text().splitlines()]
        text = "\n".join(line for line in lines if not line.startswith("#"))
        assert not re.search(r"\b(sqlite3|chown|chmod|runuser)\b", text), script
        for line in re.findall(r".*(?:\$database|/var/lib/(?:private/)?watchkeeper).*", text):
            looks = re.search(r"-f \"\$database\"|^database=|\bfor place in\b|^echo ", line)
            assert looks or "rm -rf " in line or 'WATCHKEEPER_STORE__PATH=$database "$new" ' in line, line
