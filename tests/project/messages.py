"""Every message that the program can say, by its syntax trees: `python tests/project/messages.py`.

A message is a literal of several words outside docstrings and defaults of machine interfaces; the
fields of an f-string are shown as ``{name}``. Texts that stand side by side are one message.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

TOP = Path(__file__).resolve().parents[2]


@dataclass(frozen=True)
class Message:
    """One text, and where it stands."""

    file: str
    line: int
    text: str


def messages() -> list[Message]:
    """All messages of the program, by file and line."""
    return [
        message
        for folder in ("meas", "fit", "cli")
        for file in sorted((TOP / folder).rglob("*.py"))
        for message in _of_file(file)
    ]


def _of_file(file: Path) -> Iterator[Message]:
    tree = ast.parse(file.read_text(encoding="utf-8"))
    where = file.relative_to(TOP).as_posix()
    for node in _spoken(tree):
        text = _text(node)
        if _is_message(text):
            yield Message(where, node.lineno, text)


def _spoken(node: ast.AST) -> Iterator[ast.expr]:
    """The outermost texts below a node; a bare expression statement is a docstring."""
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.Expr) and isinstance(child.value, ast.Constant):
            continue
        if isinstance(child, ast.JoinedStr) or _is_text(child) or _is_sum(child):
            assert isinstance(child, ast.expr)
            yield child
            yield from _within(child)
        else:
            yield from _spoken(child)


def _within(text: ast.expr) -> Iterator[ast.expr]:
    """Texts inside the fields of a text."""
    for node in ast.walk(text):
        if isinstance(node, ast.FormattedValue):
            yield from _spoken(ast.Module([ast.Return(node.value)], []))


def _is_text(node: ast.AST) -> bool:
    return isinstance(node, ast.Constant) and isinstance(node.value, str)


def _is_sum(node: ast.AST) -> bool:
    """Texts joined by a plus."""
    if not (isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add)):
        return False
    return any(isinstance(s, ast.JoinedStr) or _is_text(s) or _is_sum(s)
               for s in (node.left, node.right))  # fmt: skip


def _text(node: ast.expr) -> str:
    if isinstance(node, ast.Constant):
        return str(node.value)
    if isinstance(node, ast.JoinedStr):
        return "".join(_text(part) for part in node.values)
    if isinstance(node, ast.BinOp):
        return _text(node.left) + _text(node.right)
    names = [n for n in ast.walk(node) if isinstance(n, ast.Name | ast.Attribute)]
    last = names[0] if names else None
    name = last.attr if isinstance(last, ast.Attribute) else last.id if last else "text"
    return f"{{{name}}}"


def _is_message(text: str) -> bool:
    """Three words of letters or more, and not something that only a machine reads."""
    words = re.findall(r"(?<![\w{<-])[A-Za-z][a-z']+(?![\w}=(])", text)
    machine = re.search(r"^\s*[<#\[.]|\\|</|\(\?|=\"|: \{|[{;]\n|^import ", text)
    return len(words) >= 3 and machine is None


if __name__ == "__main__":
    for one in messages():
        print(f"{one.file}:{one.line}: {' '.join(one.text.split())}")
