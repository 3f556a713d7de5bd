"""Applies the profile's pronunciations to whole words of a text."""

from __future__ import annotations

import re
from collections.abc import Mapping


def pronounce(text: str, overrides: Mapping[str, str]) -> str:
    """Return ``text`` with each key of ``overrides`` replaced where it stands as whole words, ignoring case.

    The longest matching key wins; replacements are not processed again.
    """
    keys = sorted((k for k in overrides if k.strip()), key=len, reverse=True)
    if not keys:
        return text
    pattern = re.compile(r"(?<!\w)(?:" + "|".join(re.escape(k) for k in keys) + r")(?!\w)", re.IGNORECASE)
    spoken = {k.casefold(): v for k, v in overrides.items()}
    return pattern.sub(lambda m: spoken[m.group(0).casefold()], text)
