"""What the package says of itself: its wheel as it is built, and the Debian package's control file."""

import tomllib
from email import message_from_bytes
from email.message import Message
from pathlib import Path
from zipfile import ZipFile

import pytest
from hatchling.builders.wheel import WheelBuilder

ROOT = Path(__file__).parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
MAINTAINER = "The watchkeeper developers <watchkeeper@localhost.invalid>"


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel, built once."""
    (built,) = WheelBuilder(str(ROOT)).build(directory=str(tmp_path_factory.mktemp("wheel")), versions=["standard"])
    return Path(built)


@pytest.fixture(scope="module")
def metadata(wheel: Path) -> Message:
    """The wheel's METADATA."""
    with ZipFile(wheel) as opened:
        return message_from_bytes(opened.read(f"watchkeeper-{PROJECT['version']}.dist-info/METADATA"))


def test_the_wheel_says_who_wrote_it_and_what_it_is(metadata: Message) -> None:
    """Name, version, author, keywords and classifiers; no licence and no address are claimed that nobody decided."""
    assert (metadata["Name"], metadata["Version"]) == ("watchkeeper", PROJECT["version"])
    assert metadata["Author-email"] == MAINTAINER
    assert "monitoring" in metadata["Keywords"].split(",")
    assert metadata["Description-Content-Type"] == "text/markdown"
    classifiers = metadata.get_all("Classifier", [])
    assert "Typing :: Typed" in classifiers
    assert [each for each in classifiers if each.startswith("License")] == []
    for unset in ("License", "License-Expression", "Project-URL", "Home-page"):
        assert metadata[unset] is None


def test_the_wheel_has_the_types(wheel: Path) -> None:
    """Type checkers read a package's annotations only if it has py.typed (PEP 561)."""
    assert "watchkeeper/py.typed" in ZipFile(wheel).namelist()


def test_the_wheel_has_the_list_of_its_components(wheel: Path) -> None:
    """Where PEP 770 puts it."""
    name = f"watchkeeper-{PROJECT['version']}.dist-info/sboms/components.cdx.json"
    assert ZipFile(wheel).read(name) == (ROOT / "deploy/lock/components.cdx.json").read_bytes()


def test_the_debian_package_names_the_same_maintainer() -> None:
    """The control file names those who wrote the wheel."""
    control = (ROOT / "deploy/debian/control").read_text(encoding="utf-8")
    assert f"\nMaintainer: {MAINTAINER}\n" in control
