"""Recorded sessions: a thread writes them without blocking the engine; reading tolerates a cut end.

A session is a folder::

    header.json       what was driven, with which feed, and the schema number
    frames.arrows     the frames, an Arrow IPC stream (:mod:`feeds.frame_stream`)
    decisions.jsonl   one line per decision
    events.jsonl      one line per finished lap or other event
    profile.yaml, reference.arrow, rules.yaml    copies of the files in use, so that a replay needs nothing else
"""
