"""I draw pages of many kinds whose every mark is known: night, comic, map, plants, hatching, spatter, type and more.

In: a seed and dpi. Out: an `Art`, ink or none at four samples to the pixel.
"""

from __future__ import annotations

import subprocess
from collections.abc import Callable

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont

MM = 25.4
SAMPLES = 4  # to the pixel and side
FONT = "/usr/share/fonts/truetype/dejavu/DejaVuSans.ttf"


class Art:
    """A drawing in progress: ink or none; `k` samples to the mm."""

    def __init__(self, w, h, dpi):
        self.dpi = dpi
        self.k = dpi / MM * SAMPLES
        self.w = w
        self.h = h
        self.a = np.zeros((round(h / MM * dpi) * SAMPLES, round(w / MM * dpi) * SAMPLES), np.uint8)

    def pts(self, p):
        return np.rint((np.asarray(p, float) * self.k - 0.5) * 16).astype(np.int32).reshape(-1, 1, 2)

    def poly(self, p, v=1):
        cv2.fillPoly(self.a, [self.pts(p)], v, cv2.LINE_8, 4)

    def line(self, p, wd, v=1, closed=False):
        p = np.asarray(p, float)
        t = max(1, round(wd * self.k))
        cv2.polylines(self.a, [self.pts(p)], closed, v, t, cv2.LINE_8, 4)

    def dot(self, x, y, d, v=1):
        cv2.circle(
            self.a, tuple(int(q) for q in self.pts([(x, y)]).ravel()), round(d / 2 * self.k * 16), v, -1, cv2.LINE_8, 4
        )

    def text(self, t, x, y, hmm, wd, v=1):
        f = cv2.FONT_HERSHEY_DUPLEX
        sc = hmm * self.k / 22
        cv2.putText(self.a, t, (int(x * self.k), int(y * self.k)), f, sc, v, max(1, round(wd * self.k)), cv2.LINE_8)


def blob(rng, x, y, r, n=60, rough=0.08):
    """A wobbly outline."""
    th = np.linspace(0, 2 * np.pi, n, endpoint=False)
    rr = r * (1 + sum(rng.normal(0, rough) * np.cos(k * th + rng.uniform(0, 6)) for k in (2, 3, 5)))
    return np.stack([x + rr * np.cos(th), y + rr * np.sin(th)], 1)


def night(seed, dpi, w=60, h=60):
    """night sky, eyes, hatching, lettering, stipple, boxes."""
    r = np.random.default_rng(seed)
    A = Art(w, h, dpi)
    # night sky with stars .1-.5
    A.poly([(3, 3), (28, 3), (28, 20), (3, 20)])
    for _ in range(110):
        A.dot(r.uniform(3.6, 27.4), r.uniform(3.6, 19.4), float(np.exp(r.uniform(np.log(0.1), np.log(0.5)))), 0)
    for _ in range(8):
        x, y = r.uniform(5, 26), r.uniform(5, 18)
        L = r.uniform(0.3, 0.8)
        A.line([(x - L, y), (x + L, y)], 0.1, 0)
        A.line([(x, y - L), (x, y + L)], 0.1, 0)
    # eyes with highlights
    for i in range(6):
        x, y = 32 + 4.2 * i, 6
        A.poly(blob(r, x, y, r.uniform(0.7, 1.6), rough=0.03))
        A.dot(x - 0.25, y - 0.25, r.uniform(0.15, 0.45), 0)
        A.dot(x + 0.3, y + 0.2, r.uniform(0.1, 0.2), 0)
    # small inked boxes with white inside
    for i in range(12):
        x, y = 31 + 2.2 * (i % 12), 10.5
        s = r.uniform(0.5, 1.4)
        A.poly([(x, y), (x + s, y), (x + s, y + s), (x, y + s)])
        q = r.uniform(0.12, 0.4) * s
        A.poly(
            [
                (x + s / 2 - q / 2, y + s / 2 - q / 2),
                (x + s / 2 + q / 2, y + s / 2 - q / 2),
                (x + s / 2 + q / 2, y + s / 2 + q / 2),
                (x + s / 2 - q / 2, y + s / 2 + q / 2),
            ],
            0,
        )
    # hatching, cross-hatching
    for x0, y0, p, wd, ang, cr in (
        (31, 14, 0.35, 0.12, 0.3, 0),
        (41, 14, 0.45, 0.2, -0.2, 1),
        (50, 14, 0.55, 0.3, 0.6, 1),
    ):
        for a in [ang] if not cr else [ang, ang + 1.4]:
            c, sn = np.cos(a), np.sin(a)
            for t in np.arange(-6, 6, p):
                cx, cy = x0 + 3.5 - sn * t, y0 + 3.5 + c * t
                l0, l1 = -3 - r.uniform(0, 0.6), 3 + r.uniform(0, 0.6)
                P = [
                    (cx + c * l0, cy + sn * l0),
                    (cx + r.normal(0, 0.05), cy + r.normal(0, 0.05)),
                    (cx + c * l1, cy + sn * l1),
                ]
                P = [(min(max(px, x0), x0 + 8), min(max(py, y0), y0 + 7.5)) for px, py in P]
                A.line(P, wd * r.uniform(0.85, 1.1))
    # lettering
    for j, (hh, wd) in enumerate(((1.2, 0.12), (1.6, 0.2), (2.2, 0.25), (3, 0.3))):
        A.text("a harbor; eeoo go, i.. 86 B & tides", 4, 25 + j * 3.6, hh, wd)
    # rows of dots
    for j, d in enumerate((0.1, 0.12, 0.15, 0.2, 0.3)):
        for i in range(25):
            A.dot(4 + i * 0.9 + r.normal(0, 0.02), 38 + j * 1.1 + r.normal(0, 0.02), d)
    # stipple area
    n = 0
    P = []
    while n < 260:
        x, y = r.uniform(32, 56), r.uniform(36, 46)
        if all((x - a) ** 2 + (y - b) ** 2 > 0.3 for a, b in P):
            P.append((x, y))
            n += 1
            A.dot(x, y, float(np.exp(r.uniform(np.log(0.1), np.log(0.35)))))
    # lone dots and ticks
    for _ in range(60):
        x, y = r.uniform(3, 57), r.uniform(47, 57)
        if r.random() < 0.5:
            A.dot(x, y, float(np.exp(r.uniform(np.log(0.1), np.log(0.4)))))
        else:
            a = r.uniform(0, 6.3)
            L = r.uniform(0.3, 1.5)
            A.line([(x, y), (x + L * np.cos(a), y + L * np.sin(a))], r.uniform(0.1, 0.25))
    return A


def clip(path, dpi, w=60, h=60, invert=False):
    """A drawing of a file, fitted to the sheet."""
    px = round(w / MM * dpi) * SAMPLES
    png = subprocess.run(
        ["rsvg-convert", "-w", str(px), "-h", str(px), "-a", "-b", "white", path], capture_output=True, timeout=60
    ).stdout
    im = cv2.imdecode(np.frombuffer(png, np.uint8), 0)
    A = Art(w, h, dpi)
    A.a[:] = 0
    hh, ww = min(im.shape[0], A.a.shape[0]), min(im.shape[1], A.a.shape[1])
    A.a[:hh, :ww] = im[:hh, :ww] < 128
    return A


def cover(A):
    """Share of ink in each pixel."""
    return cv2.resize(A.a.astype(np.float32), None, fx=1 / SAMPLES, fy=1 / SAMPLES, interpolation=cv2.INTER_AREA)


def comic(seed, dpi, w=60, h=60):
    """Figures, freckles, dotted lines, rain, stipple, words, splashes."""
    r = np.random.default_rng(seed + 90000)
    A = Art(w, h, dpi)
    A.line([(2, 2), (w - 2, 2), (w - 2, h - 2), (2, h - 2)], r.choice([0.3, 0.5]), closed=True)

    def curve(x, y, L, n=30, bend=0.25):
        a = r.uniform(0, 6.3) + np.cumsum(r.normal(0, bend, n))
        s = L / n
        return np.stack([x + np.cumsum(np.cos(a)) * s, y + np.cumsum(np.sin(a)) * s], 1)

    # figures: long curves of pens
    for _ in range(14):
        A.line(curve(r.uniform(8, w - 8), r.uniform(8, h - 8), r.uniform(8, 25)), r.choice([0.1, 0.15, 0.2, 0.3, 0.5]))
    # faces: freckles, eyes
    for _ in range(5):
        x, y, R = r.uniform(8, w - 8), r.uniform(8, h - 8), r.uniform(2.5, 4)
        A.line(blob(r, x, y, R, rough=0.04), 0.25, closed=True)
        for sx in (-1, 1):
            A.dot(x + sx * R * 0.35, y - R * 0.2, r.uniform(0.35, 0.6))
            A.dot(x + sx * R * 0.35 - 0.08, y - R * 0.2 - 0.08, r.uniform(0.1, 0.16), 0)
            for _ in range(r.integers(3, 8)):
                A.dot(x + sx * R * 0.5 + r.normal(0, 0.35), y + R * 0.15 + r.normal(0, 0.25), r.uniform(0.1, 0.2))
    # dotted lines, arcs of dots
    for _ in range(6):
        p = curve(r.uniform(6, w - 6), r.uniform(6, h - 6), r.uniform(5, 15), n=int(r.integers(8, 22)), bend=0.12)
        d = r.uniform(0.1, 0.25)
        for q in p:
            A.dot(*q, d * r.uniform(0.9, 1.1))
    # rain or grass ticks
    for _ in range(4):
        x0, y0 = r.uniform(6, w - 14), r.uniform(6, h - 12)
        a = r.uniform(-0.4, 0.4) + 1.57
        for _ in range(r.integers(15, 40)):
            x, y = x0 + r.uniform(0, 9), y0 + r.uniform(0, 7)
            L = r.uniform(0.4, 1.4)
            b = a + r.normal(0, 0.1)
            A.line([(x, y), (x + L * np.cos(b), y + L * np.sin(b))], r.uniform(0.1, 0.18))
    # stipple gradient
    for _ in range(3):
        x0, y0 = r.uniform(6, w - 14), r.uniform(6, h - 12)
        P = []
        for _ in range(r.integers(80, 220)):
            x, y = x0 + abs(r.normal(0, 3.5)), y0 + abs(r.normal(0, 2.5))
            if all((x - u) ** 2 + (y - v) ** 2 > 0.06 for u, v in P) and x < w - 3 and y < h - 3:
                P.append((x, y))
                A.dot(x, y, r.uniform(0.1, 0.26))
    # words, with i-dots and periods of their own
    for _j in range(6):
        hh = r.uniform(1.3, 2.4)
        A.text(
            "in this light, little tin: 'ships'... i;", r.uniform(3, 12), r.uniform(8, h - 6), hh, r.uniform(0.1, 0.22)
        )
    # splashes: a few black drops about a blot
    for _ in range(3):
        x, y = r.uniform(8, w - 8), r.uniform(8, h - 8)
        A.poly(blob(r, x, y, r.uniform(0.5, 1.2), rough=0.1))
        for _ in range(10):
            q = r.uniform(1, 4)
            a = r.uniform(0, 6.3)
            A.dot(x + q * np.cos(a), y + q * np.sin(a), r.uniform(0.1, 0.4))
    return A


def _curve(r, x, y, L, n=30, bend=0.15):
    """A wandering pen."""
    a = r.uniform(0, 6.3) + np.cumsum(r.normal(0, bend, n))
    s = L / n
    return np.stack([x + np.cumsum(np.cos(a)) * s, y + np.cumsum(np.sin(a)) * s], 1)


def _taper(A, p, w0, w1, v=1):
    """A stroke that thins out."""
    p = np.asarray(p, float)
    d = np.gradient(p, axis=0)
    d /= np.maximum(np.hypot(*d.T)[:, None], 1e-9)
    nrm = np.stack([-d[:, 1], d[:, 0]], 1)
    w = np.linspace(w0, w1, len(p))[:, None] / 2
    A.poly(np.concatenate([p + nrm * w, (p - nrm * w)[::-1]]), v)


def tram(s, dpi, w=60, h=60):
    """A map: lines, stops, coast, dotted limits, trees, names, soundings."""
    r = np.random.default_rng(s + 41000)
    A = Art(w, h, dpi)
    for _ in range(6):
        p = _curve(r, r.uniform(5, w - 5), r.uniform(5, h - 5), r.uniform(25, 55), n=10, bend=0.5)
        A.line(p, r.choice([0.3, 0.5, 0.8, 1.2]))
        for q in p[1::2]:
            A.dot(*q, 2.0)
            A.dot(*q, 1.4, 0)
            if r.random() < 0.4:
                A.dot(*q, 0.5)
    p = _curve(r, 2, r.uniform(20, 40), 60, n=60, bend=0.1)
    A.line(p, 0.2)
    for i in range(5):
        A.line(p + [0, 0.5 * (i + 1)], 0.1)  # coast waterlines
    for _ in range(8):  # dotted and dashed limits
        p = _curve(r, r.uniform(5, w - 5), r.uniform(5, h - 5), r.uniform(6, 20), n=int(r.integers(10, 40)), bend=0.06)
        d = r.uniform(0.1, 0.22)
        for q in p:
            A.dot(*q, d)
    for _ in range(60):  # trees: dot with arc
        x, y = r.uniform(3, w - 3), r.uniform(3, h - 3)
        A.dot(x, y, r.uniform(0.12, 0.3))
        t = np.linspace(-0.6, 2.2, 8)
        A.line(np.stack([x + 0.35 * np.cos(t), y + 0.35 * np.sin(t)], 1), 0.1)
    for j in range(10):
        A.text(
            ["Mole End", "St. Quill", "Pier 3: N.", "Old Hythe", "i. d. Wiek"][j % 5],
            r.uniform(3, w - 20),
            r.uniform(6, h - 4),
            r.uniform(1.0, 1.8),
            r.uniform(0.1, 0.18),
        )
    for _ in range(25):
        A.dot(r.uniform(3, w - 3), r.uniform(3, h - 3), float(np.exp(r.uniform(np.log(0.1), np.log(0.3)))))  # soundings
    return A


def botany(s, dpi, w=60, h=60):
    """Stems, leaves, stipple that thins out."""
    r = np.random.default_rng(s + 42000)
    A = Art(w, h, dpi)
    for _ in range(4):
        p = _curve(r, r.uniform(15, w - 15), r.uniform(15, h - 15), r.uniform(15, 30), bend=0.05)
        _taper(A, p, r.uniform(0.3, 0.6), 0.1)
        for q in p[3::5]:
            a = r.uniform(0, 6.3)
            L = r.uniform(3, 7)
            t = np.linspace(0, 1, 20)
            u = np.stack([np.cos(a) * t * L, np.sin(a) * t * L], 1)
            nn = np.array([-np.sin(a), np.cos(a)])
            for sg in (1, -1):
                A.line(q + u + sg * nn * (L * 0.22 * np.sin(np.pi * t))[:, None], r.uniform(0.1, 0.2))
            A.line(q + u * 0.9, 0.1)
            n = int(r.integers(40, 150))  # stipple that thins out to one side, smaller there
            for _ in range(n):
                f = r.beta(1, 2.5)
                e = r.uniform(0, 1)
                z = (
                    q
                    + np.array([np.cos(a), np.sin(a)]) * L * e
                    + nn * L * 0.22 * np.sin(np.pi * e) * (1 - 2 * f) * 0.95
                )
                A.dot(*z, r.uniform(0.1, 0.13) + 0.12 * (1 - f) ** 2)
    for _ in range(3):  # round fruit by stipple
        x, y, R = r.uniform(8, w - 8), r.uniform(8, h - 8), r.uniform(2, 4)
        A.line(blob(r, x, y, R, rough=0.02), 0.15, closed=True)
        P = []
        for _ in range(400):
            q = r.uniform(-R, R, 2)
            if (
                np.hypot(*q) < R * 0.97
                and r.random() < np.clip((q[0] + q[1]) / R + 0.25, 0.02, 1)
                and all((q[0] - u) ** 2 + (q[1] - v) ** 2 > 0.05 for u, v in P)
            ):
                P.append(q)
                A.dot(x + q[0], y + q[1], r.uniform(0.1, 0.2))
    A.text("fig. ii.", 4, h - 4, 1.6, 0.12)
    return A


def sparse(s, dpi, w=60, h=60):
    """A small vignette and a lot of paper, with some single dots and commas far from all."""
    r = np.random.default_rng(s + 43000)
    A = Art(w, h, dpi)
    x, y = r.uniform(15, w - 25), r.uniform(15, h - 25)
    A.line(blob(r, x + 5, y + 5, 6, rough=0.05), r.choice([0.15, 0.25, 0.4]), closed=True)
    A.line(blob(r, x + 5, y + 5, 3, rough=0.1), 0.15, closed=True)
    for i in range(12):
        A.line([(x + i * 0.7, y + 8), (x + i * 0.7 + 2, y + 11)], r.uniform(0.1, 0.2))
    A.poly(blob(r, x + 5, y + 4, 1.2))
    A.dot(x + 4.7, y + 3.7, 0.3, 0)
    n = int(r.integers(3, 40))
    for _ in range(n):
        u, v = r.uniform(3, w - 3), r.uniform(3, h - 3)
        if r.random() < 0.7:
            A.dot(u, v, float(np.exp(r.uniform(np.log(0.1), np.log(0.5)))))
        else:
            a = r.uniform(0, 6.3)
            L = r.uniform(0.2, 0.8)
            A.line([(u, v), (u + L * np.cos(a), v + L * np.sin(a))], r.uniform(0.1, 0.2))
    return A


def scraper(s, dpi, w=60, h=60):
    """White-line drawing: black sheet, everything scratched out; snow."""
    r = np.random.default_rng(s + 44000)
    A = Art(w, h, dpi)
    A.poly([(3, 3), (w - 3, 3), (w - 3, h - 3), (3, h - 3)])
    for _ in range(25):
        _taper(
            A,
            _curve(r, r.uniform(8, w - 8), r.uniform(8, h - 8), r.uniform(3, 20)),
            r.uniform(0.1, 0.4),
            r.uniform(0.08, 0.15),
            0,
        )
    for _ in range(6):
        x, y = r.uniform(8, w - 12), r.uniform(8, h - 12)
        a = r.uniform(0, 3)
        for i in range(14):
            A.line(
                [
                    (x + i * 0.4 * np.cos(a) + r.normal(0, 0.05), y + i * 0.4 * np.sin(a)),
                    (x + i * 0.4 * np.cos(a) - 3 * np.sin(a), y + i * 0.4 * np.sin(a) + 3 * np.cos(a)),
                ],
                r.uniform(0.1, 0.2),
                0,
            )
    for _ in range(220):
        A.dot(r.uniform(4, w - 4), r.uniform(4, h - 4), float(np.exp(r.uniform(np.log(0.1), np.log(0.6)))), 0)
    A.text("i. o. 88 ae", 10, h - 8, 2, 0.2, 0)
    for _ in range(12):
        x, y = r.uniform(5, w - 5), r.uniform(5, h - 5)
        A.dot(x, y, r.uniform(0.8, 1.4), 0)
        A.dot(x + 0.1, y, r.uniform(0.12, 0.4))
    return A


def spray(s, dpi, w=60, h=60):
    """Spatter of a toothbrush, dry brush, a splash."""
    r = np.random.default_rng(s + 45000)
    A = Art(w, h, dpi)
    for _ in range(3):
        x, y = r.uniform(10, w - 10), r.uniform(10, h - 10)
        for _ in range(int(r.integers(80, 350))):
            q = np.array([x, y]) + r.normal(0, r.uniform(3, 6), 2)
            if 1 < q[0] < w - 1 and 1 < q[1] < h - 1:
                A.dot(*q, float(np.clip(np.exp(r.normal(np.log(0.14), 0.45)), 0.07, 0.9)))
    for _ in range(3):
        x, y = r.uniform(5, w - 20), r.uniform(5, h - 8)
        for i in range(40):  # dry brush: broken parallel streaks
            yy = y + i * 0.09
            at = 0.0
            while at < 14:
                L = r.exponential(1.2)
                A.line([(x + at, yy), (min(x + at + L, x + 15), yy + r.normal(0, 0.03))], 0.1)
                at += L + r.exponential(0.25 + 0.06 * at)
    for _ in range(8):
        A.line(_curve(r, r.uniform(8, w - 8), r.uniform(8, h - 8), r.uniform(8, 25)), r.choice([0.2, 0.4]))
    return A


def typed(s, dpi, w=60, h=60):
    """Lines of type."""
    r = np.random.default_rng(s + 46000)
    A = Art(w, h, dpi)
    im = Image.fromarray(np.zeros_like(A.a))
    d = ImageDraw.Draw(im)
    y = 3.0
    while y < h - 6:
        mm = r.uniform(1.4, 3.2)
        f = ImageFont.truetype(FONT, max(6, int(mm * A.k)))
        d.text(
            (int(r.uniform(3, 6) * A.k), int(y * A.k)),
            "ill. it's, i.e.; 1.5 : jj oo ee äöü ... fi"[: int(50 / mm * 1.6)],
            fill=1,
            font=f,
        )
        y += mm * 1.7
    A.a[:] = np.array(im)
    for _ in range(15):
        A.dot(r.uniform(3, w - 3), r.uniform(3, h - 3), r.uniform(0.1, 0.3))
    return A


def hatch(s, dpi, w=60, h=60):
    """etching-like: tapered hatches of several angles, gaps, flicks."""
    r = np.random.default_rng(s + 47000)
    A = Art(w, h, dpi)
    for _ in range(12):
        x, y = r.uniform(5, w - 14), r.uniform(5, h - 14)
        a = r.uniform(0, 3.1)
        p = r.uniform(0.25, 0.5)
        n = int(r.integers(12, 26))
        for k in range(int(r.integers(1, 3))):
            c, sn = np.cos(a + 1.1 * k), np.sin(a + 1.1 * k)
            for i in range(n):
                q = np.array([x + 4 - sn * (i - n / 2) * p, y + 4 + c * (i - n / 2) * p])
                L0, L1 = -r.uniform(1, 4), r.uniform(1, 4)
                t = np.linspace(L0, L1, 9)[:, None]
                _taper(A, q + t * [c, sn] + r.normal(0, 0.02, (9, 2)).cumsum(0), r.uniform(0.15, 0.3), 0.08)
        for _ in range(10):  # flicks that end a hatching, dots that prolong it
            q = np.array([x + r.uniform(0, 8), y + r.uniform(0, 8)])
            if r.random() < 0.5:
                A.dot(*q, r.uniform(0.1, 0.16))
            else:
                b = a + r.normal(0, 0.1)
                _taper(
                    A,
                    q + np.linspace(0, r.uniform(0.3, 0.9), 5)[:, None] * [np.cos(b), np.sin(b)],
                    r.uniform(0.12, 0.2),
                    0.08,
                )
    return A


KINDS: dict[str, Callable[[int, float], Art]] = {
    "night": night,
    "comic": comic,
    "tram": tram,
    "botany": botany,
    "sparse": sparse,
    "scraper": scraper,
    "spray": spray,
    "typed": typed,
    "hatch": hatch,
}
