"""What a module's source can say: so that no text of it is without a translation, whatever a test brings it to say."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

FIGURE = "7"
_WORDS = re.compile(r"\b[a-z]{2,}\b(?!-)")


def sayings(path: Path) -> set[str]:
    """The texts of two words or more, a figure in each field of an f-string; no documentation, no keys of findings."""
    return {text for text in _texts(path) if len(_WORDS.findall(text)) > 1}


def pieces(path: Path) -> set[str]:
    """The constant texts, those between the fields of an f-string each alone; no documentation."""
    tree = ast.parse(path.read_text())
    silent = _documents(tree)
    return {node.value for node in ast.walk(tree) if id(node) not in silent and _is_text(node)}


def _texts(path: Path) -> Iterator[str]:
    tree = ast.parse(path.read_text())
    silent = _documents(tree)
    for node in ast.walk(tree):
        if isinstance(node, ast.keyword) and node.arg == "key":
            silent.add(id(node.value))
        elif isinstance(node, ast.JoinedStr):
            silent |= {id(part) for part in node.values}
    for node in ast.walk(tree):
        if id(node) in silent:
            continue
        if isinstance(node, ast.JoinedStr):
            yield "".join(part.value if isinstance(part, ast.Constant) else FIGURE for part in node.values)
        elif _is_text(node):
            yield node.value


def _documents(tree: ast.AST) -> set[int]:
    return {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}


def _is_text(node: ast.AST) -> bool:
    return isinstance(node, ast.Constant) and isinstance(node.value, str)
