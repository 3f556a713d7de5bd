"""What a feed may raise, and only before its loop starts: once frames flow, faults are counted, never raised.

FeedError            anything a person can mend about a source
├── FeedOpenError    the port, file or device can not be opened
└── FeedFormatError  the source opened, but is not what it claims to be
"""

from __future__ import annotations


class FeedError(Exception):
    """A source can not be used; the message names the source, what was found and what is allowed."""


class FeedOpenError(FeedError):
    """A port, file or device can not be opened."""


class FeedFormatError(FeedError):
    """A source is not in the format it claims."""
