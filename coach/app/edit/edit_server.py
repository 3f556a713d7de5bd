"""Assembles ``coach edit``: the desk, the page, the server and access control."""

from __future__ import annotations

import errno
import io
import math
import socket
import wave
from collections.abc import Callable
from dataclasses import replace
from ipaddress import ip_address
from pathlib import Path
from typing import Final

from coach.app.edit.editing import ProfileDesk
from coach.app.guide.guiding import guide_view
from coach.app.replay.timeline import sentence
from coach.app.review.debrief import debrief
from coach.app.review.debrief_page import debrief_view
from coach.app.review.lap_traces import lap_traces
from coach.errors import CoachError
from coach.outputs.voice.bank import PhraseBank
from coach.outputs.voice.sound import RATE_HZ
from coach.pages.debrief import debrief_html
from coach.pages.editor.desk import CueListRow
from coach.pages.editor.words import GAP_M, MORE_APEXES, PLACES, in_words, label_of, plain
from coach.pages.guide import guide_html
from coach.pages.traces import Traces
from coach.profile.models import known_mutes
from coach.profile.problems import Problem
from coach.profile.rule_files import rule_paths
from coach.profile.store import Plan

SESSION_RULES: Final = ""
ANY: Final = ("0.0.0.0", "::")
"""Hosts that stand for every address of this machine."""


class EditError(CoachError):
    """The page cannot be served at that address."""


class EditorDesk(ProfileDesk):
    """The desk as the page needs it."""

    def __init__(self, profile: str | Path, session: Path | None, rules: str | None) -> None:
        self._runs = 0
        super().__init__(profile, session, rules)
        self._own_rules = self.setup.rules if self.setup is not None else None
        self._bank: PhraseBank | None = None

    @property
    def file_name(self) -> str:
        """The file's path as text."""
        return str(self.path)

    @property
    def has_session(self) -> bool:
        """Whether there is a session to try the cues on."""
        return self.setup is not None

    @property
    def ran(self) -> tuple[int, float]:
        """Number of reruns of the session, and duration of the last one [s]."""
        return self._runs, self.took_s

    @property
    def rule_sets(self) -> dict[str, str]:
        """Available rule sets."""
        return {SESSION_RULES: "as in the session", **{name: plain(name) for name in rule_paths()}}

    @property
    def mutes(self) -> list[str]:
        """Everything a corner may mute."""
        own = {rule.name for rule in self._own_rules.rules} if self._own_rules is not None else set()
        used = {str(m) for c in self.file.tree["corners"] for m in c.get("mute") or ()}
        return sorted(known_mutes() | own | used)

    def use_rules(self, rules: str | Path) -> None:
        """Try other cue rules, or return to the session's."""
        if rules:
            super().use_rules(rules)
        elif self.setup is not None and self._own_rules is not None:
            self.setup = replace(self.setup, rules=self._own_rules)

    def rerun(self) -> None:
        """Run the session again, and count it."""
        super().rerun()
        self._runs += 1

    def problem_lines(self) -> list[str]:
        """Return all problems, each with the label of its field, without the file's path."""
        return [self._problem_line(p) for p in self.problems]

    def _problem_line(self, problem: Problem) -> str:
        match problem.loc:
            case ("corners", int(corner), *path) if path:
                return f"{self.names[corner]}, {label_of(path)}: {in_words(problem.text)}"
        return in_words(problem.problem)

    def room_of(self, corner: int, field: str) -> tuple[float, float]:
        """Return how far a point of a corner may move before it meets its neighbours, or the latest brake point [m]."""
        one = self.corners[corner]
        places = {name: float(value) for name in PLACES if (value := getattr(one, name)) == value}
        places |= {f"{MORE_APEXES}.{i}": place for i, place in enumerate(one.more_apexes_m)}
        apexes = sorted((n for n in places if n == "apex_m" or n.startswith(MORE_APEXES)), key=lambda n: places[n])
        order = [n for name in PLACES if name in places for n in (apexes if name == "apex_m" else (name,))]
        at = order.index(field)
        low = places[order[at - 1]] + GAP_M if at else -math.inf
        high = places[order[at + 1]] - GAP_M if at + 1 < len(order) else math.inf
        latest = self.corners[corner].latest_brake_m
        if field == "brake_m" and latest == latest:
            high = min(high, latest)
        # points that are already closer keep their place instead of jumping
        return min(low, places[field]), max(high, places[field])

    @property
    def rules_name(self) -> str:
        """The name of the cue rules in use."""
        return self.setup.rules.name if self.setup is not None else ""

    def cue_rows(self) -> list[CueListRow]:
        """Return the session's cues for the list."""
        return [
            CueListRow(i, r.decision.lap, r.decision.s_m, r.decision.corner, r.decision.text,
                   "gone" if r.mark == "gone" else r.decision.outcome, r.decision.reason, r.decision.family, r.mark,
                   r.was, sentence(r.decision))
            for i, r in enumerate(self.rows())
        ]  # fmt: skip

    def traces(self) -> Traces | None:
        """Return the session's laps."""
        return lap_traces(self.result, self.reference) if self.result is not None else None

    def sound(self, text: str) -> tuple[bytes, str]:
        """Return a WAV file that says ``text``, or b"" and the reason."""
        if self._bank is None:
            self._bank = PhraseBank(pronunciations=dict(self.file.model.pronounce))
        self._bank.prepare([text])
        clip = self._bank.clip(text)
        if clip is None:
            return b"", self._bank.problem or "no voice on this machine"
        out = io.BytesIO()
        with wave.open(out, "wb") as wav:
            wav.setnchannels(1)
            wav.setsampwidth(2)
            wav.setframerate(RATE_HZ)
            wav.writeframes(clip)
        return out.getvalue(), ""

    def debrief_page(self) -> str:
        """Return the debrief of the session under the current profile."""
        if self.result is None or self.setup is None:
            raise EditError("no session was given: coach edit PROFILE --session FOLDER")
        done = debrief(self.result, self.setup, self.marks)
        name = self.session.name if self.session is not None else ""
        return debrief_html(debrief_view(done, self.result, self.setup, self.result.events.decisions, name, self.marks))

    def guide_page(self) -> str:
        """Return the guide from the current profile."""
        model = self.file.model
        return guide_html(
            guide_view(
                Plan(self.path, "", model.circuit, self.reference, self.corners, dict(model.pronounce)),
                marks=self.marks,
            )
        )


def serve(desk: EditorDesk, host: str, port: int, show: bool, notice: Callable[[str], object]) -> None:
    """Serve the page until Ctrl-C; raise EditError if the address is unusable."""
    from nicegui import app, ui
    from starlette.responses import HTMLResponse

    from coach.pages.editor.gate import AccessGate, Passes
    from coach.pages.editor.page import EditorPage
    from coach.pages.editor.shared import SharedDesk

    port = free_port(host, port)
    local = _is_loopback(host)
    reached = own_address(host) if host in ANY else host
    shown = f"[{reached}]" if ":" in reached else reached
    address = f"http://{shown}:{port}/"
    passes = None
    if not local:
        passes = Passes(lambda token: notice(f"on one other device, open {address}?token={token}"))
        passes.renew()
    app.add_middleware(AccessGate, passes=passes, names=() if host in ANY else (host,))
    shared = SharedDesk(desk)

    @ui.page("/", title="coach: profile")
    def editor() -> None:
        EditorPage(shared)

    @app.get("/debrief")
    async def debrief_page() -> HTMLResponse:
        return HTMLResponse(await shared.locked(desk.debrief_page))

    @app.get("/guide")
    async def guide_page() -> HTMLResponse:
        return HTMLResponse(await shared.locked(desk.guide_page))

    notice(f"open {address if local else f'http://127.0.0.1:{port}/'}  (Ctrl-C ends)")
    ui.run(
        host=host,
        port=port,
        show=show,
        reload=False,
        title="coach",
        show_welcome_message=False,
        language="en-US",
        reconnect_timeout=10.0,
    )


def free_port(host: str, port: int) -> int:
    """Return ``port`` if it is free, any free one for 0; EditError otherwise."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        with socket.socket(family, socket.SOCK_STREAM) as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            probe.bind((host, port))
            return int(probe.getsockname()[1])
    except OSError as error:
        taken = error.errno == errno.EADDRINUSE
        remedy = "--port 0 takes any free one" if taken else "expected an address of this machine"
        raise EditError(f"{host}:{port} cannot be used ({error.strerror}); {remedy}") from None


def own_address(host: str) -> str:
    """Return an address at which other devices reach this machine when it serves on ``host``; its name where none is
    known.
    """
    family, far = (socket.AF_INET6, "2001:db8::1") if host == "::" else (socket.AF_INET, "192.0.2.1")
    try:
        with socket.socket(family, socket.SOCK_DGRAM) as probe:
            # a datagram socket only looks up the route: nothing is sent (the address is for documentation)
            probe.connect((far, 9))
            return str(probe.getsockname()[0])
    except OSError:
        return socket.gethostname()


def _is_loopback(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return False
