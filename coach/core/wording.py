"""Cue rules and a corner -> the texts that are spoken: placeholders filled, long and short form.

A form that can not be said here (no board near the brake point, no gear in the profile, too long once it is filled) is
"", and a rule none of whose forms can be said gives nothing at all.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from functools import lru_cache
from typing import Final, get_args

import msgspec

from coach.core.advice import ADVICE_STEP_M
from coach.core.boards import board_goal, board_place
from coach.core.rules import MAX_LONG_UNITS, MAX_SHORT_UNITS, MAX_SHORT_WORDS, CueRule, Form
from coach.core.speech_units import units, words
from coach.core.values import Corner

METRE_FAULTS: Final = frozenset(
    {"brake_early", "brake_late", "brake_long", "turn_in_early", "turn_in_late", "apex_missed", "coasting",
     "throttle_late", "exit_narrow", "exit_wide"}
)  # fmt: skip
"""Faults whose amount is in metres, so that ``{metres}`` can be said."""
STEPPED_FAULTS: Final = frozenset({"brake_early", "turn_in_early", "throttle_late"})
"""Faults that are mended a step a lap: ``{way}`` is what there is in all, where it is two steps or more."""
SLOPE: Final = 0.03
"""From this gradient on (rise over run) a braking zone is called uphill or downhill."""

HILLS: Final[Mapping[str, Mapping[Form, str]]] = {
    "downhill": {"long": "downhill, brake earlier", "short": "downhill braking"},
    "uphill": {"long": "uphill braking", "short": "uphill braking"},
}
"""What is said of a braking zone's gradient: earlier is to the safe side; later is only said of passes measured."""

NEXT_TIME: Final = "next time"
HALF_WAY: Final = "half way, again"
NUMBERS: Final = {5: "five", 10: "ten", 15: "fifteen", 20: "twenty", 25: "twenty-five", 30: "thirty"}
TENTHS: Final = ("one tenth", "two tenths", "three tenths", "four tenths", "half a second", "six tenths",
                 "seven tenths", "eight tenths", "nine tenths", "a second")  # fmt: skip
ORDINALS: Final = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth")
_SLOT: Final = re.compile(r"\{([^{}]*)\}")


class Wording(msgspec.Struct, frozen=True):
    """What a rule says at one corner. A form is "" when it can not be said.

    ``at_m`` is the place of a caution along the reference [m], NaN for everything else. ``name`` is how the corner
    is called.
    """

    long: str
    short: str
    alternatives: tuple[str, ...] = ()
    at_m: float = math.nan
    safety: bool = False
    name: str = ""
    corrects: bool = False
    first: str = ""
    """What is said the first time instead of the long form, "" where that is."""

    @property
    def half_way(self) -> str:
        """Progress acknowledged: "Quarry, half way, again"; "" for anything but a correction."""
        return f"{self.name}, {HALF_WAY}" if self.corrects and (self.long or self.short or self.alternatives) else ""

    @property
    def next_time(self) -> tuple[str, ...]:
        """A correction as it is said right after its corner."""
        texts = (self.first, self.long, self.short, *self.alternatives) if self.corrects else ()
        return tuple(dict.fromkeys(said for t in texts if t and (said := with_name(f"{t} {NEXT_TIME}", self.name))))

    @property
    def texts(self) -> tuple[str, ...]:
        """Every text that can be said, the long form first."""
        some = (self.first, self.long, self.short, *self.alternatives, *self.named, *self.next_time, self.half_way)
        return tuple(dict.fromkeys(t for t in some if t))

    @property
    def named(self) -> tuple[str, ...]:
        """The texts as they are said away from the corner, where only its name tells which one is meant."""
        texts = (self.first, self.long, self.short, *self.alternatives)
        return tuple(dict.fromkeys(named for t in texts if (named := with_name(t, self.name))))


@lru_cache(maxsize=4096)
def with_name(text: str, name: str) -> str:
    """``text`` with the corner's name before it unless it holds it; "" when that says too much at once."""
    if not text or not name:
        return ""
    if not re.search(rf"(?<!\w){re.escape(name)}(?!\w)", text, re.IGNORECASE):
        text = f"{name}, {text}"
    return text if len(units(text, (name,))) <= MAX_LONG_UNITS else ""


def wordings(
    rule: CueRule,
    corner: Corner,
    *,
    amount: float = math.nan,
    cost_s: float = math.nan,
    gradient: float = math.nan,
) -> tuple[Wording, ...]:
    """The wordings of ``rule`` at ``corner``: one, none, or one per own word or caution of the corner.

    ``amount`` is the finding's amount (metres for METRE_FAULTS), ``cost_s`` its cost [s], ``gradient`` the rise
    over run of the braking zone. NaN means not known, and what needs it is not said.
    """
    return _worded(rule, corner, _metres(rule, amount), _way(rule, amount), _tenths(cost_s), gradient)


@lru_cache(maxsize=4096)
def _worded(rule: CueRule, corner: Corner, metres: str, way: str, tenths: str, gradient: float) -> tuple[Wording, ...]:
    """The same at every pass for most rules, so it is put together once."""
    out = []
    for own, at_m, safety in _own_words(rule, corner, gradient):
        name = corner.say or corner.name
        values: dict[Form, dict[str, str]] = {
            form: _values(rule, corner, form, own, metres, tenths) for form in get_args(Form)
        }
        forms = [_fit(_fill(template, values[form]), form, name) for template, form in _templates(rule)]
        goal = _goal(rule, corner)
        more = values["long"] | ({"way": way} if way else {}) | ({"goal": goal} if goal else {})
        first = next((f for template in rule.first if (f := _fit(_fill(template, more), "long", name))), "")
        corrects = rule.family == "correction"
        others = tuple(f for f in forms[2:] if f)
        wording = Wording(forms[0], forms[1], others, at_m, safety, name, corrects, first)
        if wording.texts:
            out.append(wording)
    return tuple(out)


def every_wording(rule: CueRule, corner: Corner) -> Iterator[Wording]:
    """Every wording that ``wordings`` can give at ``corner``, whatever is measured."""
    metres: tuple[float, ...] = (math.nan,)
    tenths: tuple[float, ...] = (math.nan,)
    texts = "".join((rule.long, rule.short, *rule.alternatives, *rule.first))
    if "{metres}" in texts or "{way}" in texts:
        metres = tuple(float(m) for m in NUMBERS)
    if "{tenths}" in texts:
        tenths = tuple(0.1 * (i + 1) for i in range(len(TENTHS)))
    slopes = (-SLOPE, SLOPE) if rule.about == "gradient" else (math.nan,)
    for amount in metres:
        for cost_s in tenths:
            for gradient in slopes:
                yield from wordings(rule, corner, amount=amount, cost_s=cost_s, gradient=gradient)


def placeholders(template: str) -> tuple[str, ...]:
    """Names between braces, in order."""
    return tuple(_SLOT.findall(template))


def allowed_placeholders(about: str, family: str, first: bool = False) -> frozenset[str]:
    """The placeholders that can be filled for a rule about ``about``; ``first`` in what is said the first time."""
    if family in ("correction", "confirmation"):
        some = {"corner", "tenths", "gear", "apex"}
        some |= {"metres"} if about in METRE_FAULTS else set()
        some |= {"board"} if about in ("brake_early", "brake_late") else set()
        some |= {"way"} if first and about in STEPPED_FAULTS else set()
        some |= {"goal"} if first and about in ("brake_early", "throttle_late") else set()
        return frozenset(some if family == "correction" else some - {"metres", "tenths"})
    own = {"brake_board": "board", "gear": "gear", "apex": "apex"}
    own |= {f"kerb_{where}": "kerb" for where in ("entry", "apex", "exit")}
    return frozenset({"corner", own.get(about, "words")})


def fits_short(text: str, names: tuple[str, ...] = ()) -> bool:
    """Whether ``text`` is short enough for the short form."""
    return words(text) <= MAX_SHORT_WORDS and len(units(text, names)) <= MAX_SHORT_UNITS


def _fit(text: str, form: Form, name: str) -> str:
    """``text``, or "" when it has become too long for its form at this corner."""
    fits = fits_short(text, (name,)) if form == "short" else len(units(text, (name,))) <= MAX_LONG_UNITS
    return text if fits else ""


def _templates(rule: CueRule) -> tuple[tuple[str, Form], ...]:
    return ((rule.long, "long"), (rule.short, "short"), *((a, "short") for a in rule.alternatives))


def _own_words(rule: CueRule, corner: Corner, gradient: float) -> Iterator[tuple[str, float, bool]]:
    """For ``{words}``: the corner's own words or cautions this rule is about, with their place."""
    if rule.family == "caution":
        for caution in corner.cautions:
            if caution.kind == rule.about:
                yield caution.words, caution.at_m, rule.safety and caution.safety
    elif rule.about == "words":
        for own in corner.words:
            yield own, math.nan, False
    elif rule.about == "gradient":
        if not math.isfinite(corner.brake_m):
            return
        if abs(gradient) >= SLOPE:
            yield "downhill" if gradient < 0.0 else "uphill", math.nan, False
    else:
        yield "", math.nan, False


def _values(rule: CueRule, corner: Corner, form: Form, own: str, metres: str, tenths: str) -> dict[str, str]:
    name = corner.say or corner.name
    out = {"corner": name}
    where, board = board_place(corner, form)
    if board:
        out |= {"board": board, "at board": f"{where} {board}"}
    if corner.gear is not None and 1 <= corner.gear <= len(ORDINALS):
        out["gear"] = ORDINALS[corner.gear - 1]
    if corner.apex is not None:
        out["apex"] = corner.apex
    if own:
        out["words"] = HILLS[own][form] if rule.about == "gradient" else own
    if rule.about.startswith("kerb_"):
        out |= _kerb(rule.about, corner, form)
    if metres:
        out["metres"] = metres
    if tenths:
        out["tenths"] = tenths
    return out


def _metres(rule: CueRule, amount: float) -> str:
    """The metres that are said for a finding of ``amount``, "" when none are."""
    if not math.isfinite(amount) or rule.about not in METRE_FAULTS:
        return ""
    said = min(abs(amount), ADVICE_STEP_M) if rule.about in STEPPED_FAULTS else abs(amount)
    # to the safe side: "later" by less than measured, "earlier" by more
    steps = math.ceil(said / 5) if rule.about == "brake_late" else math.floor(said / 5)
    return NUMBERS[5 * min(max(steps, 1), 6)]


def _goal(rule: CueRule, corner: Corner) -> str:
    """The mark that the steps lead to: a board, or the end of the inside kerb; "" for none."""
    if rule.about == "throttle_late":
        return "where the kerb ends" if corner.kerb_apex_m and corner.kerb_apex != "avoid" else ""
    return board_goal(corner)


def _way(rule: CueRule, amount: float) -> str:
    """The metres that there are in all, where that is more than one step; "" else."""
    if not math.isfinite(amount) or rule.about not in STEPPED_FAULTS:
        return ""
    steps = math.floor(abs(amount) / 5)
    return NUMBERS[5 * min(steps, 6)] if 5 * steps >= 2 * ADVICE_STEP_M else ""


def _tenths(cost_s: float) -> str:
    """The tenths of a second that are said for a cost, "" when it is less than one."""
    tenths = round(cost_s * 10) if math.isfinite(cost_s) else 0
    return TENTHS[min(tenths, len(TENTHS)) - 1] if tenths >= 1 else ""


def _kerb(about: str, corner: Corner, form: Form) -> dict[str, str]:
    use = {"kerb_entry": corner.kerb_entry, "kerb_apex": corner.kerb_apex}.get(about, corner.kerb_exit)
    if use is None:
        return {}
    where = {"kerb_entry": "entry", "kerb_apex": "inside", "kerb_exit": "outside"}[about]
    if use == "avoid":
        return {"kerb": f"not over the {where} kerb" if form == "long" else f"no {where} kerb"}
    return {"kerb": f"{use} the {where} kerb"}


def _fill(template: str, values: Mapping[str, str]) -> str:
    """``template`` with its placeholders filled, "" if one can not be; "at {board}" bends to before or after."""
    text = template.replace("at {board}", "{at board}")
    if any(name not in values for name in placeholders(text)):
        return ""
    return " ".join(_SLOT.sub(lambda m: values[m.group(1)], text).split())
