"""Asks the running daemon to act, over its local socket. Not here: what it does (daemon/control.py)."""

import json
import socket
from contextlib import suppress
from pathlib import Path

from watchkeeper.cli.database import there
from watchkeeper.daemon.control import LONGEST_LINE, SOCKET_NAME, TIMEOUT_S, Request, short_path
from watchkeeper.errors import AccessDenied, StartError
from watchkeeper.ownership.file_rights import with_rights_of
from watchkeeper.ownership.folder_owner import owner_of, real_file
from watchkeeper.settings import Settings


def ask(known: Settings, request: Request) -> bool:
    """Have the daemon do it; False if there was nothing to do. Raises StartError if it cannot be asked.

    Root connects with the file rights of the folder's owner, so that no link there leads it elsewhere.
    """
    folder = real_file(there(known)).parent
    line = request.model_dump_json().encode() + b"\n"
    answer = with_rights_of(owner_of(folder), lambda: _exchange(folder, line))
    if "error" in answer:
        raise StartError(f"the daemon refused: {answer['error']}")
    return bool(answer.get("done"))


def _exchange(folder: Path, line: bytes) -> dict[str, object]:
    try:
        with short_path(folder) as path, socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as connection:
            connection.settimeout(TIMEOUT_S)
            connection.connect(path)
            # A daemon that refuses may have answered and closed before it has read the request.
            with suppress(BrokenPipeError):
                connection.sendall(line)
            with connection.makefile("rb") as answer:
                return dict(json.loads(answer.readline(LONGEST_LINE)))
    except PermissionError:
        raise AccessDenied(
            f"{folder / SOCKET_NAME} is not open to this user; run this as root or as the user that runs watchkeeper"
        ) from None
    except (FileNotFoundError, ConnectionRefusedError):
        raise StartError(f"no daemon runs on the database in {folder}; start `watchkeeper run`") from None
    except (OSError, ValueError) as error:
        raise StartError(f"the daemon did not answer at {folder / SOCKET_NAME} ({error})") from None
