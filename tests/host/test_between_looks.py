"""What happens between two looks: services that crash and come back, jobs that hang, users' units, mail, restarts.

It needs no stores, so it runs in a container too, over its real systemd. It comes after the scenarios that need stores,
and leaves its machine to nobody.
"""

import re
import time
from typing import Any

import pytest

from tests.host.machine import IS_CONTAINER
from tests.host.station import CONFIG, PROGRAM, Station, instant

pytestmark = pytest.mark.host(place=7)

UNIT = "/etc/systemd/system"
CRASHES = "[Service]\nType=simple\nExecStart=/bin/sh -c 'sleep 1; exit 3'\nRestart=always\nRestartSec=100ms\n"
HANGS = "[Service]\nType=oneshot\nExecStart=/bin/sleep infinity\n"


def test_a_healthy_host_has_nothing_to_say(between: Station) -> None:
    """Before anything is damaged, every probe reports, and nothing is raised."""
    between.wait_until("all probes", lambda: {"host", "mail queue"} <= {subject for subject, _ in between.series()}, 90)
    assert [each["headline"] for each in between.events() if each["kind"] in ("raised", "worse")] == []
    code, found = between.run_json("probe --unseen")
    lacking = {each["probe"] for each in found} - {"coverage", "kernel-log"}
    assert lacking == set(), (code, found)


PACKAGE = r"""
rm -rf /root/tern && mkdir -p /root/tern/DEBIAN
cat >/root/tern/DEBIAN/control <<END
Package: tern-tools
Version: 1.4
Architecture: all
Maintainer: none <none@example.org>
Description: none
END
dpkg-deb -b /root/tern /root/tern.deb >/dev/null
"""


def test_what_changed_before_is_in_the_message(between: Station) -> None:
    """APT installs a package and a unit is edited: the next alert's message names both, each with its time."""
    machine = between.machine
    machine.write(f"{UNIT}/egg-count.service", "[Service]\nExecStart=/bin/sleep inf\n")
    machine.run(
        PACKAGE + "systemctl daemon-reload && systemctl start egg-count && apt-get install -qq -y /root/tern.deb"
    )

    def known(*words: str) -> bool:
        text = " ".join(machine.run(f"{PROGRAM} --config {CONFIG} changes --since 1h").split())
        return all(each in text for each in words)

    between.wait_until("both are new", lambda: known("tern-tools installed", "egg-count.service added"), 120)
    machine.run(f"echo '# Nice=5' >>{UNIT}/egg-count.service && systemctl daemon-reload")
    between.wait_until("the edit", lambda: known("egg-count.service changed"), 120)
    began = machine.now()
    machine.run("systemctl kill -s KILL egg-count")
    body = " ".join(between.message("unit egg-count.service", "faulty", "raised", began, 120)["body"].split())
    between.note(f"changed before: {body[body.index('Changed') :][:300]}")
    assert re.search(r"\d\d:\d\d: package tern-tools installed 1\.4", body), body
    assert re.search(r"\d\d:\d\d: unit file \S*/egg-count\.service changed", body), body
    machine.run("systemctl reset-failed egg-count && apt-get remove -qq -y tern-tools")


def test_a_service_that_crashes_and_is_restarted(between: Station) -> None:
    """At each look it runs or will run again at once; only NRestarts shows what happens."""
    machine, began = between.machine, between.machine.now()
    machine.write(f"{UNIT}/nest-cams.service", CRASHES)
    machine.run("systemctl daemon-reload && systemctl start nest-cams")
    message = between.message("unit nest-cams.service", "faulty", "raised", began, 120, "runs")
    between.note(f"crashing service: {message['headline']}")
    facts = between.latest("unit nest-cams")["unit nest-cams.service", "runs"]
    assert "systemd restarted it" in facts["reason"], facts
    machine.run("systemctl stop nest-cams")


def test_a_one_shot_that_hangs(between: Station) -> None:
    """It is starting without end, and systemd has no limit for that."""
    machine, began = between.machine, between.machine.now()
    machine.write(f"{UNIT}/nightly-export.service", HANGS)
    machine.run("systemctl daemon-reload && systemctl start --no-block nightly-export")
    message = between.message("unit nightly-export.service", "faulty", "raised", began, 120, "runs")
    between.note(f"one-shot that hangs: {message['headline']}")
    facts = between.latest("unit nightly-export")["unit nightly-export.service", "runs"]
    assert "has not ended" in facts["reason"], facts
    ended = machine.now()
    machine.run("systemctl stop nightly-export")
    between.message("unit nightly-export.service", "faulty", "ended", ended, 120, "runs")


def test_a_service_that_runs_a_replaced_library(between: Station) -> None:
    """The update of a library does nothing for a service that runs: it is named, until it is restarted."""
    machine, library = between.machine, "/usr/lib/libtide.so.1"
    machine.run(f"cp $(ls /usr/lib/*/libz.so.1) {library}")
    machine.write(
        f"{UNIT}/ringing-db.service", f"[Service]\nEnvironment=LD_PRELOAD={library}\nExecStart=/bin/sleep inf\n"
    )
    machine.run("systemctl daemon-reload && systemctl start ringing-db")
    began = machine.now()
    machine.run(f"cp {library} {library}.new && mv {library}.new {library}")
    message = between.message("services", "faulty", "raised", began, 120, "libraries")
    assert message["priority"] == "caution"
    between.note(f"replaced library: {message['headline']}")
    seen = between.latest("services")["services", "libraries"]
    assert "ringing-db.service (libtide.so.1)" in seen["reason"]
    commands = {each["name"]: each["value"] for each in seen["details"]}
    assert commands["restart them"] == "sudo systemctl restart ringing-db.service"
    ended = machine.now()
    machine.run(commands["restart them"])
    between.message("services", "faulty", "ended", ended, 120, "libraries")
    machine.run(f"systemctl stop ringing-db && rm {library}")


def test_a_timer_that_was_stopped(between: Station) -> None:
    """It fails nowhere: its deadline stays, at least an hour after its last run."""
    machine = between.machine
    machine.write(f"{UNIT}/tide-sync.service", "[Service]\nType=oneshot\nExecStart=/bin/true\n")
    machine.write(f"{UNIT}/tide-sync.timer", "[Timer]\nOnCalendar=*:*:0/5\nAccuracySec=1s\n")
    machine.run("systemctl daemon-reload && systemctl start tide-sync.timer")
    key = ("timer tide-sync", "last run")
    between.wait_until("the timer's deadline", lambda: key in between.series(), 90)
    machine.run("systemctl stop tide-sync.timer")
    stopped = machine.now()
    time.sleep(12)  # two looks, so that what is read next was seen after the stop
    seen = between.latest("timer tide-sync")[key]
    assert seen["last_done_at"] is not None
    assert seen["period_s"] == 3600.0
    assert instant(seen["last_done_at"]) <= stopped + 1
    assert instant(seen["due_at"]) - instant(seen["last_done_at"]) == pytest.approx(3600, abs=1)


def test_a_unit_of_a_user_who_is_not_logged_in(between: Station) -> None:
    """The helper asks that user's manager under the restrictions of its own unit."""
    machine = between.machine
    code, found = between.run_json("probe")
    subjects = {each["subject"]: each for each in found["observations"] if each["probe"] == "user-units"}
    assert subjects["user keeper"]["ok"], (code, subjects)
    began = machine.now()
    ask = "setpriv --reuid=keeper --regid=keeper --clear-groups env XDG_RUNTIME_DIR=/run/user/$(id -u keeper)"
    machine.run(f"{ask} systemd-run --user --unit=sync-notes /bin/false")
    message = between.message("user keeper", "faulty", "raised", began, 120, "units")
    between.note(f"unit of a user: {message['headline']}")
    assert "sync-notes.service" in between.latest("user keeper")["user keeper", "units"]["reason"]
    machine.run(f"{ask} systemctl --user reset-failed")
    between.message("user keeper", "faulty", "ended", began, 120, "units")


def test_mail_that_does_not_leave(between: Station) -> None:
    """Postfix keeps what its next server does not take; the reason is reported, and no address."""
    machine, began = between.machine, between.machine.now()
    machine.run("postconf -e relayhost='[127.0.0.1]:9' default_transport=smtp && postfix reload")
    machine.run("printf 'Subject: night\\n\\ntext\\n' | sendmail warden@example.org")
    message = between.message("mail queue", "faulty", "raised", began, 180)
    between.note(f"mail queue: {message['headline']}")
    seen = between.latest("mail queue")["mail queue", "leaving"]
    details = {each["name"]: each["value"] for each in seen["details"]}
    assert "refused" in details["why it waits"].lower()
    assert "example.org" not in str(seen)
    machine.run("postsuper -d ALL")
    between.message("mail queue", "faulty", "ended", began, 120)


BREAK = r"""
UNITS=/etc/systemd/system
printf '[Service]\nExecStart=/bin/sleep inf\n[Install]\nWantedBy=multi-user.target\n' >$UNITS/by-hand.service
systemctl daemon-reload && systemctl start by-hand
mkdir -p /srv/in-fstab && echo 'tmpfs /srv/in-fstab tmpfs nofail 0 0' >>/etc/fstab
echo 'vault /dev/disk/by-id/none none luks' >>/etc/crypttab
touch /boot/vmlinuz-999.0-tern
"""
"""Of each kind that needs no disk one that a restart would lose: a service that is not enabled, an entry of fstab that
is not mounted, a volume whose key is typed, a newest kernel without its parts."""

BY_HAND = """
truncate -s 64M /root/by-hand.img && mkfs.ext4 -q /root/by-hand.img
mkdir -p /srv/by-hand && mount -o loop /root/by-hand.img /srv/by-hand
"""
"""What is mounted by hand: a container may use no loop device."""

MEND = r"""
systemctl stop by-hand; umount /srv/by-hand /srv/in-fstab 2>/dev/null
rm -rf /etc/systemd/system/by-hand.service /boot/vmlinuz-999.0-tern /root/by-hand.img; systemctl daemon-reload
sed -i '/in-fstab/d' /etc/fstab; sed -i '/^vault /d' /etc/crypttab
"""


def _running(between: Station) -> set[str]:
    """The services that run, without those of users and of logins."""
    words = "systemctl list-units --plain --no-legend --type=service --state=running"
    names = {line.split()[0] for line in between.machine.run(words).splitlines()}
    return {each for each in names if "@" not in each}


def _lost(between: Station) -> dict[str, str]:
    """What `preflight` says that a restart would lose, with the reason."""
    _, found = between.run_json("preflight gannet")
    return {
        each["about"]: each["reason"]
        for each in found["checks"]
        if each["name"] == "restart" and each["verdict"] == "no-go"
    }


def test_an_orderly_restart_is_no_fault_and_loses_what_was_foretold(between: Station) -> None:
    """Nothing is raised about the restart itself, which is among the facts.

    One of each kind is broken before, foretold by `preflight`, and compared with what really came back.
    """
    machine, sound = between.machine, _lost(between)
    machine.run(BREAK)
    if not IS_CONTAINER:
        machine.run(BY_HAND)
    foretold = {about: why for about, why in _lost(between).items() if about not in sound}
    between.note(f"foretold of a restart: {foretold}")
    mounted = set() if IS_CONTAINER else {"mount /srv/by-hand"}
    expected = {"unit by-hand.service", "mount /srv/in-fstab", "encrypted volume vault", "kernel 999.0-tern"} | mounted
    assert set(foretold) == expected
    before = _running(between)
    lost_units = {each.removeprefix("unit ") for each in {**sound, **foretold} if each.startswith("unit ")}
    sent = len(between.events())
    machine.down()
    _again(between)
    assert before - _running(between) == lost_units & before, "what is foretold is lost, and nothing else"
    assert "by-hand.service" in lost_units
    assert not machine.works("mountpoint -q /srv/by-hand")
    assert machine.works("mountpoint -q /srv/in-fstab"), (
        "what fstab names is mounted then: it was asked whether it will"
    )
    assert not machine.works("test -e /dev/mapper/vault")
    machine.run(MEND)
    assert set(_lost(between)) <= set(sound), "all is repaired"
    details = _restarts(between)
    assert details["ok"], details
    hows = [each["value"] for each in details["details"] if each["name"].startswith("restart at ")]
    assert hows == ["after an orderly shutdown"]
    new = [each for each in between.events("host")[sent:] if each["kind"] in ("raised", "worse")]
    assert [each["headline"] for each in new if each["quantity"] == "restarts"] == []


def test_a_host_that_stops_without_warning(between: Station) -> None:
    """The first time it is a caution, and the second time a warning that counts."""
    began = between.machine.now()
    between.machine.pull_the_plug()
    _again(between)
    first = between.message("host", "faulty", "raised", began, 120, "restarts")
    assert first["priority"] == "caution"
    assert not _restarts(between)["ok"]
    again = between.machine.now()
    between.machine.pull_the_plug()
    _again(between)
    second = between.message("host", "faulty", "worse", again, 120, "restarts")
    assert second["priority"] == "warning"
    assert "2 times within 7 days" in _restarts(between)["reason"]
    between.note(f"killed twice: {first['headline']} | {second['headline']}")


def _again(between: Station) -> None:
    between.machine.up("--keep")
    between.wait_until("the page", between.page_answers, 300)
    between.wait_until("the probe of restarts", lambda: ("host", "restarts") in between.series(), 60)
    time.sleep(8)  # the first look after the start


def _restarts(between: Station) -> dict[str, Any]:
    found: dict[str, Any] = between.latest("host")["host", "restarts"]
    return found
