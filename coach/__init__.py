"""A live in-session audio and overlay coach: telemetry in, two or three well-timed words out.

For embedding: build a ``Pipeline`` from a profile's plan and a rule set, push frames, act on the events. Modules load
on first use, so that ``import coach`` is cheap.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any, Final

from coach.identity import VERSION

if TYPE_CHECKING:
    from coach.core.cue.rules import RuleSet as RuleSet
    from coach.core.events import Events as Events
    from coach.core.pipeline import Pipeline as Pipeline
    from coach.core.track.reference import Reference as Reference
    from coach.core.values import Corner as Corner
    from coach.core.values import Decision as Decision
    from coach.core.values import Finding as Finding
    from coach.core.values import LapDone as LapDone
    from coach.core.values import Pass as Pass
    from coach.core.values import PhaseChange as PhaseChange
    from coach.core.values import View as View
    from coach.errors import CoachError as CoachError
    from coach.outputs.base import Output as Output
    from coach.profile.rule_files import load_rules as load_rules
    from coach.profile.store import Plan as Plan
    from coach.profile.store import load_plan as load_plan
    from feeds.base import Feed as Feed
    from feeds.frame import Frame as Frame

__version__ = VERSION

_PLACES: Final = {
    "Events": "coach.core.events",
    "Pipeline": "coach.core.pipeline",
    "Reference": "coach.core.track.reference",
    "RuleSet": "coach.core.cue.rules",
    "Corner": "coach.core.values",
    "Decision": "coach.core.values",
    "Finding": "coach.core.values",
    "LapDone": "coach.core.values",
    "Pass": "coach.core.values",
    "PhaseChange": "coach.core.values",
    "View": "coach.core.values",
    "CoachError": "coach.errors",
    "Output": "coach.outputs.base",
    "load_rules": "coach.profile.rule_files",
    "Plan": "coach.profile.store",
    "load_plan": "coach.profile.store",
    "Feed": "feeds.base",
    "Frame": "feeds.frame",
}


def __getattr__(name: str) -> Any:
    if name not in _PLACES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(_PLACES[name]), name)


def __dir__() -> list[str]:
    return sorted([*globals(), *_PLACES])
