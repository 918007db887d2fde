"""Slopes corrected for errors of measurement, by another road than the library's: regression calibration in its
first form (each row's true terms replaced by their best linear prediction, then ordinary least squares), which
equals the moments estimator; sandwich by explicit inverses. Writes measurement_attenuation.json beside itself.
Made with numpy 2.4.6."""

import json
import pathlib

import numpy as np

rng = np.random.default_rng(77)
n = 60
depth, angle = rng.normal(1.8, 0.4, n), rng.normal(75, 8, n)
organic = (rng.random(n) < 0.4).astype(float)
y = -3 + 1.7 * depth + 0.03 * angle - 0.3 * organic + rng.normal(0, 0.4, n)
sd = np.array([0.0, 0.15, 4.0, 0.0])
w = np.column_stack([np.ones(n), depth + rng.normal(0, sd[1], n), angle + rng.normal(0, sd[2], n), organic])
# exact columns z, erring ones v: v is predicted from (z, v) with the error taken off its covariance
z, v = w[:, [0, 3]], w[:, [1, 2]]
proj = z @ np.linalg.lstsq(z, v, rcond=None)[0]
rest = v - proj
m = n - 2
seen = rest.T @ rest / m
true = seen - np.diag(sd[[1, 2]] ** 2)
calibrated = proj + rest @ np.linalg.solve(seen, true)
x = np.column_stack([np.ones(n), calibrated, organic])
b = np.linalg.lstsq(x, y, rcond=None)[0]
s = np.diag(sd**2)
mm = np.linalg.inv(w.T @ w - m * s)
r = y - w @ b
psi = w * r[:, None] + (m / n) * (s @ b)
cov = mm @ psi.T @ psi @ mm * n / (n - 4)
spread2 = r @ r / (n - 4) - b @ s @ b
path = pathlib.Path(__file__).with_name("measurement_attenuation.json")
path.write_text(
    json.dumps(
        {
            "w": w.tolist(), "y": y.tolist(), "sd": sd.tolist(), "coefficients": b.tolist(),
            "covariance": cov.tolist(), "spread": float(np.sqrt(spread2)),
        },
        indent=1,
    )
    + "\n"
)
