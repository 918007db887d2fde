"""What 1, 5 and 20 flakes that were kept tell of their group's level and spread, by Gauss-Legendre quadrature over the
level(s), ln spread and the precision of the heavy tail; the law of kept flakes by scipy's normal distribution.

    python3 kept_learn.py > kept_learn.csv       (numpy 2, scipy 1)

Columns: sizes-flakes, mean and standard deviation of the level of the last size, the same of the log of its spread. With
one size it decides what was kept itself; with two the first decides.
"""
import numpy as np
from scipy.stats import norm

LEAST = 3.0
MEAN = np.array([2.8, 1.7])
V = np.array([[0.01, 0.004], [0.004, 0.012]])
H = np.array([[0.06, 0.06], [0.06, 0.15]])
E = np.array([[0.006, 0.003], [0.003, 0.006]])
S = np.array([[0.12, 0.18], [0.18, 0.5]])
T, D = 0.15, 4.0


def flakes(n):
    i = np.arange(n)
    return np.c_[3.1 + 0.45 * np.abs(np.cos(2.3 * i + 0.5)), 2.2 + 0.6 * np.sin(1.9 * i + 0.2)]


def nodes(low, high, n):
    x, w = np.polynomial.legendre.leggauss(n)
    return 0.5 * (high - low) * x + 0.5 * (high + low), 0.5 * (high - low) * w


def prior(u, ll, k):
    """ln p(u | l), u of shape (..., k)"""
    P = (V + H * np.exp(-ll) + E)[:k, :k]
    r = u - MEAN[:k]
    q = np.einsum("...i,ij,...j->...", r, np.linalg.inv(P), r)
    return -0.5 * q - 0.5 * np.log(np.linalg.det(P))


def case(k, n):
    y = flakes(n)
    a, wa = nodes(0.5, 4.6, 90)
    b, wb = nodes(-1.0, 5.0, 90) if k == 2 else (np.zeros(1), np.ones(1))
    s, ws = nodes(-6 * T, 6 * T, 40)
    ll, wl = nodes(-12.0, 4.0, 90)
    A, B = np.meshgrid(a, b, indexing="ij")
    u = np.stack([A, B], -1)[..., :k]
    # the prior of the levels, summed over the precision of the tail
    p = sum(w * np.exp(prior(u, l, k) + 0.5 * D * (l - np.exp(l))) for l, w in zip(ll, wl))
    total = np.zeros(5)
    for x, w in zip(s, ws):
        f = np.log(p) - 0.5 * (x / T) ** 2
        e = np.exp(x)
        sd = np.sqrt(S[0, 0]) * e
        f = f - n * norm.logsf((LEAST - A) / sd)
        for v in y:
            f = f + norm.logpdf(v[0], A, sd)
            if k == 2:
                slope = S[0, 1] / S[0, 0]
                rest = np.sqrt(S[1, 1] - S[0, 1] ** 2 / S[0, 0]) * e
                f = f + norm.logpdf(v[1], B + slope * (v[0] - A), rest)
        g = np.exp(f + 40.0) * wa[:, None] * wb[None, :] * w
        level = B if k == 2 else A
        ln = 0.5 * np.log(S[k - 1, k - 1]) + x
        total += [g.sum(), (g * level).sum(), (g * level ** 2).sum(), g.sum() * ln, g.sum() * ln ** 2]
    m, m2, l, l2 = total[1:] / total[0]
    return m, np.sqrt(m2 - m * m), l, np.sqrt(l2 - l * l)


for k in (1, 2):
    for n in (1, 5, 20):
        print(f"{k}-{n}", *(f"{v:.10g}" for v in case(k, n)), sep=",")
