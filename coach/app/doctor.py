"""All checks of ``coach doctor``, run independently: a failing check does not hide the next."""

from __future__ import annotations

import tempfile

from coach.app.paths import sessions_folder
from coach.app.sources import FeedSource
from coach.errors import CoachError
from coach.outputs.checks import Check, check_device, check_display, check_voice
from coach.profile.store import load_plan
from feeds.errors import FeedError


def check_all(host: str, port: int, profile: str) -> list[tuple[str, Check]]:
    """Return the name and result of each check."""
    return [
        ("voice", check_voice()),
        ("sound device", check_device()),
        ("display", check_display()),
        ("feed port", _port(host, port)),
        ("profile", _profile(profile)),
        ("sessions", _sessions()),
    ]


def _port(host: str, port: int) -> Check:
    try:
        with FeedSource("udp", {"host": host, "port": port}).open():
            return Check(True, f"udp {host}:{port} is free to listen on", "")
    except FeedError as error:
        return Check(False, str(error), "close the program that uses the port, or drive with another --port")


def _profile(profile: str) -> Check:
    try:
        plan = load_plan(profile)
    except CoachError as error:
        return Check(False, str(error), "fix the file at the line named, or choose another --profile")
    return Check(True, f"{plan.circuit}: {plan.reference.length_m:.0f} m, {len(plan.corners)} corners", "")


def _sessions() -> Check:
    folder = sessions_folder()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            pass
    except OSError as error:
        return Check(False, f"{folder}: {error.strerror}", "make the folder writable, or drive with --record FOLDER")
    return Check(True, f"sessions go to {folder}", "")
