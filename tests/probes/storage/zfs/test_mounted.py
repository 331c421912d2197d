"""Datasets that are not mounted, from lines in the form of `zfs get -Hp` (zfs-get(8)); written from the manual page."""

from watchkeeper.probes.storage.zfs.mounted import mounted_conditions, read_mounted


def lines(name: str, mounted: str = "yes", canmount: str = "on", mountpoint: str = "/srv", keystatus: str = "-") -> str:
    """The four lines of one dataset."""
    values = {"mounted": mounted, "canmount": canmount, "mountpoint": mountpoint, "keystatus": keystatus}
    return "".join(f"{name}\t{key}\t{value}\n" for key, value in values.items())


def reasons(text: str, *pools: str) -> list[str]:
    """Why each pool's datasets are not all mounted."""
    return [each.reason for each in mounted_conditions(read_mounted(text), pools or ("skerry",))]


def test_datasets_that_are_mounted_or_need_not_be() -> None:
    """No mount point of its own, mounted by hand or by fstab, a volume."""
    text = (
        lines("skerry") + lines("skerry/container", "no", "off") + lines("skerry/spare", "no", "noauto")
        + lines("skerry/old", "no", mountpoint="legacy") + lines("skerry/none", "no", mountpoint="none")
        + lines("skerry/vm", "-", "-", "-", "available")
    )  # fmt: skip
    assert reasons(text) == [""]


def test_datasets_that_are_missing() -> None:
    """By name; a volume whose key is not loaded as well; each pool by itself."""
    text = (
        lines("skerry") + lines("skerry/rings", "no") + lines("skerry/private", "no", keystatus="unavailable")
        + lines("skerry/vm", "-", "-", "-", "unavailable") + lines("ledge/cams", "no") + lines("other", "no")
    )  # fmt: skip
    assert reasons(text, "skerry", "ledge") == [
        "not mounted: skerry/rings; key not loaded: skerry/private, skerry/vm",
        "not mounted: ledge/cams",
    ]


def test_many_are_counted() -> None:
    """Five by name."""
    text = "".join(lines(f"skerry/{n}", "no") for n in range(9))
    assert reasons(text) == ["not mounted: skerry/0, skerry/1, skerry/2, skerry/3, skerry/4 and 4 more"]


def test_output_of_anything() -> None:
    """Lines of another form say nothing."""
    for text in ("", "\n\n", "no datasets available\n", "a\tb\n", "\t\t\n", "a\tb\tc\td\n", "\udcff\tmounted\tno\n"):
        assert reasons(text) == [""]
