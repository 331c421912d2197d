"""Installed kernels: which is newer, and what the newest lacks."""

import pytest

from watchkeeper.model.kernel import Kernel, missing_parts, newer, order


@pytest.mark.parametrize(
    ("installed", "running", "expected"),
    [
        (["6.1.0-18-amd64", "6.1.0-50-amd64"], "6.1.0-18-amd64", "6.1.0-50-amd64"),
        (["6.1.0-9-amd64", "6.1.0-18-amd64"], "6.1.0-18-amd64", ""),
        (["6.1.0-18-amd64", "6.1.0-50-rt-amd64"], "6.1.0-18-amd64", ""),
        (["6.1.0-18-amd64", "6.12.43+deb12-amd64"], "6.1.0-18-amd64", "6.12.43+deb12-amd64"),
        (["5.14.0-362.el9.x86_64", "5.14.0-427.el9.x86_64"], "5.14.0-362.el9.x86_64", "5.14.0-427.el9.x86_64"),
        (["linux"], "6.17.5-arch1-1", ""),
        ([], "6.1.0-18-amd64", ""),
    ],
)
def test_newer_than_the_running_one(installed: list[str], running: str, expected: str) -> None:
    """By the numbers at the beginning, within one flavour."""
    assert newer([Kernel(each, initramfs=True) for each in installed], running) == expected


def test_the_order_is_that_of_the_numbers() -> None:
    """18 comes after 9."""
    assert sorted(["6.1.0-18-amd64", "6.1.0-9-amd64"], key=order) == ["6.1.0-9-amd64", "6.1.0-18-amd64"]


@pytest.mark.parametrize(
    ("kernels", "expected"),
    [
        ([Kernel("a", initramfs=True), Kernel("b", initramfs=True)], []),
        ([Kernel("a", initramfs=True), Kernel("b", initramfs=False)], ["its initramfs is missing in /boot"]),
        ([Kernel("a", initramfs=False), Kernel("b", initramfs=False)], []),
        ([Kernel("b", initramfs=False)], ["its initramfs is missing in /boot"]),
        (
            [Kernel("a", initramfs=True, zfs=True), Kernel("b", initramfs=True, zfs=False)],
            ["it has no ZFS module: pools would not be imported"],
        ),
    ],
)
def test_what_the_newest_lacks(kernels: list[Kernel], expected: list[str]) -> None:
    """Kernel `a` runs, if it is installed."""
    assert missing_parts(kernels, "a") == expected
