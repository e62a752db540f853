"""Runs the Structured Text of deploy/devices/capture.st: each line is turned into one line of Python and executed.

Knows the few statements that file keeps to (it says so at its top). Integers have the width of their type and wrap as on a
controller; LREAL is Python's float. Whatever is not understood raises, so that nothing is passed over.
"""

import math
import re
from collections.abc import Callable
from typing import Any

BITS = {"USINT": 8, "UINT": 16, "UDINT": 32, "ULINT": 64}
_OPENINGS = {"IF": "if {}:", "ELSIF": "elif {}:", "WHILE": "while {}:"}
_OPERATORS = {"AND": "and", "OR": "or", "NOT": "not", "MOD": "%", "TRUE": "True", "FALSE": "False"}
_LIBRARY: dict[str, Callable[..., Any]] = {
    "UDINT_TO_LREAL": float,
    "UDINT_TO_ULINT": int,
    "LREAL_TO_ULINT": lambda value: Whole(round(value)),
    "UDINT_TO_STRING": str,
    "ULINT_TO_STRING": str,
    "CONCAT": lambda one, other: one + other,
    "RIGHT": lambda text, length: text[-length:],
    "SQRT": math.sqrt,
    "MAX": max,
}


class Whole(int):
    """An integer of a controller: division drops the rest."""

    def __truediv__(self, other: int) -> "Whole":
        return Whole(self // other)


class Block:
    """An instance of a function block, or one call of a function: its variables as attributes."""

    kinds: dict[str, str]
    _run: Callable[[], None]

    def __init__(self, program: "Program", name: str) -> None:
        self.__dict__["kinds"] = {each: kind for each, kind, _ in program.variables[name]}
        self.__dict__["_run"] = lambda: exec(program.code[name], program.names, {"s": self})  # noqa: S102
        for each, kind, value in program.variables[name]:
            if kind.startswith("ARRAY"):
                self.__dict__[each] = [0] * 32
            elif kind in program.code:
                self.__dict__[each] = Block(program, kind)
            else:
                setattr(self, each, eval(value) if value else _ZERO.get(kind.partition("[")[0], Whole(0)))  # noqa: S307

    def __setattr__(self, name: str, value: Any) -> None:
        kind = self.kinds[name]  # KeyError: not declared
        if kind in BITS:
            assert isinstance(value, int)
            value = Whole(value % (1 << BITS[kind]))
        elif kind == "LREAL":
            assert isinstance(value, float), (name, value)
        elif kind.startswith("STRING"):
            assert len(value) <= int(kind[7:-1]), "a controller would cut this text"
        self.__dict__[name] = value

    def __call__(self, **inputs: Any) -> None:
        for name, value in inputs.items():
            setattr(self, name, value)
        self._run()


_ZERO: dict[str, Any] = {"BOOL": False, "LREAL": 0.0, "STRING": ""}


class Program:
    """The blocks and functions of one file."""

    def __init__(self, text: str) -> None:
        text = re.sub(r"\(\*.*?\*\)", "", text, flags=re.DOTALL)
        self.variables: dict[str, list[tuple[str, str, str]]] = {}
        self.code: dict[str, Any] = {}
        self.names: dict[str, Any] = dict(_LIBRARY)
        pattern = r"^(FUNCTION_BLOCK|FUNCTION) (\w+)(?: : (\S+))?\n(.*?)^END_\1$"
        found = re.findall(pattern, text, re.DOTALL | re.MULTILINE)
        for what, name, gives, content in found:
            self._declare(name, gives, content)
            if what == "FUNCTION":
                self.names[name] = self._function(name)
        for _what, name, _gives, content in found:
            self.code[name] = compile(self._python(name, content), name, "exec")

    def make(self, name: str) -> Any:
        """A new instance of a function block."""
        return Block(self, name)

    def _function(self, name: str) -> Callable[..., Any]:
        def call(**inputs: Any) -> Any:
            block = Block(self, name)
            block(**inputs)
            return getattr(block, name)

        return call

    def _declare(self, name: str, gives: str, content: str) -> None:
        sections = re.findall(r"^VAR\w*(?: RETAIN)?\n(.*?)^END_VAR$", content, re.DOTALL | re.MULTILINE)
        lines = [line.strip() for section in sections for line in section.splitlines() if line.strip()]
        found = [re.fullmatch(r"(\w+) : (.+?)(?: := (.+))?;", line) for line in lines]
        self.variables[name] = [(each[1], each[2], each[3] or "") for each in found if each is not None]
        assert len(self.variables[name]) == len(lines), "a declaration was not understood"
        if gives:
            self.variables[name].append((name, gives, ""))

    def _python(self, name: str, content: str) -> str:
        body = re.sub(r"^VAR.*?^END_VAR$", "", content, flags=re.DOTALL | re.MULTILINE)
        known = {each for each, _, _ in self.variables[name]}
        depth, lines = 0, []
        for line in filter(None, map(str.strip, body.splitlines())):
            first = line.split(maxsplit=1)[0].rstrip(";")
            if first in {"END_IF", "END_WHILE"}:
                depth -= 1
            elif first in _OPENINGS or first == "ELSE":
                depth -= first in {"ELSIF", "ELSE"}
                condition = re.sub(r"^\w+ (.*) (?:THEN|DO)$", r"\1", line)
                said = _OPENINGS[first].format(_expression(condition, known)) if first != "ELSE" else "else:"
                lines.append("    " * depth + said)
                depth += 1
            else:
                lines.append("    " * depth + _statement(line, known))
        assert depth == 0
        return "\n".join(lines)


def _statement(line: str, known: set[str]) -> str:
    assert line.endswith(";"), line
    if assigned := re.fullmatch(r"(\w+) := (.*);", line):
        assert assigned[1] in known, line
        return f"s.{assigned[1]} = {_expression(assigned[2], known)}"
    assert re.fullmatch(r"\w+\(.*\);", line), line
    return _expression(line[:-1], known)


def _expression(text: str, known: set[str]) -> str:
    parts = re.split(r"('[^']*')", text)
    return "".join(part if n % 2 else _outside_strings(part, known) for n, part in enumerate(parts))


def _outside_strings(text: str, known: set[str]) -> str:
    text = re.sub(r"16#([0-9A-F_]+)", r"0x\1", text)
    text = re.sub(r"(?<![:<>])=", "==", text).replace("<>", "!=")
    text = re.sub(r"(\w+) :=", r"\1 =", text)

    def word(found: re.Match[str]) -> str:
        name = found[0]
        is_argument = re.match(r" =(?!=)", found.string[found.end() :]) is not None
        return f"s.{name}" if name in known and not is_argument else _OPERATORS.get(name, name)

    return re.sub(r"(?<![\w.])[A-Za-z_]\w*", word, text)
