"""A small valid profile, rule file and reference for the tests of this room."""

from __future__ import annotations

import numpy as np

from coach.core.track.reference import Reference

PROFILE = """\
# Our circuit, as we drive it
schema: 1
circuit: "Invented Ring"   # the name on the sign
length_m: 1000.0

pronounce:
  Ochre: oaker

corners:
    # the first one
    - name: Ochre
      say: turn one
      direction: left
      brake_m: 100
      turn_in_m: 200.0
      apex_m: 230.0   # where the kerb is widest
      exit_m:   260.0
      end_m: 290
      boards: [150,100, 50]
      gear: 2
      apex: late
      kerbs: {apex: use, exit: avoid}
      cautions:
      - {kind: bump, at_m: 190, words: bump on entry, safety: true}
      words: [ "release slowly" ]
      mute: [brake_soft, gear]
      limits: {latest_brake_m: 105, widest_exit_offset_m: 2}

    # the second one, no braking
    - name: Umber
      direction: right
      turn_in_m: 500
      apex_m: 530
      exit_m: 560
      end_m: 600   # by the marshal's post
# the end
"""

RULES = """\
schema: 1
name: mine
level: improving
rules:
  - name: later
    family: correction
    about: brake_early
    slot: approach
    long: "you can brake {metres} metres later"
    short: brake later
    seen: 2
    of_last: 3
"""


def ring(n: int = 1000, closed: bool = True) -> Reference:
    """A circle of 1000 m driven at 50 m/s."""
    step = 1000.0 / (n if closed else n - 1)
    s = np.arange(n, dtype=np.float64) * np.float64(step)
    radius = 1000.0 / (2 * np.pi)
    none = np.full(n, np.nan)
    return Reference(
        circuit="Invented Ring",
        closed=closed,
        step_m=step,
        length_m=1000.0,
        lap_time_s=20.0,
        t_s=np.asarray(s / 50.0, np.float64),
        x_m=radius * np.cos(s / radius),
        y_m=radius * np.sin(s / radius),
        z_m=none,
        heading_rad=np.asarray(s / radius + np.pi / 2, np.float64),
        curvature_pm=np.full(n, 1 / radius),
        speed_mps=np.full(n, 50.0),
        throttle=np.ones(n),
        brake=np.zeros(n),
        gear=np.full(n, 4.0),
        left_m=none,
        right_m=none,
        origin_lat_deg=50.0,
    )
