"""Reference numbers of tests/conformal.rs: jackknife+ by brute force. Python 3 with numpy.

Invented data: 24 rows, y linear in two terms with a made-up scatter from a seeded random.Random. Every row
is left out in turn, the line is fitted again by numpy's lstsq, and the interval is read off the sorted
differences and sums as in Barber, Candes, Ramdas & Tibshirani 2021, Ann. Stat. 49:486, section 1:
the floor(alpha (n+1))-th smallest of prediction - |residual| and the ceil((1-alpha)(n+1))-th smallest of
prediction + |residual|.

Run from the project root:  python3 tests/reference/conformal.py > tests/reference/conformal.json
"""

import json
import math
import random
import sys

import numpy as np

rng = random.Random(37)
n = 24
rows = [[1.0, round(rng.uniform(0, 3), 3), round(rng.uniform(50, 90), 1)] for _ in range(n)]
y = [round(0.4 + 1.7 * r[1] + 0.03 * r[2] + rng.gauss(0, 0.3) * (1 + r[1]), 4) for r in rows]
x = np.array(rows)
v = np.array(y)
new = [[1.0, 0.2, 55.0], [1.0, 1.5, 70.0], [1.0, 2.9, 88.0], [1.0, 5.0, 40.0]]


def smallest(values, k):
    return sorted(values)[k - 1]


out = {"made_by": f"Python {sys.version.split()[0]}, numpy {np.__version__}", "rows": rows, "y": y, "new": new}
residuals, fits = [], []
for i in range(n):
    keep = [j for j in range(n) if j != i]
    b = np.linalg.lstsq(x[keep], v[keep], rcond=None)[0]
    fits.append(b)
    residuals.append(abs(v[i] - x[i] @ b))
out["residuals"] = residuals
out["intervals"] = []
for level in ((1, 2), (4, 5), (9, 10), (19, 20)):
    a, b = level
    for point in new:
        p = [float(np.array(point) @ f) for f in fits]
        # whole numbers throughout, so that no rank hangs on rounding
        k = -((-(n + 1) * a) // b)
        low = smallest([q - r for q, r in zip(p, residuals)], ((b - a) * (n + 1)) // b)
        high = smallest([q + r for q, r in zip(p, residuals)], k)
        out["intervals"].append({"level": a / b, "at": point, "low": low, "high": high})
json.dump(out, sys.stdout, indent=1)
print()
