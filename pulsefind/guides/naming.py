"""Plain names for sounds, by ear: what was heard and what it may be like, never more.

Instruments have the names of the General MIDI Level 1 percussion map. The frequency and length ranges are common
practice, no source.
"""

from __future__ import annotations

from pulsefind.core.records import Sound

_LOW_HZ, _LOW_MID_HZ, _MID_HZ, _HIGH_HZ = 160.0, 500.0, 2500.0, 5000.0  # common practice, no source
_SHORT_MS, _LONG_MS = 90.0, 260.0  # common practice, no source
_NOISY = 0.4  # judged: of 0 (a tone) to 1 (noise)


def describe(sound: Sound) -> str:
    """What it sounds like, and what it may be: 'bright short tick, like a closed hi-hat or a maraca'.

    For notes, which the network was taught, it says what may be playing them: 'plucked high note, short, like a guitar
    or a keyboard'. The measured pitch and length are in the sound's record.
    """
    if sound.instrument:
        return _note(sound)
    length = "short" if sound.decay_ms < _SHORT_MS else "long" if sound.decay_ms > _LONG_MS else "dry"
    return f"{_character(sound, length)}, {_likeness(sound)}"


def _note(sound: Sound) -> str:
    ringing = "ringing" if sound.decay_ms > _LONG_MS else "short"
    if sound.instrument == "bass":
        return f"bass, {ringing} low notes like a bass guitar's, a double bass's or a keyboard's"
    height = "low " if sound.centre_hz < _LOW_MID_HZ else "high " if sound.centre_hz >= _MID_HZ else ""
    return f"plucked {height}note, {ringing}, like a guitar or a keyboard"


def _character(sound: Sound, length: str) -> str:
    if sound.centre_hz < _LOW_HZ:
        return {"short": "short low thump", "dry": "low thump", "long": "long low note"}[length]
    if sound.centre_hz < _LOW_MID_HZ:
        return {"short": "short dark knock", "dry": "dark knock", "long": "long dark note"}[length]
    if sound.centre_hz < _MID_HZ:
        return {"short": "short mid tap", "dry": "mid crack", "long": "long mid sound"}[length]
    if sound.centre_hz < _HIGH_HZ:
        return {"short": "short crisp tick", "dry": "crisp hit", "long": "long crisp sound"}[length]
    return {"short": "bright short tick", "dry": "bright hit", "long": "bright long wash"}[length]


def _likeness(sound: Sound) -> str:
    if sound.drum and sound.drum != "percussion":
        return f"like a {sound.drum}"
    short, long = sound.decay_ms < _SHORT_MS, sound.decay_ms > _LONG_MS
    if sound.centre_hz < _LOW_HZ:
        return "like a bass note" if long else "like a bass drum"
    if sound.centre_hz < _LOW_MID_HZ:
        return "like a low tom or a bass note" if sound.noisiness < _NOISY else "like a tom or the body of a snare"
    if sound.centre_hz < _MID_HZ:
        if sound.noisiness >= _NOISY:
            return "like a snare or a hand clap"
        return "like a side stick, claves or a muted string" if short else "unclear: drum, string or key"
    if sound.centre_hz < _HIGH_HZ:
        if long:
            return "like a ride cymbal or a strummed string"
        return "like a snare, a hand clap or a tambourine" if sound.noisiness >= _NOISY else "like a cowbell or claves"
    if long:
        return "like a cymbal or an open hi-hat"
    return "like a closed hi-hat or a maraca" if short else "like a hi-hat, a cabasa or a tambourine"
