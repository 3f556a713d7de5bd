"""Cue rules and a corner -> the texts that are spoken: placeholders filled, long and short form.

A form that does not apply here (no board near the brake point, no gear in the profile, too long once filled) is "", and
a rule without any form gives nothing.
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
"""Faults whose amount is in metres, so that ``{distance}`` and ``{metres}`` can be filled."""
STEPPED_FAULTS: Final = frozenset({"brake_early", "turn_in_early", "throttle_late"})
"""Faults corrected one step per lap: ``{total}`` is all of it, if two steps or more."""
SLOPE: Final = 0.03
"""Least gradient (rise over run) of an uphill or downhill braking zone."""

KERB_GOALS: Final = {
    "throttle_late": ("apex", "kerb"),
    "turn_in_early": ("entry", "entry kerb"),
    "turn_in_late": ("entry", "entry kerb"),
    "exit_narrow": ("exit", "exit kerb"),
}
"""Faults whose cure has a place at a kerb: which kerb, and the language's goal."""
MOST_STEPS: Final = 6
"""Largest spoken distance in steps: thirty metres."""
AT_BOARD: Final = "at board"
_SLOT: Final = re.compile(r"\{([^{}]*)\}")


class Wording(msgspec.Struct, frozen=True):
    """The words of a rule at one corner. A form is "" if it does not apply.

    ``at_m`` is the place of a caution along the reference [m], NaN for everything else. ``name`` is the corner's spoken
    name. ``brakes_m``: the brake point implied by texts that name a board [m], else NaN.
    """

    long: str
    short: str
    alternatives: tuple[str, ...] = ()
    at_m: float = math.nan
    safety: bool = False
    name: str = ""
    corrects: bool = False
    first: str = ""
    """Text that replaces the long form the first time, or ""."""
    brakes_m: float = math.nan
    goal_m: float = math.nan
    """The same for ``first``, which names the board as a goal."""
    language: Language = ENGLISH
    still: str = ""
    """Text for two corrections that changed nothing: "Quarry, still five of fifteen metres"; "" for short ways."""

    @property
    def half_way(self) -> str:
        """Progress acknowledged: "Quarry, half way, again"; "" for anything but a correction."""
        said = self.corrects and (self.long or self.short or self.alternatives)
        return self.language.half_way.replace("{corner}", self.name) if said else ""

    @property
    def next_time(self) -> tuple[str, ...]:
        """A correction as spoken right after its corner."""
        texts = (self.first, self.long, self.short, *self.alternatives) if self.corrects else ()
        return self.after_it(t for t in texts if t)

    @property
    def texts(self) -> tuple[str, ...]:
        """Every available text, the long form first."""
        some = (
            self.first,
            self.long,
            self.short,
            *self.alternatives,
            *self.named,
            *self.next_time,
            self.half_way,
            self.still,
        )
        return tuple(dict.fromkeys(t for t in some if t))

    @property
    def named(self) -> tuple[str, ...]:
        """The texts as spoken away from the corner, identified by name."""
        return self.away((self.first, self.long, self.short, *self.alternatives))

    def away(self, texts: Iterable[str]) -> tuple[str, ...]:
        """Return available ``texts`` with the corner's name, each once."""
        return tuple(dict.fromkeys(said for t in texts if (said := with_name(t, self.name, self.language))))

    def after_it(self, texts: Iterable[str]) -> tuple[str, ...]:
        """Return available ``texts`` as spoken right after the corner."""
        return self.away(self.language.next_time.replace("{text}", t) for t in texts)

    def board_m(self, forms: Iterable[str]) -> float:
        """Return the brake point implied by ``forms`` of this wording [m], NaN without a board."""
        return self.goal_m if self.first and any(self.first in form for form in forms) else self.brakes_m


@lru_cache(maxsize=4096)
def with_name(text: str, name: str, language: Language = ENGLISH) -> str:
    """Return ``text`` preceded by the corner's name unless it contains it; "" if that is too long."""
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

    ``amount`` is the finding's amount (metres for METRE_FAULTS), ``cost_s`` its cost [s], ``gradient`` the rise over
    run of the braking zone. NaN means unknown, and forms that need it are "".
    """
    way = _way(rule, amount, system)
    return _worded(rule, corner, _steps(rule, amount, system), way, _tenths(cost_s), gradient, language, system)


@lru_cache(maxsize=4096)
def _worded(
    rule: CueRule, corner: Corner, steps: int, way: int, tenths: int, gradient: float, language: Language, system: Units
) -> tuple[Wording, ...]:
    """Return the wording; cached, as most rules give the same at every pass."""
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
        more = values["long"] | _whole_way(way, language, system) | ({"goal": goal} if goal else {})
        first, goal_m = "", math.nan
        for template in rule.first:
            if first := said(template, "long", more):
                named = place is not None and {"board", "goal"} & set(placeholders(template))
                goal_m = place.brakes_m if place is not None and named else math.nan
                break
        corrects = rule.family == "correction"
        left = _whole_way(way, language, system) if corrects and any(forms) else {}
        still = said(language.still, "long", {"corner": name, **left}) if left and language.still else ""
        others = tuple(f for f in forms[2:] if f)
        wording = Wording(
            forms[0], forms[1], others, at_m, safety, name, corrects, first, brakes_m, goal_m, language, still
        )  # fmt: skip
        if wording.texts:
            out.append(wording)
    return tuple(out)


def every_wording(
    rule: CueRule, corner: Corner, language: Language = ENGLISH, system: Units = METRIC
) -> Iterator[Wording]:
    """Yield every wording that ``wordings`` can give at ``corner`` for any measurement."""
    metres: tuple[float, ...] = (math.nan,)
    tenths: tuple[float, ...] = (math.nan,)
    texts = "".join((rule.long, rule.short, *rule.alternatives, *rule.first))
    stepped = rule.family == "correction" and rule.about in STEPPED_FAULTS
    if stepped or any(f"{{{slot}}}" in texts for slot in ("metres", "distance")):
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
    """Return the placeholders allowed for a rule about ``about``; ``first`` for the first-time text."""
    if family in ("correction", "confirmation"):
        some = {"corner", "tenths", "gear", "apex"}
        some |= {"metres", "distance"} if about in METRE_FAULTS else set()
        some |= {"board"} if about in ("brake_early", "brake_late") else set()
        some |= {"way", "step", "total"} if first and about in STEPPED_FAULTS else set()
        some |= {"goal"} if first and (about == "brake_early" or about in KERB_GOALS) else set()
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
    """Return ``text``, or "" if too long for its form at this corner."""
    return text if fits(text, form, (name,), language) else ""


def _templates(rule: CueRule) -> tuple[tuple[str, Form], ...]:
    return ((rule.long, "long"), (rule.short, "short"), *((a, "short") for a in rule.alternatives))


def _own_words(rule: CueRule, corner: Corner, gradient: float) -> Iterator[tuple[str, float, bool]]:
    """Return the text for ``{words}``: the corner's own words or cautions of this rule, with their places."""
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
        # a rule file that writes its own unit uses metres
        out["metres"] = language.number(steps * METRIC.step)
    if tenths:
        out["tenths"] = language.tenths[min(tenths, len(language.tenths)) - 1]
    return out


def _steps(rule: CueRule, amount: float, system: Units) -> int:
    """Return the number of spoken steps of the unit system for a finding of ``amount``, 0 for none."""
    if not math.isfinite(amount) or rule.about not in METRE_FAULTS:
        return 0
    said = min(abs(amount), ADVICE_STEP_M) if rule.about in STEPPED_FAULTS else abs(amount)
    count = said * system.per_m / system.step
    # round to the safe side: "later" by less than measured, "earlier" by more
    return min(max(math.ceil(count) if rule.about == "brake_late" else math.floor(count), 1), MOST_STEPS)


def _goal(rule: CueRule, corner: Corner, language: Language, system: Units) -> str:
    """Return the mark that the steps lead to: a board, or the begin or end of a kerb; "" if none."""
    if rule.about in KERB_GOALS:
        where, mark = KERB_GOALS[rule.about]
        use, measured = getattr(corner, f"kerb_{where}"), getattr(corner, f"kerb_{where}_m")
        # where the car keeps off a kerb it still sees where it begins
        return language.goal(mark) if measured and (use != "avoid" or where == "entry") else ""
    place = board_place(corner, system)
    at_board = place is not None and place.side == "at"
    return language.goal("board", language.board(place.number, "long")) if place is not None and at_board else ""


def _way(rule: CueRule, amount: float, system: Units) -> int:
    """Return the steps of the unit system to the whole correction, 0 if it takes only one."""
    if not math.isfinite(amount) or rule.about not in STEPPED_FAULTS:
        return 0
    count = min(math.floor(abs(amount) * system.per_m / system.step), MOST_STEPS)
    return count if count > 1 else 0


def _whole_way(steps: int, language: Language, system: Units) -> dict[str, str]:
    """Return the placeholders of a correction of several steps: one step, and all of them."""
    if not steps:
        return {}
    total = language.total(steps * system.step, system.spoken)
    # a rule file that writes its own unit uses metres
    return {"step": language.number(system.step), "total": total, "way": language.number(steps * METRIC.step)}


def _tenths(cost_s: float) -> int:
    """Return the spoken tenths of a second of a cost, 0 if less than one."""
    return max(round(cost_s * 10), 0) if math.isfinite(cost_s) else 0


def _fill(template: str, values: Mapping[str, str], language: Language) -> str:
    """Return ``template`` with its placeholders filled, "" if one cannot be; "at {board}" becomes before or after."""
    text = template.replace(f"{language.side('at')} {{board}}", f"{{{AT_BOARD}}}")
    if any(name not in values for name in placeholders(text)):
        return ""
    return " ".join(_SLOT.sub(lambda m: values[m.group(1)], text).split())
