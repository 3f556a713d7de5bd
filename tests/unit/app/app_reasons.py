"""The reasons for holding a cue back, read from the core's own source."""

from __future__ import annotations

import ast
from pathlib import Path

CORE = Path(__file__).parents[3] / "coach" / "core"
FILES = ("arbiter", "candidates", "driving", "limits", "pipeline", "schedule", "talker")
HOLDING = {"hold", "_hold_correction", "_hold_faded", "limit", "one_a_topic", "consider", "_enough", "_spent"}
CALLS = {"hush", "Verdict", "Asked", "held", "drop_all"}


def reasons_in_the_code() -> set[str]:
    """Texts that are returned by, assigned to ``reason`` or ``hold`` in, or passed to the functions that hold back."""
    found: set[str] = set()

    def texts(node: ast.AST | None) -> set[str]:
        if node is None:
            return set()
        if isinstance(node, ast.IfExp):
            return texts(node.body) | texts(node.orelse)
        return {node.value} if isinstance(node, ast.Constant) and isinstance(node.value, str) else set()

    for name in FILES:
        for node in ast.walk(ast.parse((CORE / f"{name}.py").read_text(encoding="utf-8"))):
            if isinstance(node, ast.FunctionDef) and node.name in HOLDING:
                for inner in ast.walk(node):
                    if isinstance(inner, ast.Return):
                        found |= texts(inner.value)
            if isinstance(node, ast.Assign) and any(ast.unparse(t) in ("reason", "hold") for t in node.targets):
                found |= texts(node.value)
            if isinstance(node, ast.Call) and ast.unparse(node.func).rpartition(".")[2] in CALLS:
                for argument in node.args:
                    found |= texts(argument)
    return {reason for reason in found if reason}
