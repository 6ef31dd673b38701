"""On which line of a TOML file a key stands.

No TOML library for Python tells; this walks text that `tomllib` has already accepted, so it need not judge.
"""

from __future__ import annotations

import re

KeyPath = tuple[str | int, ...]

_BARE = re.compile(r"[A-Za-z0-9_-]+")
_SPACE = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_STRING = re.compile(
    r'"""(?:\\.|[^\\])*?"{3,5}' r"|'''.*?'{3,5}" r'|"(?:\\.|[^"\\\n])*"' r"|'[^'\n]*'",
    re.DOTALL,
)
_PLAIN_VALUE = re.compile(r"[^,\]}\n#]*")


class _Walker:
    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.lines: dict[KeyPath, int] = {}
        self.counts: dict[KeyPath, int] = {}

    def line(self) -> int:
        return self.text.count("\n", 0, self.at) + 1

    def space(self) -> None:
        match = _SPACE.match(self.text, self.at)
        self.at = match.end() if match else self.at

    def key(self) -> list[str]:
        parts: list[str] = []
        while True:
            self.space()
            match = _STRING.match(self.text, self.at) or _BARE.match(self.text, self.at)
            if match is None:
                return parts
            self.at = match.end()
            parts.append(match.group().strip("\"'"))
            self.space()
            if self.text[self.at : self.at + 1] != ".":
                return parts
            self.at += 1

    def value(self, path: KeyPath) -> None:
        self.space()
        start = self.text[self.at : self.at + 1]
        if start == "[":
            self.array(path)
        elif start == "{":
            self.inline_table(path)
        else:
            match = _STRING.match(self.text, self.at) or _PLAIN_VALUE.match(self.text, self.at)
            self.at = match.end() if match else len(self.text)

    def array(self, path: KeyPath) -> None:
        self.at += 1
        index = 0
        while self.at < len(self.text):
            self.space()
            if self.text[self.at : self.at + 1] == "]":
                self.at += 1
                return
            if self.text[self.at : self.at + 1] == ",":
                self.at += 1
                continue
            self.lines[(*path, index)] = self.line()
            self.value((*path, index))
            index += 1

    def inline_table(self, path: KeyPath) -> None:
        self.at += 1
        while self.at < len(self.text):
            self.space()
            if self.text[self.at : self.at + 1] == "}":
                self.at += 1
                return
            if self.text[self.at : self.at + 1] == ",":
                self.at += 1
                continue
            self.key_and_value(path)

    def key_and_value(self, path: KeyPath) -> None:
        line = self.line()
        parts = self.key()
        if not parts:
            self.at += 1
            return
        whole: KeyPath = path
        for part in parts:
            whole = (*whole, part)
            self.lines.setdefault(whole, line)
        self.space()
        self.at += 1  # the equals sign
        self.value(whole)

    def header(self) -> KeyPath:
        line = self.line()
        entry = self.text.startswith("[[", self.at)
        self.at += 2 if entry else 1
        path: KeyPath = ()
        parts = self.key()
        for part in parts[:-1]:
            path = (*path, part)
            if path in self.counts:
                path = (*path, self.counts[path])
        path = (*path, *parts[-1:])
        if entry:
            self.lines.setdefault(path, line)
            self.counts[path] = self.counts.get(path, -1) + 1
            path = (*path, self.counts[path])
        self.lines.setdefault(path, line)
        self.space()
        self.at += 2 if entry else 1
        return path

    def walk(self) -> dict[KeyPath, int]:
        table: KeyPath = ()
        while True:
            self.space()
            if self.at >= len(self.text):
                return self.lines
            if self.text[self.at] == "[":
                table = self.header()
            else:
                self.key_and_value(table)


def key_lines(text: str) -> dict[KeyPath, int]:
    """Line (from 1) of every key, table and array entry in valid TOML; array entries count from 0."""
    return _Walker(text).walk()


def line_of(lines: dict[KeyPath, int], path: KeyPath) -> int | None:
    """Line of `path`, or of the nearest thing around it that has one.

    A single `[sound]` may stand where a list is read: then the entry's number is not in the text.
    """
    while path:
        unnumbered = tuple(part for part in path if isinstance(part, str))
        for candidate in (path, unnumbered):
            if candidate in lines:
                return lines[candidate]
        path = path[:-1]
    return None
