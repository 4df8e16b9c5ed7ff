#!/usr/bin/env python3
"""Makes the reference values that package radio/path is held against, beside this file.

    python3 make_references.py

knife-edge.txt  the exact loss behind a knife edge, by the Fresnel integrals of SciPy (scipy.special.fresnel):
                -20 log10(0.5 sqrt((1 - C - S)^2 + (C - S)^2)). On Debian: python3-scipy.
bullington.txt  Bullington's construction over random profiles, written here from the formulas in kilometres of ITU-R
                P.526, section 4.5.1, so with other units and another arrangement than the package has.

The result is the same at every run.
"""
import math
import os
import random

from scipy.special import fresnel

here = os.path.dirname(os.path.abspath(__file__))


def knife_edge():
    out = ["# Made by make_references.py with SciPy: v, exact loss in dB."]
    for i in range(-30, 101):
        v = i / 10
        s, c = fresnel(v)
        out.append("%.1f %.6f" % (v, -20 * math.log10(0.5 * math.hypot(1 - c - s, c - s))))
    return out


def j(v):
    return 6.9 + 20 * math.log10(math.sqrt((v - 0.1) ** 2 + 1) + v - 0.1) if v > -0.78 else 0


def bullington():
    out = ["# Made by make_references.py: MHz, length in m, heights of the antennas above the ground at their ends, loss of the one",
           "# edge, loss with the correction; then the ground, evenly spaced."]
    rng = random.Random(5)
    for _ in range(60):
        d, n, mhz = rng.uniform(0.1, 8), rng.randint(3, 40), rng.choice([433.92, 868.3, 915.0, 2440.0])
        rough = rng.choice([0.5, 5, 30])
        ground = [round(400 + rng.uniform(-rough, rough), 3) for _ in range(n)]
        up = (round(rng.uniform(1, 12), 3), round(rng.uniform(1, 12), 3))
        d = round(d, 6)
        hts, hrs = ground[0] + up[0], ground[-1] + up[1]
        lam, ce = 299.792458 / mhz, 1 / (4 / 3 * 6371)
        inner = [(d * i / (n - 1), h) for i, h in enumerate(ground)][1:-1]
        stim = max((h + 500 * ce * x * (d - x) - hts) / x for x, h in inner)
        if stim < (hrs - hts) / d:
            luc = j(max((h + 500 * ce * x * (d - x) - (hts * (d - x) + hrs * x) / d) * math.sqrt(0.002 * d / (lam * x * (d - x))) for x, h in inner))
        else:
            srim = max((h + 500 * ce * x * (d - x) - hrs) / (d - x) for x, h in inner)
            db = (hrs - hts + srim * d) / (stim + srim)
            luc = j((hts + stim * db - (hts * (d - db) + hrs * db) / d) * math.sqrt(0.002 * d / (lam * db * (d - db))))
        out.append("%s %s %s %s %.6f %.6f %s" % (mhz, d * 1000, *up, luc, luc + (1 - math.exp(-luc / 6)) * (10 + 0.02 * d), " ".join(map(str, ground))))
    return out


for name, lines in [("knife-edge.txt", knife_edge()), ("bullington.txt", bullington())]:
    with open(os.path.join(here, name), "w") as f:
        f.write("\n".join(lines) + "\n")
