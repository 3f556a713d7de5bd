"""Calls a function in a child process with limits on time and memory: for parsers that trust their file."""

from __future__ import annotations

import multiprocessing
import os
import sys
from collections.abc import Callable
from multiprocessing.connection import Connection
from typing import Any, Final, TypeVar

A = TypeVar("A")
R = TypeVar("R")

SECONDS: Final = 120.0
"""An hour of 100 channels takes about 10 s."""
MEMORY_BYTES: Final = 2**30
"""The child's memory limit beyond what its libraries map at start."""


class ChildFailedError(Exception):
    """The function raised, exceeded its time or memory, or ended its process; the text says which."""


def call_in_child(function: Callable[[A], R], argument: A, seconds: float = SECONDS, memory: int = MEMORY_BYTES) -> R:
    """Return ``function(argument)``, both from the top level of a module; raises ChildFailedError.

    The memory limit holds where the system has one for a process (not on Windows).
    """
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe(duplex=False)
    child = context.Process(target=_run, args=(theirs, function, argument, memory), daemon=True)
    child.start()
    theirs.close()
    try:
        if not ours.poll(seconds):
            raise ChildFailedError(f"not read within {seconds:g} s")
        done, result = ours.recv()
    except EOFError:
        raise ChildFailedError("reading it ended the process that read it") from None
    finally:
        ours.close()
        child.kill()
        child.join()
    if not done:
        raise ChildFailedError(result)
    answer: R = result
    return answer


def _run(out: Connection, function: Callable[[Any], Any], argument: Any, memory: int) -> None:
    # a library's output about a damaged file is not our message
    silence = os.open(os.devnull, os.O_WRONLY)
    os.dup2(silence, 1)
    os.dup2(silence, 2)
    try:
        _limit(memory)
        result = function(argument)
    except MemoryError:
        out.send((False, f"needs more than {memory // 2**20} MB of memory"))
    except Exception as error:  # parsers raise anything on a damaged file
        out.send((False, " ".join(str(error).split())[:200] or type(error).__name__))
    else:
        out.send((True, result))
    out.close()
    os._exit(0)


def _limit(memory: int) -> None:
    if sys.platform != "win32":
        import resource

        resource.setrlimit(resource.RLIMIT_DATA, (memory, resource.getrlimit(resource.RLIMIT_DATA)[1]))
