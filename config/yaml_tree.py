"""YAML 1.2 text as plain mappings, lists and scalars, with the line of every key."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.error import MarkedYAMLError, YAMLError
from ruamel.yaml.nodes import MappingNode, Node, ScalarNode, SequenceNode

from config.problems import KeyPath, Place, Places, Problem

MOST_NODES = 1_000_000
DEEPEST = 30
_PLAIN_TAG = "tag:yaml.org,2002:"


@dataclass(slots=True)
class Tree:
    """What a text holds: `data` is None where nothing could be read. `problems` are those of the text itself."""

    data: Any
    places: Places
    problems: list[Problem] = field(default_factory=list)


def read_tree(text: str, name: str) -> Tree:
    """Read a text; never raises, what is wrong with the YAML stands in `problems`."""
    places = Places(name)
    tree = Tree(None, places)

    def whole(what: str, allowed: str = "", line: int = 0) -> Tree:
        tree.problems.append(Problem(Place(name, line), "", what, allowed))
        return tree

    if not text.strip():
        return whole("the file is empty", "begin with `schema: 1` and `site: NAME`; see the example file")
    if old := re.search(r"^%YAML[ \t]+1\.[01]\b", text, re.MULTILINE):
        line = text.count("\n", 0, old.start()) + 1
        return whole("the file asks for YAML 1.1", "take the %YAML line out; the file is read as YAML 1.2", line)
    try:
        root = YAML(typ="safe", pure=True).compose(text)
    except MarkedYAMLError as error:
        return whole(*_broken(text, error))
    except (YAMLError, RecursionError, ValueError) as error:
        deep = isinstance(error, RecursionError)
        line = text.count("\n", 0, getattr(error, "position", 0) or 0) + 1
        return whole("nested too deep" if deep else f"not readable as YAML: {_first_line(error)}", "", 0 if deep else line)
    if root is None:
        return whole("the file holds nothing but comments", "begin with `schema: 1` and `site: NAME`; see the example file")
    reader = _Reader(tree)
    tree.data = reader.value(root, ())
    if reader.nodes > MOST_NODES:
        tree.data = None
        tree.problems = []
        return whole("the file unfolds to more than a million values", "use fewer aliases (`*name`)")
    if not isinstance(tree.data, dict) and not tree.problems:
        return whole("the file is not a mapping of keys to values", "begin with `schema: 1` and `site: NAME`", 1)
    return tree


def _first_line(error: Exception) -> str:
    return str(error).strip().partition("\n")[0]


def _broken(text: str, error: MarkedYAMLError) -> tuple[str, str, int]:
    ended = "end" in str(error.problem) and "stream" in str(error.problem)
    mark = (error.context_mark if ended else None) or error.problem_mark or error.context_mark
    line = mark.line + 1 if mark else 0
    problem = " ".join(str(error.problem or error.context or "").split())
    if "expected a single document" in f"{error.context} {problem}":
        return "the file holds more than one document", "keep one site a file; take the `---` line out", line
    lines = text.splitlines()
    for number in range(min(line, len(lines)), max(line - 2, 0), -1):
        if re.match(r"\s*\t", lines[number - 1]):
            return "a tab stands in the indentation", "indent with spaces; YAML allows no tabs there", number
    context = " ".join(str(error.context or "").split())
    hint = "look at the indentation, the colons and the quotes of this line and the one before it"
    return f"broken YAML: {context + ': ' if context and context != problem else ''}{problem}", hint, line


class _Reader:
    """Makes plain values of nodes, notes places, collects problems."""

    def __init__(self, tree: Tree) -> None:
        self.tree = tree
        self.nodes = 0
        self.open: list[Node] = []

    def note(self, path: KeyPath, node: Node, what: str, allowed: str = "") -> None:
        place = Place(self.tree.places.file, node.start_mark.line + 1)
        where = self.tree.places.problem(path, what).path
        self.tree.problems.append(Problem(place, where, what, allowed))

    def value(self, node: Node, path: KeyPath) -> Any:
        self.nodes += 1
        if self.nodes > MOST_NODES:
            return None
        if any(node is above for above in self.open):
            self.note(path, node, "an alias contains itself", "write the value out")
            return None
        if len(path) > DEEPEST:
            self.note(path[:3], node, "nested too deep")
            return None
        if isinstance(node, ScalarNode):
            return self.scalar(node, path)
        self.open.append(node)
        try:
            if isinstance(node, MappingNode):
                return self.mapping(node, path)
            assert isinstance(node, SequenceNode)
            for index, item in enumerate(node.value):
                self.tree.places.known[(*path, index)] = Place(self.tree.places.file, item.start_mark.line + 1)
            return [self.value(item, (*path, index)) for index, item in enumerate(node.value)]
        finally:
            self.open.pop()

    def mapping(self, node: MappingNode, path: KeyPath) -> dict[str, Any]:
        own: dict[str, Any] = {}
        merged: dict[str, Any] = {}
        lines: dict[str, int] = {}
        for key_node, value_node in node.value:
            if not isinstance(key_node, ScalarNode):
                self.note(path, key_node, "a key is a list or a mapping", "keys are plain words")
                continue
            key, line = str(key_node.value), key_node.start_mark.line + 1
            if key == "<<" and not key_node.style:
                self.merge(value_node, path, merged)
                continue
            if key in lines:
                self.note((*path, key), key_node, f"the key {key!r} stands here twice (first in line {lines[key]})", "keep one")
                continue
            lines[key] = line
            self.tree.places.known[(*path, key)] = Place(self.tree.places.file, line)
            own[key] = self.value(value_node, (*path, key))
        return {**merged, **own}

    def merge(self, node: Node, path: KeyPath, into: dict[str, Any]) -> None:
        for part in node.value if isinstance(node, SequenceNode) else [node]:
            found = self.value(part, path)
            if isinstance(found, dict):
                into.update({key: value for key, value in found.items() if key not in into})
            else:
                self.note(path, part, "`<<` merges something that is no mapping", "name an anchor of a mapping: `<<: *name`")

    def scalar(self, node: ScalarNode, path: KeyPath) -> Any:
        tag = str(node.tag)
        text = str(node.value)
        kind = tag.removeprefix(_PLAIN_TAG)
        if kind == "null":
            return None
        if kind == "bool":
            return text.lower() == "true"
        if kind == "int":
            return _whole(text)
        if kind == "float":
            return float(text.replace("_", "").replace(".inf", "inf").replace(".Inf", "inf").replace(".nan", "nan"))
        if kind not in ("str", "timestamp"):
            self.note(path, node, f"the YAML tag {tag.replace(_PLAIN_TAG, '!!')!r} is not read", "take it out")
        return text


def _whole(text: str) -> int | str:
    try:
        return int(text.replace("_", ""), 0)
    except ValueError:
        return int(text.replace("_", "")) if text.lstrip("+-").isdigit() and len(text) < 400 else text
