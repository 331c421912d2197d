"""What the configuration says of the house, for its sheet. Only what is named here is taken, and no secret."""

from collections.abc import Iterator

from watchkeeper.messages.reports.sheet import BackupPlace, HouseFacts
from watchkeeper.messages.wording import duration
from watchkeeper.probes.services.job import JobSettings
from watchkeeper.probes.storage.snapshot_files import SnapshotsSettings
from watchkeeper.settings import Settings, without_login


def house_facts(settings: Settings) -> HouseFacts:
    """The part of a configuration that is on the sheet."""
    written, page = settings.sheet, settings.page
    return HouseFacts(
        settings.host.label,
        written.contacts,
        written.notes,
        written.what_if,
        tuple(_backups(settings)),
        tuple(f"{each.label} ({each.kind})" if each.label != each.kind else each.label for each in settings.notifiers),
        "" if page.address is None else without_login(str(page.address)),
        settings.stand_ins,
    )


def _backups(settings: Settings) -> Iterator[BackupPlace]:
    for each in settings.probes:
        if isinstance(each, SnapshotsSettings) and each.backup_of:
            yield BackupPlace(each.backup_of, f"files {', '.join(each.files)}", each.label)
        elif isinstance(each, JobSettings) and each.backup_of:
            yield BackupPlace(each.backup_of, f"job {each.name}, at least every {duration(each.within)}", each.label)
