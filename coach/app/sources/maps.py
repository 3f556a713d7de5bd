"""Packet maps: trying them, keeping and playing raw datagrams."""

from __future__ import annotations

from feeds.packet_map.capture import capture, read_capture, send_capture
from feeds.packet_map.model import PacketMap, read_map
from feeds.packet_map.trial import FieldRow, Trial, trial_answer, try_live

__all__ = [
    "FieldRow",
    "PacketMap",
    "Trial",
    "capture",
    "read_capture",
    "read_map",
    "send_capture",
    "trial_answer",
    "try_live",
]  # fmt: skip
