"""Simulated equipment between a sound device's output and its input: raw float32 stereo on standard input and output.

Channel 1 is the reference, a little softer; channel 2 is the response: reference through the shelf of filters.json, for `plain`
the reference itself, and for `bent` with 0.01 x^2 added. scipy 1.17.1, signal.sosfilt.
"""
import json
import os
import sys

import numpy as np
from scipy import signal

folder = os.path.join(os.path.dirname(__file__), "..", "reference", "bench")
sections = np.array(json.load(open(os.path.join(folder, "filters.json")))["filters"]["shelf"]["sections"])
state = np.zeros((len(sections), 2))
generator = np.random.default_rng(1)
bend = 0.01 if "bent" in sys.argv else 0.0
while True:
    block = sys.stdin.buffer.read(480 * 8)
    if len(block) < 8:
        break
    frames = np.frombuffer(block[: len(block) // 8 * 8], dtype="<f4").reshape(-1, 2).astype(float)
    reference = 0.9 * frames[:, 0]
    response, state = signal.sosfilt(sections, reference, zi=state)
    if "plain" in sys.argv:
        response = reference
    response = response + bend * response**2 + 1e-6 * generator.standard_normal(len(response))
    out = np.stack([reference, response], axis=1).astype("<f4")
    sys.stdout.buffer.write(out.tobytes())
    sys.stdout.buffer.flush()
