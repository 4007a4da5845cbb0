"""Two sounds for whoever packs with both hands: one for may leave, one for stays."""

import io
import wave
from functools import cache

import numpy as np

RATE_HZ = 22_050
LEAVES_HZ = (880.0, 1174.7)
STAYS_HZ = (196.0, 196.0, 196.0)
TONE_S, PAUSE_S, FADE_S = 0.13, 0.05, 0.01
LOUDNESS = 0.5


@cache
def tones(frequencies_hz: tuple[float, ...]) -> bytes:
    """Return tones one after another as a WAV file.

    >>> tones(LEAVES_HZ)[:4]
    b'RIFF'
    """
    t = np.arange(int(RATE_HZ * TONE_S)) / RATE_HZ
    fade = np.minimum(1.0, np.minimum(t, t[-1] - t) / FADE_S)
    silence = np.zeros(int(RATE_HZ * PAUSE_S))
    pieces = []
    for frequency_hz in frequencies_hz:
        pieces += [LOUDNESS * fade * np.sin(2 * np.pi * frequency_hz * t), silence]
    samples = (np.concatenate(pieces) * np.iinfo(np.int16).max).astype("<i2")
    out = io.BytesIO()
    with wave.open(out, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(RATE_HZ)
        file.writeframes(samples.tobytes())
    return out.getvalue()
