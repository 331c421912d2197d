"""The JSON form of the guests' backups, for the command and the API."""

from watchkeeper.planning.backups import BackupsAnswer, GuestBackup, GuestCopy
from watchkeeper.web.api.json_forms import stamp
from watchkeeper.web.planning import response_types as forms


def backups_form(answer: BackupsAnswer) -> forms.BackupsAnswer:
    """The answer as JSON (RFC 8259). Times as RFC 3339."""
    return {
        "at": stamp(answer.at),
        "good": answer.good,
        "guests": [_guest_form(each) for each in answer.guests],
        "volumes": [_guest_form(each) for each in answer.volumes],
        "stores": [_guest_form(each) for each in answer.stores],
        "looked": list(answer.looked),
        "not_seen": list(answer.unseen),
    }


def _guest_form(guest: GuestBackup) -> forms.GuestBackups:
    return {
        "name": guest.name,
        "disks": list(guest.disks),
        "coverage": guest.coverage.value,
        "newest_at": stamp(guest.newest_at),
        "reasons": list(guest.reasons),
        "copies": [_copy_form(each) for each in guest.copies],
    }


def _copy_form(each: GuestCopy) -> forms.BackupCopy:
    copy = each.copy
    return {
        "name": copy.name,
        "last_at": stamp(copy.last_at),
        "due_at": stamp(copy.due_at),
        "on": list(each.on),
        "shares": copy.shares or None,
        "fault": copy.trouble or None,
        "without_disks": list(each.lacking),
        "checked": list(each.checked),
        "restored_at": stamp(each.restored_at),
    }
