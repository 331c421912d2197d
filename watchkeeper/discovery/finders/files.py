"""Finds files in the places where they usually are: snapshots (backups, exported images) and certificates."""

import os
from collections import defaultdict
from datetime import UTC, datetime
from functools import partial
from itertools import chain
from pathlib import Path, PurePosixPath

from watchkeeper.discovery.cadence import Cadence, SnapshotSet, sets_of
from watchkeeper.discovery.host import Host, unseen
from watchkeeper.discovery.proposal import Found, Key, Proposal, Thing
from watchkeeper.discovery.toml import literal
from watchkeeper.errors import ProbeError
from watchkeeper.messages.wording import duration
from watchkeeper.model.units import format_duration, format_size
from watchkeeper.probes.services.certificate_files import read_file
from watchkeeper.probes.storage.snapshot_ages import Snapshot
from watchkeeper.probes.storage.snapshot_files import list_files
from watchkeeper.probes.storage.snapshot_sets import Origin
from watchkeeper.probes.support.sanitize import clip, printable

USUAL = ("backup", "backups", "srv/backup", "srv/backups", "srv/snapshots", "mnt/backup", "var/lib/backup")
"""Folders that people keep backups in; /var/backups is Debian's own, for its package lists."""

HALF_WRITTEN = ("*.part", "*.tmp")
"""The probe's own default."""

CERTIFICATES = (
    "etc/letsencrypt/live/*/fullchain.pem", "etc/ssl/localcerts/*.pem", "etc/dovecot/*.pem", "etc/postfix/*.pem",
    "etc/ldap/*.pem", "etc/mosquitto/certs/*.crt", "etc/nginx/*.pem", "etc/apache2/*.pem",
)  # fmt: skip
"""Where services and renewals keep certificates on Debian; not /etc/ssl/certs, which has those of the authorities."""

SMALLEST_SHARE = 0.5
"""A backup of less than half the smallest size so far is probably incomplete."""


async def find(host: Host) -> Found:
    """Files of each usual folder and of its subfolders, in sets by the pattern of their names."""
    found = Found(absent=("backups and images in the usual folders",))
    for folder in (host.root / each for each in USUAL):
        if not folder.is_dir():
            continue
        try:
            patterns = (f"{literal(str(folder))}/*", f"{literal(str(folder))}/*/*")
            work = partial(list_files, patterns, HALF_WRITTEN)
            listed = await host.bench.workers.call(f"files in {folder}", work, host.timeout_s)
        except (ProbeError, OSError) as error:
            found += unseen(f"backups in {folder}", error, "Let the daemon's user read that folder.")
            continue
        of: dict[str, list[Snapshot]] = defaultdict(list)
        for each in listed:
            path = PurePosixPath(each.path)
            of[str(path.parent)].append(
                Snapshot(path.name, datetime.fromtimestamp(each.written_s, UTC), each.size_bytes)
            )
        sets = chain.from_iterable(_proposals(name, taken, host) for name, taken in sorted(of.items()))
        found += Found(tuple(sets))
    return Found(found.proposals, found.unseen) if found.proposals or found.unseen else found


def _proposals(folder: str, taken: list[Snapshot], host: Host) -> list[Proposal]:
    return [
        _proposal(folder, each, each.cadence, host.bench.clock.now())
        for each in sets_of([Origin(folder, taken)])
        if each.cadence is not None
    ]


def _proposal(folder: str, found: SnapshotSet, cadence: Cadence, now: datetime) -> Proposal:
    files = tuple(f"{literal(folder)}/{glob}" for glob in found.called)
    age = duration(max((now - found.newest_at).total_seconds(), 0))
    spare = format_duration(cadence.spare_s)
    keys = [
        Key("name", clip(f"{PurePosixPath(folder).name} {cadence.word}", 60)),
        Key("files", files),
        Key(
            "max_age",
            format_duration(cadence.limit_s),
            f"{cadence.gaps} intervals were examined, 90 % at most {format_duration(cadence.counted_s)}; "
            f"the margin is {spare}.",
        ),
    ]
    least = found.least_bytes
    if least * SMALLEST_SHARE >= 1:
        why = f"The smallest of them has {format_size(least)}; a file of half that size is probably incomplete."
        keys.append(Key("min_size", format_size(least * SMALLEST_SHARE), why, offered=True))
    about = f"Files in {printable(folder)}: {found.count}, written {cadence.word} so far; the newest is {age} old."
    return Proposal("snapshots", tuple(keys), (about,), things=(Thing("files", folder, found.example),))


async def find_certificates(host: Host) -> Found:
    """Certificates in the usual folders, each folder as one pattern."""
    try:
        patterns, hidden = await host.bench.workers.call("certificates", partial(_certificates, host), host.timeout_s)
    except ProbeError as error:
        return unseen("certificates in files", error)
    remedy = "Let the daemon's user read that folder, if certificates are in it."
    found = Found()
    for folder in hidden:
        found += unseen(f"certificates in {folder}", ProbeError("it may not be read"), remedy)
    if patterns:
        about = ("Certificates in files: the first of each chain to expire.",)
        found += Found((Proposal("certificates", (Key("files", tuple(patterns)),), about),))
    return found if patterns or hidden else Found(absent=("certificates in the usual folders",))


def _certificates(host: Host) -> tuple[list[str], list[str]]:
    """The patterns that match a certificate, and the folders that may not be read. Blocks."""
    patterns, hidden = list[str](), list[str]()
    for each in CERTIFICATES:
        folder = host.root / each.partition("*")[0].rstrip("/")
        if folder.is_dir() and not os.access(folder, os.R_OK | os.X_OK):
            hidden.append(str(folder))
        elif any(map(_is_certificate, host.root.glob(each))):
            patterns.append(f"{literal(str(host.root))}/{each}".replace("//", "/"))
    return patterns, hidden


def _is_certificate(path: Path) -> bool:
    try:
        return bool(read_file(path).chain)
    except ProbeError:
        return False
