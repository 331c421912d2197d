"""The two example packages of the manual, built as wheels and put on the path as an installer does it."""

import sys
from collections.abc import Iterator
from pathlib import Path
from zipfile import ZipFile

import pytest
from hatchling.builders.wheel import WheelBuilder

PACKAGES = Path(__file__).with_name("packages")


@pytest.fixture(scope="session")
def wheels(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """The wheels of the example packages, built once."""
    folder = str(tmp_path_factory.mktemp("wheels"))
    builders = [WheelBuilder(str(each)) for each in sorted(PACKAGES.iterdir())]
    return [Path(path) for each in builders for path in each.build(directory=folder, versions=["standard"])]


@pytest.fixture
def installed(wheels: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A folder on the path in which the packages are installed."""
    folder = tmp_path / "site-packages"
    for wheel in wheels:
        ZipFile(wheel).extractall(folder)
    monkeypatch.syspath_prepend(folder)
    before = set(sys.modules)
    yield folder
    for name in set(sys.modules) - before:
        if name.startswith("watch_of_"):
            del sys.modules[name]
