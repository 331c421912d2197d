"""Grammars in ABNF (RFC 5234 with RFC 7405) as regular expressions: a standard's own grammar checks what is written.

Only rules that do not refer to themselves: each is inlined. Core rules are those of RFC 5234, appendix B.1.
"""

import re

CORE = """
ALPHA = %x41-5A / %x61-7A
DIGIT = %x30-39
DQUOTE = %x22
LF = %x0A
SP = %x20
"""

_RULE = re.compile(r"^([A-Za-z][A-Za-z0-9-]*)\s*(=/|=)\s*(.*)$")
_TOKEN = re.compile(
    r"""\s*(?:(?P<string>"[^"]*")|(?P<exact>%s"[^"]*")|(?P<number>%[xd][0-9A-Fa-f.-]+)"""
    r"""|(?P<repeat>\d*\*\d*|\d+)|(?P<name>[A-Za-z][A-Za-z0-9-]*)|(?P<mark>[()\[\]/]))"""
)


class Grammar:
    """The rules of a grammar. text: a rule begins at the start of a line, and lines that continue it are indented."""

    def __init__(self, text: str) -> None:
        self._rules: dict[str, str] = {}
        for name, more, definition in _rules(CORE + text):
            known = self._rules.get(name.lower())
            self._rules[name.lower()] = f"{known} / {definition}" if known is not None and more == "=/" else definition
        self._made: dict[str, str] = {}

    def expression(self, rule: str) -> str:
        """The regular expression of a rule. Raises KeyError for an unknown one."""
        name = rule.lower()
        if name not in self._made:
            self._made[name] = _Parser(self._rules[name], self).alternation()
        return self._made[name]

    def matches(self, rule: str, text: str) -> bool:
        """Is the whole text an instance of the rule?"""
        return re.fullmatch(self.expression(rule), text, re.DOTALL) is not None


def _rules(text: str) -> list[tuple[str, str, str]]:
    lines: list[str] = []
    for line in text.splitlines():
        plain = line.split(";")[0].rstrip()
        if plain[:1].isspace() and lines:
            lines[-1] += plain
        elif plain:
            lines.append(plain)
    found = [_RULE.match(line) for line in lines]
    assert all(found), lines
    return [(each[1], each[2], each[3]) for each in found if each]


class _Parser:
    def __init__(self, text: str, grammar: Grammar) -> None:
        self._tokens: list[tuple[str, str]] = []
        place = 0
        while place < len(text.rstrip()):
            found = _TOKEN.match(text, place)
            assert found, text[place:]
            place = found.end()
            self._tokens.append((str(found.lastgroup), found[str(found.lastgroup)]))
        self._grammar = grammar

    def alternation(self) -> str:
        parts = [self._concatenation()]
        while self._take("/"):
            parts.append(self._concatenation())
        return parts[0] if len(parts) == 1 else f"(?:{'|'.join(parts)})"

    def _concatenation(self) -> str:
        out = ""
        while self._tokens and self._tokens[0][1] not in {"/", ")", "]"}:
            out += self._repetition()
        return out

    def _repetition(self) -> str:
        times = ""
        if self._tokens[0][0] == "repeat":
            least, star, most = self._tokens.pop(0)[1].partition("*")
            times = f"{{{least or 0},{most}}}" if star else f"{{{least}}}"
        return f"(?:{self._element()}){times}" if times else self._element()

    def _element(self) -> str:
        kind, text = self._tokens.pop(0)
        if kind == "name":
            return f"(?:{self._grammar.expression(text)})"
        if kind == "string":
            return f"(?i:{re.escape(text[1:-1])})"
        if kind == "exact":
            return re.escape(text[3:-1])
        if kind == "number":
            return _number(text)
        inner = self.alternation()
        assert self._take(")" if text == "(" else "]"), text
        return f"(?:{inner})?" if text == "[" else f"(?:{inner})"

    def _take(self, mark: str) -> bool:
        if self._tokens and self._tokens[0][1] == mark:
            self._tokens.pop(0)
            return True
        return False


def _number(text: str) -> str:
    base = 16 if text[1] == "x" else 10
    if "-" in text:
        first, last = (int(each, base) for each in text[2:].split("-"))
        return f"[{re.escape(chr(first))}-{re.escape(chr(last))}]"
    return "".join(re.escape(chr(int(each, base))) for each in text[2:].split("."))
