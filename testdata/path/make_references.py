#!/usr/bin/env python3
"""Makes the reference values that package radio/path is held against, beside this file.

    python3 make_references.py

knife-edge.txt  the exact loss behind a knife edge, by the Fresnel integrals of SciPy (scipy.special.fresnel):
                -20 log10(0.5 sqrt((1 - C - S)^2 + (C - S)^2)). On Debian: python3-scipy.
bullington.txt  Bullington's construction, and the delta method over it, over random profiles, written here in the
                kilometres and the arrangement of ITU-R P.452, section 4.2, which are not those of the package.

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


AE = 4 / 3 * 6371


def construction(d, points, hts, hrs, lam):
    """d and distances in km, heights in m: the loss of the one edge, and the loss with the correction."""
    ce = 1 / AE
    inner = points[1:-1]
    stim = max((h + 500 * ce * x * (d - x) - hts) / x for x, h in inner)
    if stim < (hrs - hts) / d:
        luc = j(max((h + 500 * ce * x * (d - x) - (hts * (d - x) + hrs * x) / d) * math.sqrt(0.002 * d / (lam * x * (d - x))) for x, h in inner))
    else:
        srim = max((h + 500 * ce * x * (d - x) - hrs) / (d - x) for x, h in inner)
        db = (hrs - hts + srim * d) / (stim + srim)
        luc = j((hts + stim * db - (hts * (d - db) + hrs * db) / d) * math.sqrt(0.002 * d / (lam * db * (d - db))))
    return luc, luc + (1 - math.exp(-luc / 6)) * (10 + 0.02 * d)


def first_term(adft, d, f, hte, hre, vertical):
    er, sg = 22.0, 0.003
    k = 0.036 * (adft * f) ** (-1 / 3) * ((er - 1) ** 2 + (18 * sg / f) ** 2) ** (-1 / 4)
    if vertical:
        k *= (er ** 2 + (18 * sg / f) ** 2) ** 0.5
    beta = (1 + 1.6 * k ** 2 + 0.67 * k ** 4) / (1 + 4.5 * k ** 2 + 1.53 * k ** 4)
    x = 21.88 * beta * (f / adft ** 2) ** (1 / 3) * d
    fx = 11 + 10 * math.log10(x) - 17.6 * x if x >= 1.6 else -20 * math.log10(x) - 5.6488 * x ** 1.425

    def g(h):
        b = beta * 0.9575 * beta * (f ** 2 / adft) ** (1 / 3) * h
        y = 17.6 * (b - 1.1) ** 0.5 - 5 * math.log10(b - 1.1) - 8 if b > 2 else 20 * math.log10(b + 0.1 * b ** 3)
        return max(y, 2 + 20 * math.log10(k))

    return -fx - g(hte) - g(hre)


def sphere(d, hte, hre, lam, f, vertical):
    if d >= math.sqrt(2 * AE) * (math.sqrt(0.001 * hte) + math.sqrt(0.001 * hre)):
        return first_term(AE, d, f, hte, hre, vertical)
    c, m = (hte - hre) / (hte + hre), 250 * d * d / (AE * (hte + hre))
    b = 2 * math.sqrt((m + 1) / (3 * m)) * math.cos(math.pi / 3 + 1 / 3 * math.acos(3 * c / 2 * math.sqrt(3 * m / (m + 1) ** 3)))
    d1 = d / 2 * (1 + b)
    d2 = d - d1
    hse = ((hte - 500 * d1 * d1 / AE) * d2 + (hre - 500 * d2 * d2 / AE) * d1) / d
    hreq = 17.456 * math.sqrt(d1 * d2 * lam / d)
    if hse > hreq:
        return 0
    loss = first_term(500 * (d / (math.sqrt(hte) + math.sqrt(hre))) ** 2, d, f, hte, hre, vertical)
    return 0 if loss < 0 else (1 - hse / hreq) * loss


def delta(d, points, hts, hrs, lam, f, vertical):
    v1 = sum((x - u) * (h + g) for (u, g), (x, h) in zip(points, points[1:]))
    v2 = sum((x - u) * (h * (2 * x + u) + g * (x + 2 * u)) for (u, g), (x, h) in zip(points, points[1:]))
    hst, hsr = (2 * v1 * d - v2) / d ** 2, (v2 - v1 * d) / d ** 2
    over = [(x, h - (hts * (d - x) + hrs * x) / d) for x, h in points[1:-1]]
    hobs, aobt, aobr = max(h for _, h in over), max(h / x for x, h in over), max(h / (d - x) for x, h in over)
    if hobs > 0:
        hst, hsr = hst - hobs * aobt / (aobt + aobr), hsr - hobs * aobr / (aobt + aobr)
    hst, hsr = min(hst, points[0][1]), min(hsr, points[-1][1])
    lba = construction(d, points, hts, hrs, lam)[1]
    lbs = construction(d, [(x, 0) for x, _ in points], hts - hst, hrs - hsr, lam)[1]
    return lba + max(sphere(d, hts - hst, hrs - hsr, lam, f, vertical) - lbs, 0)


def bullington():
    out = ["# Made by make_references.py: MHz, length in m, heights of the antennas above the ground at their ends, loss of the one",
           "# edge, loss with the correction, delta with vertical and with horizontal antennas; then the ground, evenly spaced."]
    rng = random.Random(5)
    for i in range(90):
        d, n, mhz = rng.uniform(0.1, 8 if i < 60 else 40), rng.randint(3, 40), rng.choice([150, 433.92, 868.3, 915.0, 2440.0])
        rough = rng.choice([0.1, 0.5, 5, 30])
        ground = [round(400 + rng.uniform(-rough, rough), 3) for _ in range(n)]
        up = (round(rng.uniform(0.3, 12), 3), round(rng.uniform(0.3, 12), 3))
        d = round(d, 6)
        hts, hrs = ground[0] + up[0], ground[-1] + up[1]
        lam = 299.792458 / mhz
        points = [(d * k / (n - 1), h) for k, h in enumerate(ground)]
        losses = construction(d, points, hts, hrs, lam) + tuple(delta(d, points, hts, hrs, lam, mhz / 1000, v) for v in (True, False))
        out.append("%s %s %s %s %.6f %.6f %.6f %.6f %s" % (mhz, d * 1000, *up, *losses, " ".join(map(str, ground))))
    return out


for name, lines in [("knife-edge.txt", knife_edge()), ("bullington.txt", bullington())]:
    with open(os.path.join(here, name), "w") as f:
        f.write("\n".join(lines) + "\n")
