"""Do tones sound at their place? First the prediction alone, then the sound as it is recorded from a null sink.

python tests/tools/tone_bench.py                     (prediction: four circuits, three skills, clean and noisy frames)
python tests/tools/tone_bench.py --sound 2           (two laps heard in real time besides; needs PulseAudio, parec)
python tests/tools/tone_bench.py --write tests/figures/tones.json

The true moment of a place is taken from frames without noise: the car crosses the line across the reference there.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from figures import write_figures
from generated_circuits import generated_circuit
from simulated import columns_of

from coach.app.engine import Engine
from coach.core.columns import Columns, Floats
from coach.core.cue.tones import SEQUENCE, ToneOptions
from coach.core.pipeline import Pipeline
from coach.core.track.reference import Reference
from coach.core.values import Corner, Decision
from coach.outputs.base import Capture
from coach.outputs.latency import Ear
from coach.outputs.live import Live, OutputChoice
from coach.outputs.voice.options import VoiceOptions
from coach.outputs.voice.sound import RATE_HZ
from coach.outputs.voice.tones import ONSET_BUFFERS
from coach.profile.rule_files import load_rules
from coach.survey.survey import survey
from feeds.errors import FeedEnded
from feeds.frame import Frame
from feeds.practice import Circuit, FaultPlan, Habit, Noise, Scatter, SimRun, faultless, hollow_ridge, simulate

DEVELOPMENT, JUDGED = (2, 5), (11, 12, 14, 15)
"""Seeds of the circuits: the first two served development of the tones, the others did not."""
SKILLS = {"quick": Scatter(1.5, 0.2, 0.1), "middling": Scatter(3.0, 0.4, 0.2), "learner": Scatter(6.0, 0.8, 0.35)}
NOISE = {"clean": None, "noisy": Noise(position_m=0.3, speed_mps=0.1, loss=0.02)}
SAME_S = 0.2


def driven(circuit: Circuit, scatter: Scatter, noise: Noise | None, laps: int, seed: int) -> tuple[Any, SimRun, SimRun]:
    """The surveyed profile, a run with habits as it is fed at 60 Hz, and the same run without noise."""
    base = faultless(circuit)
    found = survey(columns_of(simulate(base, 3, rate_hz=30.0, seed=1, scatter=Scatter(1.0, 0.1, 0.1))), circuit="bench")
    faults = FaultPlan.of(*(Habit(i, "brake_early", 10.0, spread=3.0) for i in range(0, len(base.corners), 3)))
    runs = [
        simulate(base, laps, rate_hz=60.0, seed=seed, scatter=scatter, faults=faults, noise=n) for n in (noise, None)
    ]
    return found, runs[0], runs[1]


def sounded(
    reference: Reference, corners: tuple[Corner, ...], columns: Columns, kinds: tuple[Any, ...]
) -> tuple[list[Decision], Counter[str]]:
    """The tones of a run that never fade, frame by frame, and why others were held."""
    pipeline = Pipeline(reference, corners, load_rules("ask"))
    pipeline.sound(ToneOptions(kinds))
    pipeline.session_tracker.tones.learn = lambda corner, gaps: None  # type: ignore[method-assign]
    decisions: list[Decision] = []
    for i in range(len(columns)):
        decisions += pipeline.push_columns(columns.part(i, i + 1)).decisions
    tones = [d for d in decisions if d.family == "tone"]
    return [d for d in tones if d.outcome == "sounded"], Counter(d.reason for d in tones if d.outcome == "held")


def crossing_s(reference: Reference, clean: Columns, place_m: float, near_s: float) -> float:
    """When the car crossed the line across the reference at ``place_m``, within 3 s of ``near_s`` [s]."""
    t = clean["t_s"]
    part = slice(int(t.searchsorted(near_s - 3.0)), int(t.searchsorted(near_s + 3.0)))
    heading = reference.value("heading_rad", place_m)
    along = (clean["x_m"][part] - reference.value("x_m", place_m)) * np.cos(heading)
    along = along + (clean["y_m"][part] - reference.value("y_m", place_m)) * np.sin(heading)
    rows = np.flatnonzero((along[:-1] < 0.0) & (along[1:] >= 0.0))
    if not len(rows):
        return float("nan")
    at = t[part][rows] + np.diff(t[part])[rows] * -along[rows] / (along[rows + 1] - along[rows])
    return float(at[np.abs(at - near_s).argmin()])


def true_s(reference: Reference, pipeline: Pipeline, clean: Columns, tone: Decision, step: int) -> float:
    """When the tone should have sounded [s]."""
    kind = tone.rule.removesuffix("_tone")
    i = next(i for i, c in enumerate(pipeline.corners) if c.name == tone.corner)
    place = (
        pipeline.corners[i].brake_m
        if kind == "count"
        else pipeline.track_model.builder.corners[i].measures["brake_release_m"]
    )
    offset = SEQUENCE[kind][step][0]
    return crossing_s(reference, clean, place, tone.action_t_s - offset) + offset


def steps_of(tones: list[Decision]) -> list[int]:
    """Which of its sequence each tone is."""
    count: Counter[tuple[int, str, str]] = Counter()
    out = []
    for tone in tones:
        key = (tone.lap, tone.corner, tone.rule)
        out.append(count[key])
        count[key] += 1
    return out


def summary(errors_s: list[float]) -> dict[str, float]:
    """Of errors [s]: how many, the median, the 95th percentile and the largest of their sizes [ms]."""
    ms = np.asarray(errors_s) * 1000.0
    ms = ms[np.isfinite(ms)]
    if not len(ms):
        return {"count": 0}
    size = np.abs(ms)
    return {
        "count": len(ms), "median_ms": float(np.median(ms)), "p95_ms": float(np.percentile(size, 95)),
        "most_ms": float(size.max()),
    }  # fmt: skip


def line(what: str, s: dict[str, float]) -> str:
    """One line of the table."""
    if not s["count"]:
        return f"{what:28s} none"
    return (
        f"{what:28s} {s['count']:5.0f} tones, median {s['median_ms']:+5.1f} ms, "
        f"p95 {s['p95_ms']:5.1f} ms, most {s['most_ms']:6.1f} ms"
    )


def prediction(seeds: tuple[int, ...], laps: int) -> dict[str, Any]:
    """Error of the predicted moment, without sound."""
    found: dict[str, list[float]] = {}
    held: Counter[str] = Counter()
    for seed in seeds:
        circuit = generated_circuit(seed)
        for skill, scatter in SKILLS.items():
            for name, noise in NOISE.items():
                profile, fed, clean = driven(circuit, scatter, noise, laps, seed)
                reference, corners = profile.reference, profile.corners
                tones, why = sounded(reference, corners, columns_of(fed), ("count", "release"))
                held += why
                pipeline = Pipeline(reference, corners, load_rules("ask"))
                truth = columns_of(clean)
                for tone, step in zip(tones, steps_of(tones), strict=True):
                    error = tone.action_t_s - true_s(reference, pipeline, truth, tone, step)
                    kind = f"count {step + 1}" if tone.rule == "count_tone" else "release"
                    for key in (f"{name} {kind}", f"{name} {skill}", f"{name} all"):
                        found.setdefault(key, []).append(error)
    out: dict[str, Any] = {key: summary(errors) for key, errors in sorted(found.items())}
    for key in sorted(found):
        print(line(key, out[key]))
    print("held back:", ", ".join(f"{n} {reason}" for reason, n in held.most_common()) or "none")
    return out


class Paced:
    """Frames in real time, each when it is due: what an open game sends."""

    def __init__(self, frames: list[Frame]) -> None:
        self.frames, self.at = frames, 0
        self.began_s = time.monotonic() - frames[0].t_s

    def read_many(self, max_frames: int, timeout_s: float) -> list[Frame]:
        """Wait for the next and give all that are due."""
        if self.at >= len(self.frames):
            raise FeedEnded("over")
        time.sleep(max(0.0, self.began_s + self.frames[self.at].t_s - time.monotonic()))
        now, first = time.monotonic() - self.began_s, self.at
        while self.at < len(self.frames) and self.frames[self.at].t_s <= now:
            self.at += 1
        return self.frames[first : self.at]


def heard(laps: int, buffer: int) -> dict[str, Any]:
    """The onsets as they are recorded, against the true places, on the practice circuit at 60 Hz."""
    profile, fed, clean = driven(hollow_ridge(), SKILLS["middling"], None, laps, 4)
    truth = columns_of(clean)
    pipeline = Pipeline(profile.reference, profile.corners, load_rules("ask"))
    pipeline.sound(ToneOptions(("count", "release")))
    pipeline.session_tracker.tones.learn = lambda corner, gaps: None  # type: ignore[method-assign]
    ready: list[str] = []
    started: list[float] = []
    with tempfile.TemporaryDirectory() as folder, null_sink(Path(folder)):
        ear = Ear()
        live = Live(
            OutputChoice(VoiceOptions(buffer=buffer, tones=True, cache_dir=folder), None, console=False), [], print,
            on_report=lambda _, r: started.append(r.t_s) if r.kind == "sounded" else ready.append(r.kind),
        )  # fmt: skip
        capture = Capture(keep_views=False)
        try:
            deadline = time.monotonic() + 60.0
            while "ready" not in ready and time.monotonic() < deadline:
                time.sleep(0.05)
            time.sleep(2.5)
            paced = Paced(list(fed.frames()))
            engine = Engine(paced, pipeline, _Both(live, capture), None, FeedEnded)
            engine.run(lambda: False)
            time.sleep(0.5)
        finally:
            live.close()
            ear.close()
    tones = [d for d in capture.decisions if d.outcome == "sounded"]
    out = _onsets("onset recorded", profile.reference, pipeline, truth, tones, np.array(ear.onsets) - paced.began_s)
    given = np.array(started) + ONSET_BUFFERS * buffer / RATE_HZ - paced.began_s
    return out | {"started": _onsets("started, and 1.5 buffers", profile.reference, pipeline, truth, tones, given)}


def _onsets(
    what: str, reference: Reference, pipeline: Pipeline, truth: Columns, tones: list[Decision], onsets: Floats
) -> dict[str, Any]:
    errors, missed = [], 0
    for tone, step in zip(tones, steps_of(tones), strict=True):
        due = true_s(reference, pipeline, truth, tone, step)
        near = onsets[np.abs(onsets - due).argmin()] if len(onsets) else float("nan")
        if abs(near - due) < SAME_S / 2:
            errors.append(float(near - due))
        else:
            missed += 1
    out = {**summary(errors), "not_heard": missed}
    print(line(what, out), f", not heard {missed}")
    median = np.median(errors) if errors else float("nan")
    print(f"spread about the median: p95 {np.percentile(np.abs(np.array(errors) - median), 95) * 1000:.1f} ms")
    return out


class _Both:
    """The run's outputs, and what they got."""

    def __init__(self, live: Live, capture: Capture) -> None:
        self.live, self.capture = live, capture

    def view(self, view: Any) -> None:
        self.live.output.view(view)

    def decision(self, decision: Decision) -> None:
        self.live.output.decision(decision)
        self.capture.decision(decision)

    def lap(self, lap: Any) -> None:
        self.live.output.lap(lap)

    def close(self) -> None:
        """The live outputs are closed by who opened them."""


@contextmanager
def null_sink(folder: Path) -> Iterator[None]:
    """A PulseAudio server of our own for this process and its children."""
    import subprocess

    socket = folder / "sock"
    command = ["pulseaudio", "-n", "--daemonize=no", "--exit-idle-time=-1", "--use-pid-file=no"]
    command += ["-L", "module-null-sink sink_name=null rate=48000"]
    command += ["-L", f"module-native-protocol-unix socket={socket} auth-anonymous=1"]
    environment = {**os.environ, "HOME": str(folder), "XDG_RUNTIME_DIR": str(folder)}
    process = subprocess.Popen(command, env=environment, stderr=subprocess.DEVNULL)
    deadline = time.monotonic() + 10.0
    while not socket.exists() and time.monotonic() < deadline:
        time.sleep(0.02)
    os.environ |= {"PULSE_SERVER": f"unix:{socket}", "SDL_AUDIODRIVER": "pulseaudio"}
    try:
        yield
    finally:
        process.terminate()
        process.wait()


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--laps", type=int, default=1, help="laps of the prediction; 0: the sound alone")
    parser.add_argument("--development", action="store_true", help="the circuits that were looked at")
    parser.add_argument("--sound", type=int, default=0, metavar="LAPS", help="laps to be heard, in real time")
    parser.add_argument("--buffer", type=int, default=512)
    parser.add_argument("--write", help="write the figures here")
    given = parser.parse_args()
    figures: dict[str, Any] = {}
    if given.laps:
        figures["prediction"] = prediction(DEVELOPMENT if given.development else JUDGED, given.laps)
    if given.sound:
        figures["onset"] = heard(given.sound, given.buffer)
    if given.write:
        write_figures(given.write, figures)


if __name__ == "__main__":
    main()
