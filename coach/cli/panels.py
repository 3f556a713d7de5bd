"""The groups of ``coach --help``: the driver's day, then what keeps it going."""

from __future__ import annotations

from typing import Final

BEFORE: Final = "Before driving"
DRIVING: Final = "While driving"
AFTER: Final = "After driving"
DATA: Final = "Your data"
CHECKING: Final = "Checking"
ORDER: Final = (BEFORE, DRIVING, AFTER, DATA, CHECKING)
