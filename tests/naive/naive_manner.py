"""Plain twins of ``kinematics.manner``, written from the docstrings."""

import math

import numpy as np


def peak_jerk(time_s, decel, start, stop, offsets, window_s, gap_s):
    out = []
    for e in range(len(start)):
        best = math.nan
        inside = [i for i in range(start[e], stop[e]) if not math.isnan(decel[i])] if start[e] >= 0 else []
        peak = max(inside, key=lambda i: (decel[i], -i)) if inside else -1
        for i in range(start[e], peak + 1) if inside else ():
            earlier = [k for k in range(offsets[e], i) if time_s[k] <= time_s[i] - window_s + 1e-9]
            if not earlier:
                continue
            k = earlier[-1]
            step = time_s[i] - time_s[k]
            if step <= window_s + gap_s[e]:
                rise = (decel[i] - decel[k]) / step
                if not math.isnan(rise) and (math.isnan(best) or rise > best):
                    best = rise
        out.append(best)
    return np.array(out)


def last_share(time_s, speed, start, stop, last_s):
    out = []
    for a, b in zip(start, stop, strict=True):
        if a < 0 or b - a < 2 or not speed[a] - speed[b - 1] > 0:
            out.append(math.nan)
            continue
        moment = time_s[b - 1] - last_s
        if moment <= time_s[a]:
            out.append(1.0)
            continue
        then = float("nan")
        for i in range(a + 1, b):
            if time_s[i - 1] <= moment < time_s[i]:
                along = (moment - time_s[i - 1]) / (time_s[i] - time_s[i - 1])
                then = speed[i - 1] + along * (speed[i] - speed[i - 1])
        share = (then - speed[b - 1]) / (speed[a] - speed[b - 1])
        out.append(share if math.isnan(share) else min(max(share, 0.0), 1.0))
    return np.array(out)
