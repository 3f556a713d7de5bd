"""Removes a list entry with the comment above it from a YAML text, and nothing else."""

from __future__ import annotations

from ruamel.yaml.comments import CommentedMap, CommentedSeq

from coach.profile.yaml_tree import plain, read_tree, write_tree


def without_entry(text: str, key: str, index: int) -> str:
    """Return ``text`` without entry ``index`` of the list under the top-level ``key``; every other line stays as it is.

    A comment belongs to the line below it. A list that cannot be cut by lines is rewritten. ``text`` is valid YAML with
    such an entry.
    """
    mark = "\ufeff" if text.startswith("\ufeff") else ""
    tree = _read(text.removeprefix(mark))
    entries = tree[key]
    wanted = plain(tree)
    del wanted[key][index]
    lines = text.split("\n")
    first = _begins(lines, entries, index)
    last = _begins(lines, entries, index + 1) if index + 1 < len(entries) else _ends(lines, entries, index)
    cut = "\n".join(lines[:first] + lines[last:])
    again = read_tree(cut.removeprefix(mark), "")
    if isinstance(again, CommentedMap) and plain(again) == wanted:
        return cut
    del entries[index]
    return mark + write_tree(tree, text)


def _read(text: str) -> CommentedMap:
    tree = read_tree(text, "")
    if not isinstance(tree, CommentedMap):
        raise ValueError(f"not a YAML map: {tree}")
    return tree


def _begins(lines: list[str], entries: CommentedSeq, index: int) -> int:
    """Return the first line of an entry, including the comments above it."""
    at = int(entries.lc.item(index)[0])
    if at and lines[at - 1].strip() == "-":
        at -= 1
    while at and lines[at - 1].lstrip().startswith("#"):
        at -= 1
    return at


def _ends(lines: list[str], entries: CommentedSeq, index: int) -> int:
    """Return the line after the last entry: unindented comments and blank lines at the end stay."""
    at = int(entries.lc.item(index)[0])
    column = _indent(lines[at])
    end = at + 1
    for k in range(at + 1, len(lines)):
        if not lines[k].strip():
            continue
        if _indent(lines[k]) <= column:
            break
        end = k + 1
    return end


def _indent(line: str) -> int:
    return len(line) - len(line.lstrip(" "))
