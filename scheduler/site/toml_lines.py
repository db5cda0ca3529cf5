"""Which line of a TOML text each key stands on; the standard parser gives values without their lines.

The text must already have been accepted by ``tomllib``: then a small reader that only follows brackets,
quotes and keys is enough, and it need not judge anything.
"""

from __future__ import annotations

from dataclasses import dataclass, field

Path = tuple[str | int, ...]

_BARE_KEY = frozenset("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_")
_ESCAPES = {"b": "\b", "t": "\t", "n": "\n", "f": "\f", "r": "\r", '"': '"', "\\": "\\", "e": "\x1b"}


def toml_lines(text: str) -> dict[Path, int]:
    """Line numbers from 1 by path, such as ``("zone", 0, "line", 2, "bore")``; elements have paths too.

    A table's own path gives the line of its header, or of its first key when it has none.
    """
    reader = _Reader(text.replace("\r\n", "\n"))
    reader.document()
    return reader.lines


@dataclass(slots=True)
class _Reader:
    text: str
    at: int = 0
    line: int = 1
    lines: dict[Path, int] = field(default_factory=dict)
    # How many elements each array of tables has so far, by its path.
    elements: dict[Path, int] = field(default_factory=dict)

    def document(self) -> None:
        table: Path = ()
        while True:
            self._blank(newlines=True)
            if self.at >= len(self.text):
                return
            if self._peek() == "[":
                table = self._header()
            else:
                self._pair(table)

    # Characters

    def _peek(self, length: int = 1) -> str:
        return self.text[self.at : self.at + length]

    def _skip(self, length: int = 1) -> None:
        self.line += self.text.count("\n", self.at, self.at + length)
        self.at += length

    def _blank(self, *, newlines: bool) -> None:
        while (c := self._peek()) and (c in " \t" or c == "#" or (newlines and c in "\n\r")):
            if c == "#":
                end = self.text.find("\n", self.at)
                self.at = len(self.text) if end < 0 else end
            else:
                self._skip()

    # Keys and tables

    def _header(self) -> Path:
        line = self.line
        array = self._peek(2) == "[["
        self._skip(2 if array else 1)
        parts = self._dotted_key()
        self._blank(newlines=False)
        self._skip(2 if array else 1)
        path = self._resolved(parts[:-1], (), line)
        path = (*path, parts[-1])
        if array:
            self.lines.setdefault(path, line)
            index = self.elements.get(path, 0)
            self.elements[path] = index + 1
            path = (*path, index)
        self.lines[path] = line
        return path

    def _resolved(self, parts: tuple[str, ...], start: Path, line: int) -> Path:
        """The path of nested tables; a name of an array of tables means its last element so far."""
        path = start
        for part in parts:
            path = (*path, part)
            if path in self.elements:
                path = (*path, self.elements[path] - 1)
            self.lines.setdefault(path, line)
        return path

    def _pair(self, table: Path) -> None:
        line = self.line
        parts = self._dotted_key()
        self._blank(newlines=False)
        self._skip()  # =
        self._blank(newlines=False)
        path = (*self._resolved(parts[:-1], table, line), parts[-1])
        self.lines[path] = line
        self._value(path)

    def _dotted_key(self) -> tuple[str, ...]:
        parts: list[str] = []
        while True:
            self._blank(newlines=False)
            parts.append(self._simple_key())
            self._blank(newlines=False)
            if self._peek() != ".":
                return tuple(parts)
            self._skip()

    def _simple_key(self) -> str:
        if self._peek() in ('"', "'"):
            return self._string()
        start = self.at
        while self._peek() and self._peek() in _BARE_KEY:
            self._skip()
        if self.at == start:
            raise ValueError(f"no key on line {self.line}: the text is no TOML")
        return self.text[start : self.at]

    # Values

    def _value(self, path: Path) -> None:
        match self._peek():
            case '"' | "'":
                self._string()
            case "[":
                self._array(path)
            case "{":
                self._inline_table(path)
            case _:
                while (c := self._peek()) and c not in ",]}#\n":
                    self._skip()

    def _array(self, path: Path) -> None:
        self._skip()
        index = 0
        while True:
            self._blank(newlines=True)
            if self._peek() == "]":
                self._skip()
                return
            self.lines[(*path, index)] = self.line
            self._value((*path, index))
            index += 1
            self._blank(newlines=True)
            if self._peek() == ",":
                self._skip()

    def _inline_table(self, path: Path) -> None:
        self._skip()
        while True:
            self._blank(newlines=True)
            if self._peek() == "}":
                self._skip()
                return
            self._pair(path)
            self._blank(newlines=True)
            if self._peek() == ",":
                self._skip()

    def _string(self) -> str:
        quote = self._peek()
        if self._peek(3) == quote * 3:
            return self._long_string(quote * 3)
        self._skip()
        read: list[str] = []
        while (c := self._peek()) != quote:
            if not c:
                raise ValueError(f"a text is not closed on line {self.line}")
            if c == "\\" and quote == '"':
                read.append(self._escape())
            else:
                read.append(c)
                self._skip()
        self._skip()
        return "".join(read)

    def _escape(self) -> str:
        kind = self._peek(2)[1:]
        length = {"u": 4, "U": 8, "x": 2}.get(kind)
        if length is None:
            self._skip(2)
            return _ESCAPES.get(kind, kind)
        code = self.text[self.at + 2 : self.at + 2 + length]
        self._skip(2 + length)
        return chr(int(code, 16))

    def _long_string(self, quotes: str) -> str:
        """A text over several lines. Up to two quotes may stand right before the closing three."""
        start = self.at + 3
        self._skip(3)
        while self._peek(3) != quotes:
            if not self._peek():
                raise ValueError(f"a text is not closed on line {self.line}")
            self._skip(2 if self._peek() == "\\" and quotes[0] == '"' else 1)
        while self._peek(4) == quotes + quotes[0]:
            self._skip()
        end = self.at
        self._skip(3)
        return self.text[start:end]
