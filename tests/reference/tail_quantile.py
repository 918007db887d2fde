"""Chebyshev terms of the quantile of Student's t with 2.5 % above it, as a function of u = 1 / degrees of freedom, on
five pieces of u: interpolation at the roots of T16, from quantiles to 30 digits. Prints the constant `USUAL` of
src/special/tail_quantile.rs. Made with Python 3 and mpmath (version printed on standard error)."""
import sys

import mpmath
from mpmath import mpf

mpmath.mp.dps = 40
print(mpmath.__version__, file=sys.stderr)
TAIL = mpf(0.5 * (1.0 - 0.95))


def quantile(u):
    def tail(t):
        if u == 0:
            return mpmath.erfc(t / mpmath.sqrt(2)) / 2
        return mpmath.betainc(1 / (2 * u), mpf(1) / 2, 0, 1 / (1 + u * t * t), regularized=True) / 2

    z = mpmath.sqrt(2) * mpmath.erfinv(1 - 2 * TAIL)
    start = z * (1 + u * (z * z + 1) / 4 + u * u * ((5 * z * z + 16) * z * z + 3) / 96)
    return mpmath.findroot(lambda t: mpmath.log(tail(t) / TAIL), (start, start * (1 + u / 50 + mpf("1e-4"))))


BORDERS = [0.0, 0.01, 0.04, 0.1, 0.2, 0.35]
N = 16
for low, high in zip(BORDERS, BORDERS[1:]):
    angle = [mpmath.pi * (i + mpf(1) / 2) / N for i in range(N)]
    middle, half = (mpf(low) + mpf(high)) / 2, (mpf(high) - mpf(low)) / 2
    values = [quantile(middle + half * mpmath.cos(a)) for a in angle]
    terms = []
    for j in range(N):
        total = sum(v * mpmath.cos(j * a) for v, a in zip(values, angle))
        terms.append(total * (1 if j == 0 else 2) / N)
    print("    [")
    for t in terms:
        print(f"        {float(t)!r},")
    print("    ],")
