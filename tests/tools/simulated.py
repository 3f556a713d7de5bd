"""Simulated sessions as the core takes them, and the profile that a survey of them gives."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from coach.core.columns import Columns, Floats
from coach.core.track.reference import Reference
from coach.core.values import Corner
from feeds.frame import CHANNELS
from feeds.practice import SimRun
from feeds.practice.faultless import Faultless


def filled(channels: Mapping[str, Floats]) -> Columns:
    """Columns with these channels; the rest is absent."""
    columns = Columns.empty(len(channels["t_s"]))
    for name, values in channels.items():
        columns[name][:] = values
    return columns


def frame_columns(channels: Mapping[str, Floats]) -> Columns:
    """Columns with those of the channels that a frame has."""
    return filled({name: values for name, values in channels.items() if name in CHANNELS})


def columns_of(run: SimRun) -> Columns:
    """The run as a session holds it, with its noise."""
    if run.noise is not None:
        return Columns.of(run.frames())
    return frame_columns(run.channels)


def match_corners(base: Faultless, corners: tuple[Corner, ...], reference: Reference) -> dict[int, int]:
    """Product corner -> simulator corner by the nearest apex; a corner with none within 80 m is left out."""
    circuit = base.circuit
    apexes = []
    for c in base.corners:
        k = round(c.apex_m / circuit.step_m) % len(circuit)
        apexes.append(circuit.place(np.array([k * circuit.step_m]), np.array([base.offset_m[k]]))[0][:2])
    out = {}
    for i, corner in enumerate(corners):
        here = np.array([float(reference.at("x_m", corner.apex_m)), float(reference.at("y_m", corner.apex_m))])
        gaps = np.hypot(*(np.array(apexes) - here).T)
        if gaps.min() < 80.0:
            out[i] = int(np.argmin(gaps))
    return out
