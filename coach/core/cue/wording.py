"""Cue rules and a corner -> the texts that are spoken: placeholders filled, long and short form.

A form that can not be said here (no board near the brake point, no gear in the profile, too long once it is filled) is
"", and a rule none of whose forms can be said gives nothing at all.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Mapping
from functools import lru_cache
from typing import Final, get_args

import msgspec

from coach.core.cue.boards import board_named, board_place
from coach.core.cue.information_units import units, words
from coach.core.cue.language import ENGLISH, Language
from coach.core.cue.rules import MAX_LONG_UNITS, MAX_SHORT_UNITS, MAX_SHORT_WORDS, CueRule, Form
from coach.core.diagnose.advice import ADVICE_STEP_M
from coach.core.unit_system import METRIC, Units
from coach.core.values import Corner

METRE_FAULTS: Final = frozenset(
    {"brake_early", "brake_late", "brake_long", "turn_in_early", "turn_in_late", "apex_missed", "coasting",
     "throttle_late", "exit_narrow", "exit_wide"}
)  # fmt: skip
"""Faults whose amount is in metres, so that ``{distance}`` and ``{metres}`` can be said."""
STEPPED_FAULTS: Final = frozenset({"brake_early", "turn_in_early", "throttle_late"})
"""Faults that are mended a step a lap: ``{way}`` is what there is in all, where it is two steps or more."""
SLOPE: Final = 0.03
"""From this gradient on (rise over run) a braking zone is called uphill or downhill."""

MOST_STEPS: Final = 6
"""Distances are spoken up to so many steps: thirty metres."""
AT_BOARD: Final = "at board"
_SLOT: Final = re.compile(r"\{([^{}]*)\}")


class Wording(msgspec.Struct, frozen=True):
    """What a rule says at one corner. A form is "" when it can not be said.

    ``at_m`` is the place of a caution along the reference [m], NaN for everything else. ``name`` is how the corner
    is called. ``brakes_m``: where a driver brakes who does as the texts say, when they name a board [m], else NaN.
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
    brakes_m: float = math.nan
    goal_m: float = math.nan
    """The same of ``first``, which names the board as a goal."""
    language: Language = ENGLISH

    @property
    def half_way(self) -> str:
        """Progress acknowledged: "Quarry, half way, again"; "" for anything but a correction."""
        said = self.corrects and (self.long or self.short or self.alternatives)
        return self.language.half_way.replace("{corner}", self.name) if said else ""

    @property
    def next_time(self) -> tuple[str, ...]:
        """A correction as it is said right after its corner."""
        texts = (self.first, self.long, self.short, *self.alternatives) if self.corrects else ()
        return self.after_it(t for t in texts if t)

    @property
    def texts(self) -> tuple[str, ...]:
        """Every text that can be said, the long form first."""
        some = (self.first, self.long, self.short, *self.alternatives, *self.named, *self.next_time, self.half_way)
        return tuple(dict.fromkeys(t for t in some if t))

    @property
    def named(self) -> tuple[str, ...]:
        """The texts as they are said away from the corner, where only its name tells which one is meant."""
        return self.away((self.first, self.long, self.short, *self.alternatives))

    def away(self, texts: Iterable[str]) -> tuple[str, ...]:
        """Return ``texts`` with the corner's name, those that can be said, each once."""
        return tuple(dict.fromkeys(said for t in texts if (said := with_name(t, self.name, self.language))))

    def after_it(self, texts: Iterable[str]) -> tuple[str, ...]:
        """Return ``texts`` as they are said right after the corner, those that can be."""
        return self.away(self.language.next_time.replace("{text}", t) for t in texts)

    def board_m(self, forms: Iterable[str]) -> float:
        """Return where a driver brakes who does as ``forms`` of this wording say [m], NaN when they name no board."""
        return self.goal_m if self.first and any(self.first in form for form in forms) else self.brakes_m


@lru_cache(maxsize=4096)
def with_name(text: str, name: str, language: Language = ENGLISH) -> str:
    """Return ``text`` with the corner's name before it unless it holds it; "" when that says too much at once."""
    if not text or not name:
        return ""
    if not re.search(rf"(?<!\w){re.escape(name)}(?!\w)", text, re.IGNORECASE):
        text = f"{name}, {text}"
    return text if len(units(text, (name,), language.lexicon)) <= MAX_LONG_UNITS else ""


def wordings(
    rule: CueRule,
    corner: Corner,
    *,
    amount: float = math.nan,
    cost_s: float = math.nan,
    gradient: float = math.nan,
    language: Language = ENGLISH,
    system: Units = METRIC,
) -> tuple[Wording, ...]:
    """Return the wordings of ``rule`` at ``corner``: one, none, or one per own word or caution of the corner.

    ``amount`` is the finding's amount (metres for METRE_FAULTS), ``cost_s`` its cost [s], ``gradient`` the rise
    over run of the braking zone. NaN means not known, and what needs it is not said.
    """
    way = _way(rule, amount)
    return _worded(rule, corner, _steps(rule, amount, system), way, _tenths(cost_s), gradient, language, system)


@lru_cache(maxsize=4096)
def _worded(
    rule: CueRule, corner: Corner, steps: int, way: int, tenths: int, gradient: float, language: Language, system: Units
) -> tuple[Wording, ...]:
    """Return the same at every pass for most rules, so it is put together once."""
    out = []
    place = board_place(corner, system)
    by_board = place is not None and any("board" in placeholders(text) for text, _ in _templates(rule))
    board_m = place.brakes_m if place is not None and by_board else math.nan
    for own, at_m, safety in _own_words(rule, corner, gradient):
        name = corner.say or corner.name
        brakes_m = board_named(corner, (own,), language, system) if own and math.isnan(board_m) else board_m
        values: dict[Form, dict[str, str]] = {
            form: _values(rule, corner, form, own, steps, tenths, language, system) for form in get_args(Form)
        }

        def said(template: str, form: Form, more: Mapping[str, str], name: str = name) -> str:
            return _fit(_fill(template, more, language), form, name, language)

        forms = [said(template, form, values[form]) for template, form in _templates(rule)]
        goal = _goal(rule, corner, language, system)
        more = values["long"] | ({"way": language.number(way)} if way else {}) | ({"goal": goal} if goal else {})
        first, goal_m = "", math.nan
        for template in rule.first:
            if first := said(template, "long", more):
                named = place is not None and {"board", "goal"} & set(placeholders(template))
                goal_m = place.brakes_m if place is not None and named else math.nan
                break
        corrects = rule.family == "correction"
        others = tuple(f for f in forms[2:] if f)
        wording = Wording(
            forms[0], forms[1], others, at_m, safety, name, corrects, first, brakes_m, goal_m, language
        )  # fmt: skip
        if wording.texts:
            out.append(wording)
    return tuple(out)


def every_wording(
    rule: CueRule, corner: Corner, language: Language = ENGLISH, system: Units = METRIC
) -> Iterator[Wording]:
    """Yield every wording that ``wordings`` can give at ``corner``, whatever is measured."""
    metres: tuple[float, ...] = (math.nan,)
    tenths: tuple[float, ...] = (math.nan,)
    texts = "".join((rule.long, rule.short, *rule.alternatives, *rule.first))
    if any(f"{{{slot}}}" in texts for slot in ("metres", "distance", "way")):
        metres = tuple((i + 0.5) * system.step / system.per_m for i in range(MOST_STEPS + 1))
    if "{tenths}" in texts:
        tenths = tuple(0.1 * (i + 1) for i in range(len(language.tenths)))
    slopes = (-SLOPE, SLOPE) if rule.about == "gradient" else (math.nan,)
    for amount in metres:
        for cost_s in tenths:
            for gradient in slopes:
                yield from wordings(
                    rule, corner, amount=amount, cost_s=cost_s, gradient=gradient, language=language, system=system
                )


def placeholders(template: str) -> tuple[str, ...]:
    """Return the names between braces, in order."""
    return tuple(_SLOT.findall(template))


def allowed_placeholders(about: str, family: str, first: bool = False) -> frozenset[str]:
    """Return the placeholders that can be filled for a rule about ``about``; ``first`` in what is said the
    first time.
    """
    if family in ("correction", "confirmation"):
        some = {"corner", "tenths", "gear", "apex"}
        some |= {"metres", "distance"} if about in METRE_FAULTS else set()
        some |= {"board"} if about in ("brake_early", "brake_late") else set()
        some |= {"way"} if first and about in STEPPED_FAULTS else set()
        some |= {"goal"} if first and about in ("brake_early", "throttle_late") else set()
        return frozenset(some if family == "correction" else some - {"metres", "distance", "tenths"})
    own = {"brake_board": "board", "gear": "gear", "apex": "apex"}
    own |= {f"kerb_{where}": "kerb" for where in ("entry", "apex", "exit")}
    return frozenset({"corner", own.get(about, "words")})


def fits(text: str, form: Form, names: tuple[str, ...] = (), language: Language = ENGLISH) -> bool:
    """Return whether ``text`` is short enough for its form."""
    count = len(units(text, names, language.lexicon))
    if form == "long":
        return count <= MAX_LONG_UNITS
    return words(text) <= MAX_SHORT_WORDS and count <= MAX_SHORT_UNITS


def _fit(text: str, form: Form, name: str, language: Language) -> str:
    """Return ``text``, or "" when it has become too long for its form at this corner."""
    return text if fits(text, form, (name,), language) else ""


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


def _values(
    rule: CueRule, corner: Corner, form: Form, own: str, steps: int, tenths: int, language: Language, system: Units
) -> dict[str, str]:
    out = {"corner": corner.say or corner.name}
    if (place := board_place(corner, system)) is not None:
        board = language.board(place.number, form)
        out |= {"board": board, AT_BOARD: f"{language.side(place.side)} {board}"}
    if gear := language.ordinal(corner.gear):
        out["gear"] = gear
    if corner.apex is not None:
        out["apex"] = language.apex(corner.apex)
    if own:
        out["words"] = language.slope(own, form) if rule.about == "gradient" else own
    if rule.about.startswith("kerb_"):
        use = getattr(corner, rule.about)
        out |= {} if use is None else {"kerb": language.kerb(rule.about.removeprefix("kerb_"), use, form)}
    if steps:
        out["distance"] = language.length(steps * system.step, system.spoken)
        # a rule file that writes its own unit means metres
        out["metres"] = language.number(steps * METRIC.step)
    if tenths:
        out["tenths"] = language.tenths[min(tenths, len(language.tenths)) - 1]
    return out


def _steps(rule: CueRule, amount: float, system: Units) -> int:
    """Return how many steps of the unit system are said for a finding of ``amount``, 0 when none are."""
    if not math.isfinite(amount) or rule.about not in METRE_FAULTS:
        return 0
    said = min(abs(amount), ADVICE_STEP_M) if rule.about in STEPPED_FAULTS else abs(amount)
    count = said * system.per_m / system.step
    # to the safe side: "later" by less than measured, "earlier" by more
    return min(max(math.ceil(count) if rule.about == "brake_late" else math.floor(count), 1), MOST_STEPS)


def _goal(rule: CueRule, corner: Corner, language: Language, system: Units) -> str:
    """Return the mark that the steps lead to: a board, or the end of the inside kerb; "" for none. English only."""
    if language.code != ENGLISH.code:
        return ""
    if rule.about == "throttle_late":
        return "where the kerb ends" if corner.kerb_apex_m and corner.kerb_apex != "avoid" else ""
    place = board_place(corner, system)
    return f"to {language.board(place.number, 'long')}" if place is not None and place.side == "at" else ""


def _way(rule: CueRule, amount: float) -> int:
    """Return the metres that there are in all, where that is more than one step; 0 else."""
    if not math.isfinite(amount) or rule.about not in STEPPED_FAULTS:
        return 0
    whole = METRIC.step * min(math.floor(abs(amount) / METRIC.step), MOST_STEPS)
    return whole if whole >= 2 * ADVICE_STEP_M else 0


def _tenths(cost_s: float) -> int:
    """Return the tenths of a second that are said for a cost, 0 when it is less than one."""
    return max(round(cost_s * 10), 0) if math.isfinite(cost_s) else 0


def _fill(template: str, values: Mapping[str, str], language: Language) -> str:
    """Return ``template`` with its placeholders filled, "" if one can not be; "at {board}" bends to before or after."""
    text = template.replace(f"{language.side('at')} {{board}}", f"{{{AT_BOARD}}}")
    if any(name not in values for name in placeholders(text)):
        return ""
    return " ".join(_SLOT.sub(lambda m: values[m.group(1)], text).split())
