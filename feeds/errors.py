"""Exceptions of feeds: faults of single datagrams, lines or frames are counted, never raised.

FeedError            anything a user can fix about a source
├── FeedOpenError    the port, file or device cannot be opened
└── FeedFormatError  the source opened, but is not what it claims to be
FeedEnded            not an error: the source has no more frames (end of a file, or the feed was closed)
"""

from __future__ import annotations


class FeedError(Exception):
    """A source is unusable; the message names the source, what was found and what is allowed."""


class FeedOpenError(FeedError):
    """A port, file or device cannot be opened."""


class FeedFormatError(FeedError):
    """A source is not in the format it claims."""


class FeedEnded(Exception):  # noqa: N818 - like StopIteration it signals an end, not an error
    """The source has no more frames."""
