"""Lines of the keys of a TOML file.

The standard library reads TOML but does not report line numbers. This scanner reads a text that the library has
already accepted, so that it need not check anything.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping

KeyPath = tuple[str | int, ...]
"""Keys and, in lists, positions from 0: ("source", 1, "name")."""

_TOKEN = re.compile(
    r'''(?P<string>"""(?:\\.|[^\\])*?"{3,5}|\'\'\'.*?'{3,5}|"(?:\\.|[^"\\\n])*"|'[^'\n]*')'''
    r"""|(?P<comment>\#[^\n]*)|(?P<mark>[\[\]{},=.])|(?P<bare>[^\s\[\]{},=.#"']+)""",
    re.DOTALL,
)
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")


def key_lines(text: str) -> dict[KeyPath, int]:
    """Line, from 1, of every key, table and list entry of a valid TOML text."""
    scanner = _Scanner(text)
    scanner.document()
    return scanner.lines


def line_of(lines: Mapping[KeyPath, int], path: KeyPath) -> int | None:
    """Line of a key path, or of the innermost table around it that has one."""
    for length in range(len(path), 0, -1):
        if path[:length] in lines:
            return lines[path[:length]]
    return None


def path_text(path: KeyPath) -> str:
    """A path as text, such as source[1].name; keys that need quotes in TOML are quoted."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part}]"
        else:
            key = part if _BARE_KEY.fullmatch(part) else f'"{part}"'
            text += f".{key}" if text else key
    return text


class _Scanner:
    """One pass over the tokens. `lines` maps each path to the first line on which it occurs."""

    def __init__(self, text: str) -> None:
        self.lines: dict[KeyPath, int] = {}
        self.tokens: list[tuple[str, str, int]] = []
        self.position = 0
        line, end = 1, 0
        for match in _TOKEN.finditer(text):
            line += text.count("\n", end, match.start())
            end = match.start()
            if match.lastgroup != "comment":
                self.tokens.append((str(match.lastgroup), match.group(), line))
        self.tokens.append(("end", "", 0))

    def document(self) -> None:
        table: KeyPath = ()
        entries: dict[KeyPath, int] = {}
        while self.peek()[0] != "end":
            if self.accept("["):
                table = self.header(self.accept("["), entries)
            else:
                self.statement(table)

    def header(self, is_list: bool, entries: dict[KeyPath, int]) -> KeyPath:
        line = self.peek()[2]
        keys = self.key()
        path: KeyPath = ()
        for i, key in enumerate(keys):
            path = (*path, key)
            self.lines.setdefault(path, line)
            if is_list and i == len(keys) - 1:
                entries[path] = entries.get(path, -1) + 1
            if path in entries:
                path = (*path, entries[path])
                self.lines.setdefault(path, line)
        while self.accept("]"):
            pass
        return path

    def statement(self, table: KeyPath) -> None:
        line = self.peek()[2]
        path = table
        for key in self.key():
            path = (*path, key)
            self.lines.setdefault(path, line)
        self.accept("=")
        self.value(path)

    def value(self, path: KeyPath) -> None:
        line = self.peek()[2]
        self.lines.setdefault(path, line)
        if self.accept("["):
            index = 0
            while not self.accept("]"):
                if self.accept(","):
                    index += 1
                else:
                    self.value((*path, index))
        elif self.accept("{"):
            while not self.accept("}"):
                if not self.accept(","):
                    self.statement(path)
        elif self.peek()[0] == "string":
            self.position += 1
        else:
            # Numbers and dates are several tokens on one line: 1.5, 2026-05-01 19:30:00.
            while self.peek()[2] == line and (self.peek()[0] == "bare" or self.peek()[1] == "."):
                self.position += 1

    def key(self) -> list[str]:
        keys = []
        while True:
            kind, token, _ = self.peek()
            self.position += 1
            keys.append(tomllib.loads(f"key = {token}")["key"] if kind == "string" else token)
            if not self.accept("."):
                return keys

    def peek(self) -> tuple[str, str, int]:
        return self.tokens[self.position]

    def accept(self, mark: str) -> bool:
        is_next = self.peek()[:2] == ("mark", mark)
        self.position += is_next
        return is_next
