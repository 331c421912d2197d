"""The manual's recipes as they are written there: a proxy with TLS before the page, moving to a new machine."""

import http.client
import json
import re
import shutil
import socket
import ssl
import subprocess
import sys
import tarfile
import urllib.request
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
import trustme
from playwright.sync_api import sync_playwright

from tests.endtoend.test_acting import PASSWORD, make_password
from tests.support.daemon import Daemon, base
from tests.support.needs import need
from tests.support.receivers import Service, free_port
from tests.support.waiting import until
from tests.web.conftest import ARGUMENTS, CHROMIUM

MANUAL = Path(__file__).parents[2] / "watchkeeper" / "manual" / "web-interface.md"
NAME, TOKEN = "watch.example.org", "kx0Uq3dTtJbqW1mZ7yE5nRcV2sLhGfAo"


def blocks(language: str) -> list[str]:
    """The manual's blocks of a language."""
    return re.findall(rf"^```{language}\n(.*?)^```$", MANUAL.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL)


def recipe(config: Path, folder: Path) -> str:
    """The manual's [page] behind a proxy, with the files of this test, a free port and a program's token."""
    (page,) = (each for each in blocks("toml") if "proxies = " in each)
    page = page.replace('prefix = "/watch"', "#").replace("/etc/watchkeeper", str(folder))
    token = f'[[page.token]]\nname = "nightly-export"\nrights = ["read"]\nsecret = {{ file = "{folder}/token" }}\n'
    text = base(str(folder)).replace("[page]\nport = 0\n", page + "port = 0\n" + token)
    config.write_text(text)
    return text


def nginx(folder: Path, port: int, page: str) -> list[str]:
    """The manual's server, in a process of its own without root's places."""
    (server,) = blocks("nginx")
    server = server.replace("listen 443 ssl", f"listen 127.0.0.1:{port} ssl").replace("/etc/nginx", str(folder))
    places = "".join(
        f"{each}_temp_path {folder}/{each};" for each in ("client_body", "proxy", "fastcgi", "uwsgi", "scgi")
    )
    (folder / "nginx.conf").write_text(
        f"daemon off; pid {folder}/nginx.pid; error_log {folder}/error.log;"
        f"events {{}} http {{ access_log off; {places}\n{server.replace('127.0.0.1:8417', page)} }}"
    )
    return ["nginx", "-e", f"{folder}/error.log", "-c", f"{folder}/nginx.conf"]


def caddy(folder: Path, port: int, page: str) -> list[str]:
    """The manual's site, on a port that needs no root."""
    (site,) = re.findall(rf"^```\n({NAME} {{\n.*?)^```$", MANUAL.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL)
    site = site.replace(f"{NAME} {{", f"{NAME}:{port} {{").replace("/etc/caddy", str(folder))
    (folder / "Caddyfile").write_text(
        "{\n admin off\n auto_https disable_redirects\n}\n" + site.replace("127.0.0.1:8417", page)
    )
    return ["caddy", "run", "--adapter", "caddyfile", "--config", f"{folder}/Caddyfile"]


@pytest.mark.browser
@pytest.mark.parametrize("program", [nginx, caddy])
def test_the_page_behind_a_proxy_with_tls(tmp_path: Path, program: Callable[[Path, int, str], list[str]]) -> None:
    """A phone signs in through it and writes a note, a program reads with its token, and nobody else reads anything."""
    need(shutil.which(program.__name__, path="/usr/sbin:/usr/bin"), f"{program.__name__} is not installed")
    need(shutil.which(CHROMIUM), "Chromium is not installed (apt install chromium)")
    make_password(tmp_path / "page-password")
    (tmp_path / "token").write_text(TOKEN)
    (tmp_path / "token").chmod(0o600)
    authority, port, config = trustme.CA(), free_port(), tmp_path / "config.toml"
    certificate = authority.issue_cert(NAME)
    certificate.private_key_pem.write_to_path(tmp_path / "watch.key")
    for each in certificate.cert_chain_pems:
        each.write_to_path(tmp_path / "watch.pem", append=True)
    recipe(config, tmp_path)
    with Daemon.start(config) as daemon:
        argv = program(tmp_path, port, daemon.address.removeprefix("http://").rstrip("/"))
        environment = {"PATH": "/usr/sbin:/usr/bin", "HOME": str(tmp_path)}
        served = subprocess.Popen(argv, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        try:
            until("the proxy", lambda: answers(port))
            assert asked(port, authority)[0] == 403
            assert asked(port, authority, TOKEN[::-1])[0] in {401, 403}
            signs_in_and_notes(port)
            status, events = asked(port, authority, TOKEN)
            assert (status, "Read on a phone." in events) == (200, True)
        finally:
            served.terminate()
            served.wait(30)


def answers(port: int) -> bool:
    """Does the proxy take connections?"""
    with closing(socket.socket()) as sock:
        return sock.connect_ex(("127.0.0.1", port)) == 0


def asked(port: int, authority: trustme.CA, token: str = "", path: str = "/api/v1/events") -> tuple[int, str]:
    """Status and body of an answer through the proxy; its certificate is checked for the page's name."""
    context = ssl.create_default_context()
    authority.configure_trust(context)
    with closing(http.client.HTTPConnection("127.0.0.1", port, timeout=60)) as connection:
        connection.connect()
        connection.sock = context.wrap_socket(connection.sock, server_hostname=NAME)
        headers = {"Host": NAME} | ({"Authorization": f"Bearer {token}"} if token else {})
        connection.request("GET", path, headers=headers)
        answer = connection.getresponse()
        return answer.status, answer.read().decode()


def signs_in_and_notes(port: int) -> None:
    """In a browser on a phone, which finds the name at the proxy."""
    with sync_playwright() as driver:
        rule = f"--host-resolver-rules=MAP {NAME} 127.0.0.1"
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=[*ARGUMENTS, rule])
        context = browser.new_context(viewport={"width": 390, "height": 844}, ignore_https_errors=True)
        page = context.new_page()
        page.goto(f"https://{NAME}:{port}/")
        page.fill("input[type=password]", PASSWORD)
        page.keyboard.press("Enter")
        page.wait_for_url(f"https://{NAME}:{port}/")
        cookies = context.cookies()
        assert cookies
        assert all(each["secure"] for each in cookies)
        page.goto(f"https://{NAME}:{port}/operator")
        page.fill("textarea[name=text]", "Read on a phone.")
        page.get_by_role("button", name="Add note").click()
        page.get_by_text("Noted in the event log.").wait_for()
        browser.close()


def test_moving_to_a_new_machine(tmp_path: Path) -> None:
    """One archive of a running daemon; unpacked and restored elsewhere, it goes on with its history, key and alert."""
    old, new, service = tmp_path / "old", tmp_path / "new", Service()
    for each in (old, new):
        each.mkdir()
    config = old / "config.toml"
    probe = f'[[probe]]\nkind = "http"\nname = "hide-hub"\nurl = "{service.url}"\nevery = "1s"\n'
    rules = '[rules.not_answering]\nwarning = "1s"\nalarm = "1h"\n'
    links = 'port = 0\naddress = "http://127.0.0.1:8417/"\n'
    config.write_text(base(str(old / "state")).replace("port = 0\n", links) + rules + probe)
    archive = tmp_path / "gannet.tar"
    with Daemon.start(config) as daemon:
        until("an answer", lambda: items(daemon, "availability"))
        service.close()
        until("its alert", lambda: items(daemon, "raised"))
        run(config, "backup", "--all", str(archive))
        (before,) = items(daemon, "raised")
        assert daemon.stop() == 0
    with tarfile.open(archive) as packed:
        packed.extractall(new / "x", filter="data")
    moved = new / "config.toml"
    text = (new / "x" / "configuration" / str(config).lstrip("/")).read_text()
    moved.write_text(text.replace(str(old), str(new)))
    run(moved, "restore", str(new / "x" / "state" / "watchkeeper.db"))
    shutil.copy(new / "x" / "state" / "acknowledge.key", new / "state")
    with Daemon.start(moved) as daemon:
        (after,) = items(daemon, "raised")
        assert (after["subject"], after["raised_at"]) == (before["subject"], before["raised_at"])
        assert items(daemon, "availability")[0]["since"] < before["raised_at"]
        assert daemon.stop() == 0
    assert (new / "state" / "acknowledge.key").read_bytes() == (old / "state" / "acknowledge.key").read_bytes()


def items(daemon: Daemon, path: str) -> Any:
    """The items of an answer of the API."""
    with urllib.request.urlopen(f"{daemon.address}api/v1/{path}", timeout=60) as answer:
        return json.load(answer)["items"]


def run(config: Path, *words: str) -> None:
    """A command with this configuration, which must succeed."""
    argv = [sys.executable, "-m", "watchkeeper", "--config", str(config), *words]
    subprocess.run(argv, capture_output=True, timeout=60, check=True)
