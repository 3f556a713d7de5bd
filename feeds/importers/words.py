"""Common channel names: plain language and the terms of the trade."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Collection
from typing import Final

import msgspec

from feeds.units import known_unit

_CAMEL: Final = re.compile(r"(?<=[a-z0-9])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])")
_SPLIT: Final = re.compile(r"[^a-z0-9%]+")


class Words(msgspec.Struct, frozen=True):
    """``names``: phrases, best first. ``never``: words that mean another quantity."""

    names: tuple[str, ...]
    never: frozenset[str] = frozenset()


_MOTION: Final = frozenset(
    "acceleration accel acc g force velocity speed rate angular angle gyro yaw pitch roll temperature temp pressure "
    "tyre tire wheel suspension damper ride slip load error accuracy dilution std sigma".split()
)
_PARTS: Final = frozenset("front rear left right fl fr rl rr inner outer disc rotor bias balance caliper".split())

VOCABULARY: Final[dict[str, Words]] = {
    "t_s": Words(
        (
            "session time",
            "elapsed time",
            "time stamp",
            "timestamp",
            "time",
            "elapsed",
            "seconds",
            "utc time",
            "utc",
            "t",
        ),
        frozenset(
            "lap delta gap best last sector split predicted remaining zone left sync difference runde tour vuelta giro "
            "volta ronde".split()
        ),
    ),
    "x_m": Words(
        (
            "position x",
            "pos x",
            "x position",
            "x pos",
            "east",
            "easting",
            "world x",
            "x",
            "local x",
            "track x",
            "car x",
        ),
        _MOTION,
    ),
    "y_m": Words(
        (
            "position y",
            "pos y",
            "y position",
            "y pos",
            "north",
            "northing",
            "world y",
            "y",
            "local y",
            "track y",
            "car y",
        ),
        _MOTION,
    ),
    "z_m": Words(
        ("height", "altitude", "elevation", "position z", "pos z", "z position", "alt", "up", "world z", "z", "car z"),
        _MOTION,
    ),
    "lat_deg": Words(("latitude", "gps latitude", "lat", "gps lat"), _MOTION | {"lateral"}),
    "lon_deg": Words(
        ("longitude", "gps longitude", "lon", "lng", "long", "gps lon", "gps long"), _MOTION | {"longitudinal"}
    ),
    "lap_distance_m": Words(
        ("lap distance", "distance in lap", "distance on lap", "lap dist", "track distance", "distance", "dist"),
        frozenset("to from remaining gap next total delta offset".split()),
    ),
    "lap_fraction": Words(
        ("lap fraction", "fraction of lap", "lap share", "lap progress", "lap percent", "lap %", "lap position"),
        frozenset(("time",)),
    ),
    "lap": Words(
        ("lap number", "lap count", "lap no", "current lap", "lap index", "laps", "lap"),
        frozenset("time distance dist delta fraction percent % best last progress position valid beacon s ms".split()),
    ),
    "speed_mps": Words(
        ("vehicle speed", "ground speed", "gps speed", "car speed", "speed over ground", "speed", "velocity", "v"),
        _PARTS
        | frozenset("wheel engine wind x y z vertical lateral limit limiter target min max corner rpm delta".split()),
    ),
    "throttle": Words(
        (
            "throttle pedal",
            "accelerator pedal",
            "throttle position",
            "accelerator position",
            "throttle",
            "accelerator",
            "gas",
        ),
        frozenset("brake temperature body blade map".split()),
    ),
    "brake": Words(
        ("brake pedal", "brake position", "brake", "braking", "brake force", "brake pressure", "brake pressure front"),
        frozenset("temperature temp disc rotor bias balance hand parking light time distance wear".split()),
    ),
    "steer": Words(
        ("steering angle", "steering wheel angle", "steering wheel", "steering", "steer angle", "steer", "wheel angle"),
        frozenset("torque force rate speed assist".split()),
    ),
    "gear": Words(
        ("gear", "current gear", "gear number", "gear position", "selected gear"),
        frozenset("ratio box temp shift".split()),
    ),
    "wheels_off": Words(("wheels off", "wheels off track", "wheels outside", "tyres off track"), frozenset()),
    "in_pit": Words(
        ("in pit", "in pits", "pit lane", "in pit lane", "pit"), frozenset("limiter speed time stop".split())
    ),
    "traction_control": Words(
        ("traction control active", "traction control", "tc active"), frozenset("setting level map switch".split())
    ),
    "anti_lock": Words(
        ("anti lock active", "anti lock", "antilock", "abs active", "abs"),
        frozenset("setting level map switch pressure".split()),
    ),
}


OTHER_WORDS: Final[dict[str, tuple[str, ...]]] = {
    "t_s": ("zeit", "zeitstempel", "uhrzeit", "temps", "tiempo", "tempo", "tijd", "heure", "hora", "ora", "ts",
            "clock"),
    "z_m": ("hohe", "hoehe", "altitud", "altitude", "altezza", "altura", "quota", "hoogte", "elev"),
    "lat_deg": ("breite", "breitengrad", "latitud", "latitudine", "breedtegraad"),
    "lon_deg": ("lange", "laenge", "langengrad", "laengengrad", "longitud", "longitudine", "lengtegraad"),
    "lap_distance_m": ("strecke", "rundenstrecke", "distanz", "weg", "distancia", "distanza", "afstand", "dst"),
    "lap": ("runde", "rundennummer", "runden nr", "tour", "vuelta", "giro", "volta", "ronde", "lap nr", "lp"),
    "speed_mps": (
        "geschwindigkeit", "vitesse", "velocidad", "velocita", "velocidade", "snelheid", "spd", "vel", "veh spd",
    ),
    "throttle": (
        "gaspedal", "fahrpedal", "drosselklappe", "accelerateur", "acelerador", "acceleratore", "gaspedaal", "thr",
        "thrtl", "tps", "throt",
    ),
    "brake": ("bremse", "bremspedal", "bremsdruck", "frein", "freno", "freio", "rem", "rempedaal", "brk", "brk press"),
    "steer": ("lenkung", "lenkwinkel", "lenkrad", "volant", "volante", "sterzo", "stuur", "swa", "str ang"),
    "gear": ("gang", "rapport", "marcha", "marcia", "versnelling", "gr"),
}  # fmt: skip
"""Abbreviations and words of other languages, without diacritics (common practice, no source)."""


def words_of(name: str) -> list[str]:
    """Return a column's name as lower-case words: ``GroundSpeed_kmh`` is ground, speed, kmh."""
    # letters without diacritics: höhe is hohe, vélocité velocite
    flat = unicodedata.normalize("NFKD", name.replace("ß", "ss")).encode("ascii", "ignore").decode()
    return [word for word in _SPLIT.split(_CAMEL.sub(" ", flat).lower()) if word]


def unit_behind(name: str, units: Collection[str]) -> str:
    """Return the unit a name ends with, as written: km_h of ``speed_km_h``; "" if it is none of ``units``.

    ``in`` is a word before it is an inch.
    """
    words = words_of(name)
    for last, written in ((2, "/".join(words[-2:])), (1, words[-1] if words else "")):
        if len(words) > last and written != "in" and (known_unit(written) or written) in units:
            return written
    return ""


def likeness(name: str, field: str) -> tuple[float, str]:
    """Return how well a name fits a field, 0..1, and the phrase that matched."""
    if name.strip() == field:
        return 1.0, field
    vocabulary = VOCABULARY[field]
    names = (*vocabulary.names, *OTHER_WORDS.get(field, ()))
    words = words_of(name)
    asked = set(words)
    best, by = 0.0, ""
    for rank, phrase in enumerate(names):
        wanted = phrase.split()
        if not set(wanted) <= asked or (vocabulary.never & asked) - set(wanted):
            continue
        rest = len(asked - set(wanted))
        # one-letter names must stand alone, or the word before must identify them
        if len(phrase) == 1 and rest:
            continue
        score = (0.95 if len(wanted) == len(asked) else 0.8 - 0.08 * rest) - 0.01 * rank
        if score > best:
            best, by = score, phrase
    return best, by
