"""The overlay against WCAG 2.2, CAM02-UCS under simulated colour blindness, and ISO 9241-303."""

from __future__ import annotations

import math
from itertools import combinations

import colorspacious
import numpy as np
import pytest
import wcag_contrast_ratio

from coach.outputs.overlay.colours import DIM, GAINED, GROUND, LOST, TEXT, TEXT_COLOURS, TROUGH, Colour
from coach.outputs.overlay.legible import SIZE_NAMES, height_mm, size_of
from coach.outputs.overlay.paint import measure


def contrast(a: Colour, b: Colour) -> float:
    return float(wcag_contrast_ratio.rgb([c / 255 for c in a], [c / 255 for c in b]))


def test_the_checker_itself_is_right() -> None:
    """WCAG 2.2: #767676 on white is 4.542 and passes, #777777 is 4.478 and fails."""
    assert 4.542 == pytest.approx(contrast((0x76,) * 3, (255,) * 3), abs=0.001)
    assert 4.478 == pytest.approx(contrast((0x77,) * 3, (255,) * 3), abs=0.001)


@pytest.mark.parametrize("name", TEXT_COLOURS)
def test_every_text_colour_can_be_read_on_the_ground(name: str) -> None:
    """WCAG 2.2, 1.4.3: text at least 4.5 : 1 on its own ground."""
    assert contrast(TEXT_COLOURS[name], GROUND) >= 4.5


def test_the_letter_in_the_pit_square_and_the_bars_can_be_told_from_what_is_behind() -> None:
    """WCAG 2.2: black on the grey square 4.5, graphics (1.4.11) at least 3 : 1 on the trough of the bar."""
    assert contrast((0, 0, 0), DIM) >= 4.5
    assert all(contrast(colour, TROUGH) >= 3.0 for colour in (GAINED, LOST, TEXT))


@pytest.mark.parametrize("kind", ["deuteranomaly", "protanomaly", "tritanomaly"])
def test_gained_and_lost_stay_apart_for_colour_blind_eyes(kind: str) -> None:
    """Wong 2011, Nature Methods 8:441 (palette); difference in CAM02-UCS at least 40 at full severity.

    The simulation is Machado et al. 2009 as colorspacious has it.
    """
    space = {"name": "sRGB1+CVD", "cvd_type": kind, "severity": 100}
    seen = [
        np.clip(colorspacious.cspace_convert([c / 255 for c in colour], space, "sRGB1"), 0, 1)
        for colour in (GAINED, LOST, TEXT)
    ]
    differences = [colorspacious.deltaE(a, b, input_space="sRGB1") for a, b in combinations(seen, 2)]
    assert differences[0] >= 40, "gained against lost"


@pytest.mark.parametrize("name", SIZE_NAMES)
def test_letters_are_high_enough_for_700_mm(name: str) -> None:
    """ISO 9241-303 (from memory): characters 20 to 22 minutes of arc high; 20' at 700 mm are 4.07 mm.

    Measured on the rendered capital, at 109 pixels an inch, the finest screen used without scaling.
    """
    assert 4.07 == pytest.approx(height_mm(20), abs=0.005)
    from coach.outputs.overlay.paint import text_surface

    size = size_of(name)
    ink = text_surface("H", size.text_cap, TEXT).get_bounding_rect().height
    assert math.degrees(2 * math.atan(ink * 25.4 / 109 / 2 / 700)) * 60 >= 20
    # the cue is the largest text, then the number, corner and distance last (ours)
    assert size.cue_cap > size.number_cap > size.text_cap
    assert measure("H", size.text_cap)[1] >= ink


def test_one_number_and_one_sign() -> None:
    """A glance of 2 s at most (NHTSA 78 FR 24817): one number for the delta, nothing that scrolls."""
    from coach.core.values import View
    from coach.outputs.overlay.layout import Caption, Scene, lay_out

    view = View(t_s=1.0, state="live", delta_s=0.24, next_corner="Kettle", to_brake_m=140.0)
    drawing = lay_out(Scene(view, Caption("late apex", 0.0)), size_of("small"), measure)
    assert {"+0.24", "late apex", "Kettle", "140 m"} == {
        text for i in drawing.items if (text := getattr(i, "text", ""))
    }
