"""How full special, dedup, log and cache devices are, in the form of `zpool list -Hpv` of OpenZFS 2.1."""

import pytest

from watchkeeper.model.observation import Level
from watchkeeper.probes.storage.zfs.classes import class_levels, read_classes

LISTED = """\
skerry\t3758096384\t120561664\t3637534720\t-\t-\t0\t3\t1.00\tONLINE\t-
\tmirror-0\t3221225472\t100561664\t3120663808\t-\t-\t0\t3\t-\tONLINE
\tleg0\t3221225472\t-\t-\t-\t-\t-\t-\t-\tONLINE
\tleg1\t3221225472\t-\t-\t-\t-\t-\t-\t-\tONLINE
special      -      -      -        -         -      -      -      -  -
\tmirror-1\t1000\t800\t200\t-\t-\t0\t80\t-\tONLINE
\tquick0\t1000\t-\t-\t-\t-\t-\t-\t-\tONLINE
\tquick1\t1000\t-\t-\t-\t-\t-\t-\t-\tONLINE
\tquick7\t1000\t700\t300\t-\t-\t0\t70\t-\tONLINE
logs         -      -      -        -         -      -      -      -  -
\tquick3\t500\t5\t495\t-\t-\t0\t1\t-\tONLINE
cache        -      -      -        -         -      -      -      -  -
\tquick4\t900\t899\t1\t-\t-\t0\t99\t-\tONLINE
spare        -      -      -        -         -      -      -      -  -
\tleg9\t900\t-\t-\t-\t-\t-\t-\t-\tAVAIL
jetty\t100\t50\t50\t-\t-\t0\t50\t1.00\tONLINE\t-
\tleg5\t100\t50\t50\t-\t-\t0\t50\t-\tONLINE
dedup        -      -      -        -         -      -      -      -  -
\tquick5\t40\t10\t30\t-\t-\t0\t25\t-\tONLINE
"""


def levels(pool: str, text: str = LISTED) -> dict[str, Level]:
    """The levels of one pool, by quantity."""
    return {each.key.quantity: each for each in class_levels(pool, read_classes(text))}


def test_each_class_is_the_sum_of_its_devices() -> None:
    """A mirror counts once, the devices of the data and spares not at all."""
    found = levels("skerry")
    assert {name: (each.used, each.capacity, each.not_judged) for name, each in found.items()} == {
        "special devices": (1500, 2000, False),
        "log devices": (5, 500, True),
        "cache devices": (899, 900, True),
    }
    assert all(each.key.subject == "pool skerry" for each in found.values())
    assert found["special devices"].facts == (
        ("mirror-1", "80%"),
        ("quick7", "70%"),
        ("small blocks of files", "go to the devices of the data from 75 % on"),
    )
    assert found["log devices"].facts == ()


def test_another_pool_has_its_own() -> None:
    """The heading of one pool's class does not reach into the next pool."""
    assert {name: (each.used, each.capacity) for name, each in levels("jetty").items()} == {"dedup devices": (10, 40)}
    assert levels("other") == {}


@pytest.mark.parametrize(
    "text",
    ["", "\n\t\n", "special\n\tx\t-\t-\n", "\tx\t5\t4", "skerry\t5\nspecial -\n\tquick\t0\t0\n", "special\n\t1\t²\t³"],
)
def test_other_forms(text: str) -> None:
    """What is not in this form is left out."""
    assert levels("skerry", text) == {}
