"""Applies an edit of the tree to the user's text, line by line.

A YAML emitter formats the whole file in its own way: spacing in lists, indents, blank lines. So the module emits the
original and the edited tree, and transfers only lines that differ. The caller parses the result and compares it with
the edited tree, so a mistake here cannot reach the disk.
"""

from __future__ import annotations

from difflib import SequenceMatcher

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


def splice(original: str, before: str, after: str) -> str:
    """Return ``original`` with the change from ``before`` to ``after``; comment lines are never lost."""
    eol = "\r\n" if "\r\n" in original else "\n"
    source = original.split("\n")
    old, new = before.split("\n"), after.split("\n")
    own = _owned(source, old)
    out: list[str] = []
    for op, a0, a1, b0, b1 in SequenceMatcher(None, old, new, autojunk=False).get_opcodes():
        kept = [line for lines in own[a0:a1] for line in lines]
        if op == "equal":
            out += kept
            continue
        fresh = [line + eol[:-1] for line in new[b0:b1]]
        if op == "insert":
            at = len(out)
            while at and _is_remark(out[at - 1]):  # a comment belongs to the line below it
                at -= 1
            out[at:at] = fresh
            continue
        stays = {line.strip() for line in fresh}
        out += fresh
        out += [line for line in kept if line.lstrip().startswith("#") and line.strip() not in stays]
    return "\n".join(out)


def _owned(source: list[str], old: list[str]) -> list[list[str]]:
    """Return the source lines of each emitted line."""
    own: list[list[str]] = [[] for _ in old]
    matcher = SequenceMatcher(None, [s.rstrip() for s in source], [s.rstrip() for s in old], autojunk=False)
    for op, s0, s1, a0, a1 in matcher.get_opcodes():
        if op == "delete":
            own[max(a0 - 1, 0)] += source[s0:s1]
        elif s1 - s0 == a1 - a0:
            for k in range(s1 - s0):
                own[a0 + k].append(source[s0 + k])
        elif op == "replace":
            own[a0] += source[s0:s1]
    return own


def _is_remark(line: str) -> bool:
    body = line.strip()
    return not body or body.startswith("#")
