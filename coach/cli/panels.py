"""The groups of ``coach --help``: daily commands first, then maintenance."""

from __future__ import annotations

from typing import Final

BEFORE: Final = "Before driving"
DRIVING: Final = "While driving"
AFTER: Final = "After driving"
DATA: Final = "Your data"
CHECKING: Final = "Checking"
ORDER: Final = (BEFORE, DRIVING, AFTER, DATA, CHECKING)
