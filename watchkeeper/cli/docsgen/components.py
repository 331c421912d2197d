"""Write the list of components that comes with the wheel: CycloneDX 1.6 in JSON, made from the lock file.

`python -m watchkeeper.cli.docsgen.components`, in a checkout; deploy/lock/remake runs it. Every package that
deploy/lock/run.txt pins is a component with its version and purl; a marker says where it is installed. The list has no
time, so the same lock file makes the same list. Not here: hashes (the lock file has them), which package needs which,
and whether a component has known vulnerabilities.

The standards: CycloneDX 1.6 (ECMA-424); package URLs of type pypi; PEP 770 for the place in the wheel.
"""

import json
import re
import uuid
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from watchkeeper import __version__

LOCK = Path("deploy/lock/run.txt")
LIST = Path("deploy/lock/components.cdx.json")

_PIN = re.compile(r"^(?P<name>[A-Za-z0-9._-]+)(?:\[[^]]*\])?==(?P<version>[^ ;\\]+)(?: *; *(?P<marker>[^\\]+?))? *\\?$")


@dataclass(frozen=True, slots=True)
class Pin:
    """One package of a lock file. marker: on which platforms it is installed; empty for all."""

    name: str
    version: str
    marker: str

    @property
    def purl(self) -> str:
        """Its package URL; names of this type are in lower case, with hyphens."""
        return f"pkg:pypi/{re.sub(r'[-_.]+', '-', self.name).lower()}@{self.version}"


def pins(lock: str) -> Iterator[Pin]:
    """The packages of a lock file, in its order."""
    for line in lock.splitlines():
        if (found := _PIN.match(line)) is not None:
            yield Pin(found["name"], found["version"], found["marker"] or "")


def components(pinned: Sequence[Pin], version: str) -> dict[str, Any]:
    """The list."""
    own = f"pkg:pypi/watchkeeper@{version}"
    content = "\n".join([own, *(f"{each.purl} {each.marker}" for each in pinned)])
    return {
        "$schema": "http://cyclonedx.org/schema/bom-1.6.schema.json",
        "bomFormat": "CycloneDX",
        "specVersion": "1.6",
        "serialNumber": f"urn:uuid:{uuid.uuid5(uuid.NAMESPACE_URL, content)}",
        "version": 1,
        "metadata": {
            "component": {
                "type": "application",
                "bom-ref": own,
                "name": "watchkeeper",
                "version": version,
                "purl": own,
            }
        },
        "components": [_component(each) for each in pinned],
    }


def _component(pin: Pin) -> dict[str, Any]:
    made: dict[str, Any] = {
        "type": "library",
        "bom-ref": pin.purl,
        "name": pin.name,
        "version": pin.version,
        "purl": pin.purl,
    }
    if pin.marker:
        made["properties"] = [{"name": "watchkeeper:marker", "value": pin.marker}]
    return made


def main() -> None:
    """Write the list of this checkout."""
    made = components(tuple(pins(LOCK.read_text(encoding="utf-8"))), __version__)
    LIST.write_text(json.dumps(made, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
