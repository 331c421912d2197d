"""The grammar of OpenMetrics 1.0, and the rules of its text that no grammar holds.

Source of the ABNF: draft-richih-opsawg-openmetrics-00, section 4.1.2, which is OpenMetrics 1.0.0. Rule `metric-type`
and the keywords are written with the case-sensitive strings of RFC 7405 instead of numbers.
"""

import re
from collections.abc import Callable
from itertools import groupby

from tests.support.abnf import Grammar

OPENMETRICS = Grammar("""
metric-descriptor = HASH SP %s"TYPE" SP metricname SP metric-type LF
metric-descriptor =/ HASH SP %s"HELP" SP metricname SP escaped-string LF
metric-descriptor =/ HASH SP %s"UNIT" SP metricname SP *metricname-char LF
last-line = HASH SP %s"EOF" [ LF ]
metric-type = %s"counter" / %s"gauge" / %s"histogram" / %s"gaugehistogram" / %s"stateset"
metric-type =/ %s"info" / %s"summary" / %s"unknown"
sample = metricname [labels] SP number [SP timestamp] [exemplar] LF
exemplar = SP HASH SP labels SP number [SP timestamp]
labels = "{" [label *(COMMA label)] "}"
label = label-name EQ DQUOTE escaped-string DQUOTE
number = realnumber
number =/ [SIGN] ("inf" / "infinity")
number =/ "nan"
timestamp = realnumber
realnumber = [SIGN] 1*DIGIT
realnumber =/ [SIGN] 1*DIGIT ["." *DIGIT] [ "e" [SIGN] 1*DIGIT ]
realnumber =/ [SIGN] *DIGIT "." 1*DIGIT [ "e" [SIGN] 1*DIGIT ]
EQ = "="
COMMA = ","
HASH = "#"
SIGN = "-" / "+"
metricname = metricname-initial-char 0*metricname-char
metricname-char = metricname-initial-char / DIGIT
metricname-initial-char = ALPHA / "_" / ":"
label-name = label-name-initial-char *label-name-char
label-name-char = label-name-initial-char / DIGIT
label-name-initial-char = ALPHA / "_"
escaped-string = *escaped-char
escaped-char = normal-char
escaped-char =/ BS ("n" / DQUOTE / BS)
escaped-char =/ BS normal-char
BS = %x5C
normal-char = %x00-09 / %x0B-21 / %x23-5B / %x5D-D7FF / %xE000-10FFFF
""")

Labels = tuple[tuple[str, str], ...]
TYPES = {"counter": "_total", "info": "_info"}


_SAMPLE = re.compile(r"(?P<name>[^{ ]+)(?:\{(?P<labels>.*)\})? (?P<number>\S+)")
_LABEL = re.compile(r'(?P<name>\w+)="(?P<value>(?:[^"\\]|\\.)*)"')
_ESCAPED = {"\\n": "\n", '\\"': '"', "\\\\": "\\"}


def parsed(text: str) -> dict[tuple[str, Labels], float]:
    """Every sample by its name and labels; the text is checked first, so that each line is one of the grammar."""
    check(text)
    found: dict[tuple[str, Labels], float] = {}
    for line in text.splitlines():
        if line.startswith("#"):
            continue
        sample = _SAMPLE.fullmatch(line)
        assert sample is not None, line
        labels = _LABEL.finditer(sample["labels"] or "")
        plain = sorted((each["name"], re.sub(r"\\.", _unescaped, each["value"])) for each in labels)
        found[sample["name"], tuple(plain)] = float(sample["number"])
    return found


def _unescaped(pair: re.Match[str]) -> str:
    return _ESCAPED[pair[0]]


def check(text: str) -> None:
    """Fail where a text is not an exposition: the grammar of each line, and what section 4 says in words."""
    assert text.isprintable() or "\r" not in text
    *lines, last = text.splitlines(keepends=True)
    assert OPENMETRICS.matches("last-line", last), last
    families = [(family, list(some)) for family, some in groupby(lines, _family_of(lines))]
    names = [family for family, _ in families]
    assert len(names) == len(set(names)), "families are interleaved"
    seen = set[str]()
    for family, some in families:
        _check_family(family, some)
        samples = {line.rpartition(" ")[0] for line in some if not line.startswith("#")}
        assert not samples & seen
        seen |= samples


def _family_of(lines: list[str]) -> Callable[[str], str]:
    families = {line.split(" ")[2] for line in lines if line.startswith("# TYPE ")}

    def family(line: str) -> str:
        name = line.split(" ")[2] if line.startswith("#") else line.partition(" ")[0].partition("{")[0]
        return name if name in families else name.rpartition("_")[0]

    return family


def _check_family(family: str, lines: list[str]) -> None:
    heads = [line for line in lines if line.startswith("#")]
    samples = lines[len(heads) :]
    for line in heads:
        assert OPENMETRICS.matches("metric-descriptor", line), line
    for line in samples:
        assert OPENMETRICS.matches("sample", line), line
    facts = {line.split(" ")[1]: line.rstrip("\n").split(" ", 3)[3] for line in heads}
    assert len(facts) == len(heads), f"{family}: a descriptor twice"
    unit = facts.get("UNIT", "")
    assert not unit or family.endswith(f"_{unit}"), f"{family} does not end with its unit {unit}"
    suffix = TYPES.get(facts["TYPE"], "")
    names = [line.partition(" ")[0].partition("{")[0] for line in samples]
    assert samples
    assert set(names) == {family + suffix}, names
    assert len({line.rpartition(" ")[0] for line in samples}) == len(samples), f"{family}: a sample twice"
