"""The manual and its entries on alerts agree with the code, and no probe can bring an alert that has no entry."""

import ast
import re
import shlex
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pytest

from watchkeeper.alerting.correlation import group_alerts
from watchkeeper.cli import COMMANDS
from watchkeeper.cli.docsgen import alerts as reference_alerts
from watchkeeper.cli.docsgen import reference
from watchkeeper.cli.docsgen.examples import examples
from watchkeeper.manual.runbook import FOLDER, first_step, runbook
from watchkeeper.messages.runbook import RunbookEntry
from watchkeeper.model.alert import Concern, NotificationKind
from watchkeeper.model.observation import SeriesKey
from watchkeeper.probes.registry import BUILT_IN
from watchkeeper.web.routes import ROUTES

ENTRIES = runbook().entries
OTHER = runbook().chapters["All other alerts"]
PROBES = Path(__file__).parents[1] / "watchkeeper" / "probes"
PREFIX = "watchkeeper.probes."
CONCERN_OF = {
    "Level": Concern.FULL,
    "Deadline": Concern.OVERDUE,
    "Answer": Concern.NOT_ANSWERING,
    "Condition": Concern.FAULTY,
}
COMPUTED = {
    ("storage.btrfs.filesystems", "quantity"): ("data", "metadata", "space"),
    ("storage.lvm.volume_groups", "quantity"): ("data", "metadata"),
    ("storage.raid", "quantity"): ("health", "check", "parity"),
    ("storage.zfs.pools", "quantity"): ("own data", "held by snapshots"),
    ("storage.zfs.classes", "quantity"): ("special devices", "dedup devices"),
    ("programs.command", "self._settings.quantity"): (),
    ("programs.command", "f'measured {settings.quantity}'"): (),
    ("programs.output", "self.quantity"): (),
    ("guests.agents.guest_agents", "quantity"): (),
    ("guests.agents.consoles", "quantity"): ("memory shortage", "kernel messages"),
    ("guests.agents.inside", "f'space on {each.point}'"): ("space on *",),
    ("containers.space", "name"): (),
    ("containers.space", "SPACE"): (),
    ("storage.smart.signs", "quantity"): ("interface errors", "power losses"),
    ("storage.smart.disks", "sort"): ("short self-test", "extended self-test"),
    ("host.kernel_tables", "AIO"): ("asynchronous I/O",),
    ("hardware.hardware", "quantity"): ("PCI Express errors", "processor errors", "throttling"),
    ("network.links", "quantity"): ("own addresses", "name servers"),
    ("power.ups", "quantity"): ("mains power", "output", "overload", "battery health"),
    ("host.pressure", "quantity"): ("pressure on disks", "pressure on processors"),
}
"""Quantities that do not stand where the series is named: the expression there, and what it can be. A program's own
quantities are for the last chapter."""
NEVER_FULL = {"own data", "held by snapshots", "size", "discharge"}
"""Levels that are never judged: parts of another one (Level.part_of), and what is only recorded (Level.not_judged)."""


@dataclass(frozen=True, slots=True)
class Series:
    """A quantity as a module of a probe names it. concern: None where the module does not say it in the same place.

    module: its name below watchkeeper.probes.
    """

    module: str
    quantity: str
    concern: Concern | None


@cache
def parsed(module: str) -> ast.Module:
    """A module of the probes."""
    return ast.parse(file_of(module).read_text(encoding="utf-8"))


def file_of(module: str) -> Path:
    """Where a module of the probes is; a package has no file of that name."""
    return PROBES / f"{module.replace('.', '/')}.py"


def own_modules(kind: str) -> set[str]:
    """Where a probe and its settings are."""
    return {each.__module__.removeprefix(PREFIX) for each in (BUILT_IN[kind].settings, BUILT_IN[kind].make)}


THROUGH_CONTEXT = {"snapshots": ("verification.checked",)}
"""Modules whose series a probe brings through its context, without importing them."""


def modules_of(kind: str) -> set[str]:
    """The module of a probe and every module beside it that it is made of, but for those of other probes."""
    own = own_modules(kind)
    others = {module for each in BUILT_IN for module in own_modules(each)} - own
    todo, found = [*own, *THROUGH_CONTEXT.get(kind, ())], set[str]()
    while todo:
        module = todo.pop()
        if module in found | others or module in ("base", "registry", "plugins"):
            continue
        found.add(module)
        imports = [each for each in ast.walk(parsed(module)) if isinstance(each, ast.ImportFrom)]
        for each in imports:
            if f"{each.module or ''}.".startswith(PREFIX):
                package = f"{each.module}.".removeprefix(PREFIX)
                names = [package.rstrip("."), *(f"{package}{alias.name}" for alias in each.names)]
                todo += [name for name in names if name and file_of(name).is_file()]
    return found


def named_in(module: str) -> Iterator[Series]:
    """Every series that a module names: SeriesKey(subject, quantity), or _key(name, quantity)."""
    tree = parsed(module)
    around = {
        id(call.args[0]): call
        for call in ast.walk(tree)
        if isinstance(call, ast.Call) and isinstance(call.func, ast.Name) and call.func.id in CONCERN_OF and call.args
    }
    # A level that may be full is recorded, and never an alert.
    recorded = {at for at, call in around.items() if any(each.arg == "not_judged" for each in call.keywords)}
    judged = {at: CONCERN_OF[ast.unparse(call.func)] for at, call in around.items()}
    for call in ast.walk(tree):
        if not (isinstance(call, ast.Call) and isinstance(call.func, ast.Name) and len(call.args) == 2):
            continue
        if call.func.id in ("SeriesKey", "_key") and id(call) not in recorded:
            for quantity in quantities(module, call.args[1]):
                yield Series(module, quantity, judged.get(id(call)))


def quantities(module: str, said: ast.expr) -> tuple[str, ...]:
    """What an expression for a quantity can be. A new one that is not a plain text must be added to COMPUTED."""
    if isinstance(said, ast.Constant) and isinstance(said.value, str):
        return (said.value,)
    known = COMPUTED.get((module, ast.unparse(said)))
    assert known is not None, f"{module}.py names a series with {ast.unparse(said)}: say in COMPUTED what that can be"
    return known


@pytest.mark.parametrize("kind", BUILT_IN)
def test_every_series_of_a_probe_has_an_entry(kind: str) -> None:
    """Whatever a probe's modules name has an entry of its own for that probe, or one for the probes of any kind."""
    mine = [entry for entry in ENTRIES if entry not in OTHER and (not entry.kinds or kind in entry.kinds)]
    without = [
        each
        for module in sorted(modules_of(kind))
        for each in named_in(module)
        if each.quantity not in NEVER_FULL and not any(covers(entry, each) for entry in mine)
    ]
    assert without == [], "write what to do about it in watchkeeper/manual/alerts/"


def covers(entry: RunbookEntry, series: Series) -> bool:
    """Is the entry about exactly this quantity?"""
    same = series.concern is None or entry.concern is series.concern
    return same and any(quantity == series.quantity for _, quantity in entry.about)


WITHOUT_SERIES = frozenset({"coverage", "changes", "directories"})
"""Probes that only list what is not observed, only record what changed, or bring only parts of other levels."""


@pytest.mark.parametrize("kind", BUILT_IN)
def test_every_probe_has_an_entry(kind: str) -> None:
    """A probe whose series come from elsewhere (a program's, a shared module's) is named by an entry as well.

    One that brings no series at all needs none.
    """
    if kind in WITHOUT_SERIES:
        named = [each for module in modules_of(kind) for each in named_in(module)]
        shared = [entry for entry in ENTRIES if not entry.kinds]
        assert not [n for n in named if n.quantity not in NEVER_FULL and not any(covers(each, n) for each in shared)]
    else:
        assert any(kind in entry.kinds for entry in ENTRIES)


@pytest.mark.parametrize("entry", ENTRIES, ids=lambda entry: entry.anchor)
def test_an_entry_names_what_its_probes_really_bring(entry: RunbookEntry) -> None:
    """Its kinds exist, and its exact subjects and quantities stand in their modules, letter for letter."""
    text = "".join(file_of(m).read_text(encoding="utf-8") for k in entry.kinds for m in modules_of(k))
    for subject, quantity in entry.about if entry.kinds else ():
        if "*" not in (subject, quantity):
            assert subject.rstrip("*") in text, subject
            quoted = f'"{quantity[:-1]}' if quantity.endswith("*") else f'"{quantity}"'
            assert quoted in text, quantity


@pytest.mark.parametrize(
    ("key", "concern"),
    [
        (group_alerts.GROUP, Concern.NOT_ANSWERING),
        (group_alerts.FLOOD, Concern.FAULTY),
        (group_alerts.DATABASE, Concern.FAULTY),
        (SeriesKey("probe zfs", "runs"), Concern.FAULTY),
        (SeriesKey("probe zfs", "runs"), Concern.NOT_REPORTING),
    ],
    ids=str,
)
def test_what_no_probe_brings_has_an_entry_too(key: SeriesKey, concern: Concern) -> None:
    """A group, a flood, the database, a probe that could not look or brings nothing."""
    assert runbook().find(concern, key) not in OTHER


@pytest.mark.parametrize("concern", Concern)
def test_there_is_always_something_to_look_at(concern: Concern) -> None:
    """Whatever another package's probe brings, and whatever its name is."""
    assert first_step(concern, SeriesKey("tide\ngauge", "water"), None)


@pytest.mark.parametrize("entry", ENTRIES, ids=lambda entry: entry.anchor)
def test_an_entry_says_everything(entry: RunbookEntry) -> None:
    """Each part is there, commands can be read by a shell, and what is said first is what a message says."""
    for said in (entry.means, entry.look, entry.helps, entry.avoid):
        assert said.endswith((".", "own.")), said
    for line in reference_alerts.commands(entry):
        assert shlex.split(line, comments=True), line
    text = reference_alerts.markdown()
    assert f"### {entry.title}\n" in text
    assert f"(#{entry.anchor})" in text


def test_entries_have_anchors_of_their_own() -> None:
    """No two entries are linked to by one name, which is the file's; and every file is in a chapter."""
    assert len({entry.anchor for entry in ENTRIES}) == len(ENTRIES)
    assert {file.stem for file in FOLDER.glob("*.md")} == {entry.anchor for entry in ENTRIES}


def test_no_line_holds_a_name_that_it_should_not() -> None:
    """A unit's name with a line break does not get into a command."""
    said = first_step(Concern.FAULTY, SeriesKey("unit tide\nlog", "state"), None)
    assert said.startswith("`systemctl status NAME`")


@pytest.mark.parametrize("part", reference.PARTS, ids=lambda part: part.file)
def test_the_manual_is_that_of_today(part: reference.Part) -> None:
    """Write it again with `python -m watchkeeper.cli.docsgen.reference`."""
    assert (reference.MANUAL / part.file).read_text(encoding="utf-8") == reference.text(part)


def test_the_manual_can_be_written(tmp_path: Path) -> None:
    """Every part, and nothing else."""
    reference.write(tmp_path)
    assert {each.name for each in tmp_path.iterdir()} == {part.file for part in reference.PARTS}


def test_the_manual_has_every_command() -> None:
    """Each with its heading."""
    text = reference.commands()
    assert [name for name in COMMANDS if f"## {name}\n" not in text] == []


def test_the_manual_has_every_path_of_the_api() -> None:
    """Each with its parameters."""
    text = (reference.MANUAL / "api.md").read_text(encoding="utf-8")
    for route in ROUTES:
        assert f"`{route.path}`" in text or f"## {route.path}\n" in text
        for parameter in route.parameters if route.of_api else ():
            assert f"`{parameter.name}`" in text


def test_the_manual_shows_a_message_of_every_kind() -> None:
    """Each telling and each concern has an example, and the test message one too."""
    shown = [message for *_, message in examples()]
    assert {message.kind for message in shown} == set(NotificationKind)
    assert {message.concern for message in shown} == set(Concern)
    assert any(message.test for message in shown)
    assert any(message.late for message in shown)


def test_the_counts_of_coverage_are_those_of_its_tables() -> None:
    """Each row is shown on real parts, with recorded output, or not seen; a row that is none of these is an error."""
    text = Path("watchkeeper/manual/coverage.md").read_text(encoding="utf-8")
    rows = [[cell.strip() for cell in line.strip("|").split(" | ")] for line in text.splitlines() if line[:2] == "| "]
    counted = Counter(_shown(row) for row in rows if row[0] != "fault")
    assert set(counted) == {"real", "recorded", "no"}
    assert (
        f"Of the {counted.total()} faults below, {counted['real']} are shown on real parts, {counted['recorded']} with "
        f"recorded output, and {counted['no']} are not seen."
    ) in text


def _shown(row: list[str]) -> str:
    """`real`, `recorded` or `no`; a part that only is real after a semicolon counts for the recorded rest."""
    _, seen_by, proven = row
    if seen_by.startswith(("no", "shown, not judged")):
        return "no"
    first = proven.partition(";")[0]
    return "real" if re.search(r"\breal\b", first) else re.split("[:,]", first)[0]
