"""I lay dust of three laws on a page, and show the page as a scanner does.

In: a generator, a shape, dpi. Out: how much of each pixel is covered, how light by what, whose it is, and the sizes.
"""

from __future__ import annotations

import cv2
import numpy as np
from pages import MM


def rags(rng, shape, dpi, n, w, h):
    """list of (tone, cover image patch) as full-page multiply: returns tone map, cover, owner labels, sizes"""
    cov = np.zeros(shape, np.float32)
    tone = np.ones(shape, np.float32)
    own = np.zeros(shape, np.int32)
    sizes = []
    k = dpi / MM
    for i in range(n):
        x, y = rng.uniform(1, w - 1), rng.uniform(1, h - 1)
        d = float(np.exp(rng.uniform(np.log(0.08), np.log(0.4))))
        half = int(1.5 * d * k) + 4
        cx, cy = int(x * k), int(y * k)
        r0, r1, c0, c1 = cy - half, cy + half + 1, cx - half, cx + half + 1
        if r0 < 0 or c0 < 0 or r1 > shape[0] or c1 > shape[1]:
            continue
        S = 8
        m = np.zeros(((r1 - r0) * S, (c1 - c0) * S), np.uint8)
        if rng.random() < 0.75:
            th = np.linspace(0, 2 * np.pi, 14, endpoint=False)
            rr = d / 2 * rng.uniform(0.6, 1.25, 14)
            e = rng.uniform(0.6, 1)
            a = rng.uniform(0, 3.2)
            px, py = rr * np.cos(th), rr * np.sin(th) * e
            q = np.stack([px * np.cos(a) - py * np.sin(a), px * np.sin(a) + py * np.cos(a)], 1)
            q = (q * k + half + 0.5) * S
            cv2.fillPoly(m, [np.rint(q).astype(np.int32).reshape(-1, 1, 2)], 1)
        else:
            a = rng.uniform(0, 6.3)
            L = d * 1.3
            a + rng.normal(0, 0.5)
            p0 = np.array([-L / 2 * np.cos(a), -L / 2 * np.sin(a)])
            p2 = -p0 + rng.normal(0, 0.1 * L, 2)
            p1 = rng.normal(0, 0.12 * L, 2)
            q = (np.stack([p0, p1, p2]) * k + half + 0.5) * S
            cv2.polylines(
                m,
                [np.rint(q).astype(np.int32).reshape(-1, 1, 2)],
                False,
                1,
                max(1, round(max(0.035, 0.25 * d) * k * S)),
            )
        c = cv2.resize(m.astype(np.float32), None, fx=1 / S, fy=1 / S, interpolation=cv2.INTER_AREA) * rng.uniform(
            0.85, 1
        )
        if own[r0:r1, c0:c1].any():
            continue
        t = float(np.exp(rng.uniform(np.log(0.18), np.log(0.6))))
        v = cov[r0:r1, c0:c1]
        up = c > v
        cov[r0:r1, c0:c1] = np.maximum(v, c)
        tone[r0:r1, c0:c1][up] = t
        own[r0:r1, c0:c1][c > 0.25 * c.max()] = i + 1
        sizes.append((i + 1, x, y, d, t))
    return cov, tone, own, sizes


def grains(rng, shape, dpi, n, w, h):
    """grains (ragged, several cores), hairs (long thin curved), flakes pale; with a soft shadow on one side"""
    cov = np.zeros(shape, np.float32)
    tone = np.ones(shape, np.float32)
    own = np.zeros(shape, np.int32)
    sizes = []
    k = dpi / MM
    for i in range(n):
        x, y = rng.uniform(1, w - 1), rng.uniform(1, h - 1)
        d = float(np.clip(rng.gamma(2.2, 0.07) + 0.06, 0.06, 0.5))
        S = 8
        half = int(1.6 * d * k) + 4
        cx, cy = int(x * k), int(y * k)
        r0, r1, c0, c1 = cy - half, cy + half + 1, cx - half, cx + half + 1
        if r0 < 0 or c0 < 0 or r1 > shape[0] or c1 > shape[1]:
            continue
        m = np.zeros(((r1 - r0) * S,) * 2, np.uint8)
        kind = rng.random()
        if kind < 0.6:
            for _ in range(rng.integers(1, 4)):
                o = rng.normal(0, 0.18 * d, 2)
                e = rng.uniform(0.2, 0.5) * d
                th = np.linspace(0, 2 * np.pi, 9, endpoint=False)
                q = (
                    np.stack(
                        [
                            o[0] + e * rng.uniform(0.6, 1.2, 9) * np.cos(th),
                            o[1] + e * rng.uniform(0.4, 1.1, 9) * np.sin(th),
                        ],
                        1,
                    )
                    * k
                    + half
                    + 0.5
                ) * S
                cv2.fillPoly(m, [np.rint(q).astype(np.int32).reshape(-1, 1, 2)], 1)
        else:
            a = rng.uniform(0, 6.3)
            L = d * 1.4
            t = np.linspace(-0.5, 0.5, 12)
            q = np.stack([t * L, rng.normal(0, 0.5) * L * t**2 + rng.normal(0, 0.4) * L * t**3], 1)
            R = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
            q = (q @ R.T * k + half + 0.5) * S
            cv2.polylines(
                m,
                [np.rint(q).astype(np.int32).reshape(-1, 1, 2)],
                False,
                1,
                max(1, round(rng.uniform(0.02, 0.06) * k * S)),
            )
        c = cv2.resize(m.astype(np.float32), None, fx=1 / S, fy=1 / S, interpolation=cv2.INTER_AREA)
        sh = np.roll(cv2.GaussianBlur(c, (0, 0), 0.05 * k + 0.4), max(1, round(0.04 * k)), axis=0) * rng.uniform(
            0, 0.25
        )
        t = float(np.clip(rng.beta(2.5, 3), 0.12, 0.75))
        c = np.maximum(c * rng.uniform(0.8, 1), 0)
        if own[r0:r1, c0:c1].any():
            continue
        v = cov[r0:r1, c0:c1]
        mix = np.maximum(c, sh)
        up = mix > v
        np.where(c >= sh, t, t)
        cov[r0:r1, c0:c1] = np.maximum(v, mix)
        tone[r0:r1, c0:c1][up] = t
        own[r0:r1, c0:c1][c > 0.25 * max(c.max(), 1e-3)] = i + 1
        sizes.append((i + 1, x, y, d, t))
    return cov, tone, own, sizes


def clumps(rng, shape, dpi, n, w, h):
    """clumps: lognormal sizes, some in swarms; flakes with straight sides, fibers; tone of its own each, mottled."""
    cov = np.zeros(shape, np.float32)
    tone = np.ones(shape, np.float32)
    own = np.zeros(shape, np.int32)
    sizes = []
    k = dpi / MM
    at = None
    for i in range(n):
        if at is None or rng.random() < 0.6:
            at = rng.uniform(1, [w - 1, h - 1])
        x, y = at if rng.random() < 0.6 else np.clip(at + rng.normal(0, 2.5, 2), 1, [w - 1, h - 1])
        d = float(np.clip(np.exp(rng.normal(np.log(0.15), 0.5)), 0.05, 0.58))
        S = 8
        half = int(1.6 * d * k) + 4
        cx, cy = int(x * k), int(y * k)
        r0, r1, c0, c1 = cy - half, cy + half + 1, cx - half, cx + half + 1
        if r0 < 0 or c0 < 0 or r1 > shape[0] or c1 > shape[1] or own[r0:r1, c0:c1].any():
            continue
        m = np.zeros(((r1 - r0) * S,) * 2, np.uint8)
        kind = rng.random()
        if kind < 0.65:
            v = int(rng.integers(4, 8))
            th = np.sort(rng.uniform(0, 2 * np.pi, v))
            e = rng.uniform(0.45, 1)
            a = rng.uniform(0, 3)
            q = np.stack(
                [d / 2 * rng.uniform(0.7, 1.2, v) * np.cos(th), e * d / 2 * rng.uniform(0.7, 1.2, v) * np.sin(th)], 1
            )
            R = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
            cv2.fillPoly(m, [np.rint(((q @ R.T) * k + half + 0.5) * S).astype(np.int32).reshape(-1, 1, 2)], 1)
        else:
            t = np.linspace(-0.5, 0.5, 14)
            L = min(d * 1.5, 0.58)
            a = rng.uniform(0, 6.3) + np.cumsum(rng.normal(0, 0.25, 14))
            q = np.cumsum(np.stack([np.cos(a), np.sin(a)], 1) * L / 14, 0)
            q -= q.mean(0)
            cv2.polylines(
                m,
                [np.rint((q * k + half + 0.5) * S).astype(np.int32).reshape(-1, 1, 2)],
                False,
                1,
                max(1, round(rng.uniform(0.025, 0.07) * k * S)),
            )
        if not m.any():
            continue
        c = cv2.resize(m.astype(np.float32), None, fx=1 / S, fy=1 / S, interpolation=cv2.INTER_AREA) * rng.uniform(
            0.8, 1
        )
        t = float(np.exp(rng.uniform(np.log(0.14), np.log(0.7))))
        v = cov[r0:r1, c0:c1]
        up = c > v
        cov[r0:r1, c0:c1] = np.maximum(v, c)
        tone[r0:r1, c0:c1][up] = (t * (1 + 0.15 * rng.standard_normal(up.sum()))).clip(0.08, 0.85)
        own[r0:r1, c0:c1][c > 0.25 * c.max()] = i + 1
        sizes.append((i + 1, x, y, d, t))
    return cov, tone, own, sizes


def scan_light(
    light, dpi, seed, grain=0.012, blur_mm=0.022, noise=0.006, top=65535, noise_on=True, paper=(0.86, 0.84, 0.78)
):
    """light (h,w,c) relative to paper -> codes uint8/16"""
    r = np.random.default_rng(seed)
    s = float(np.hypot(blur_mm * dpi / MM, 0.35))
    L = cv2.GaussianBlur(light, (0, 0), s)
    L = L.reshape(*L.shape[:2], -1)
    g = cv2.GaussianBlur(r.standard_normal(L.shape[:2], dtype=np.float32), (0, 0), max(0.5, 0.05 * dpi / MM))
    g *= grain / g.std()
    g2 = cv2.GaussianBlur(r.standard_normal(L.shape[:2], dtype=np.float32), (0, 0), max(0.5, 0.4 * dpi / MM))
    g += g2 * 0.3 * grain / g2.std()
    L = L * (1 + g)[..., None] * np.array(paper, np.float32)[: L.shape[2]]
    c = np.where(L <= 0.0031308, 12.92 * L, 1.055 * np.maximum(L, 1e-6) ** (1 / 2.4) - 0.055)
    c = c + noise * r.standard_normal(L.shape, dtype=np.float32) * 0.6
    dt = np.uint8 if top == 255 else np.uint16
    return np.rint(np.clip(c, 0, 1) * top).astype(dt)


LAWS = (rags, grains, clumps)
