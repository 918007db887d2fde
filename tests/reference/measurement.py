"""Quantiles of a size whose platform was measured with error, by brute force: composite Gauss-Legendre over the
true measurements (panels graded towards the end of the domain), Student t from scipy, root by Brent. Another
road than the library's Gauss-Hermite and double exponential mixtures. Writes measurement.json beside itself.
Made with numpy 2.4.6 and scipy 1.17.1."""

import json
import pathlib

import numpy as np
from scipy.optimize import brentq
from scipy.stats import norm, t as student

X, W = np.polynomial.legendre.leggauss(12)


def panels(edges):
    mid, half = (edges[1:] + edges[:-1]) / 2, (edges[1:] - edges[:-1]) / 2
    return (mid[:, None] + half[:, None] * X).ravel(), (half[:, None] * W).ravel()


def length(value, sd):
    if sd == 0:
        return np.array([value]), np.array([1.0])
    s = np.sqrt(np.log1p((sd / value) ** 2))
    z, w = panels(np.linspace(-9, 9, 61))
    w = w * norm.pdf(z)
    return value * np.exp(s * z), w / w.sum()


def angle(value, sd, high):
    if sd == 0:
        return np.array([value]), np.array([1.0])
    low, top = max(0.0, value - 9 * sd), min(high, value + 9 * sd)
    edges = np.linspace(low, top, 61)
    # halving panels towards each end of the domain that is inside
    if top == high:
        edges = np.concatenate([edges[:-1], high - (high - edges[-2]) * 0.5 ** np.arange(1, 40), [high]])
    v, w = panels(edges)
    w = w * norm.pdf((v - value) / sd)
    return v, w / w.sum()


FORMS = {
    "log-log": lambda d, a: np.stack([np.ones_like(d), np.log(d), a]),
    "tangent-power": lambda d, a: np.stack([np.ones_like(d), np.log(d), np.log(np.tan(np.radians(a)))]),
    "cube-root": lambda d, a: np.stack([np.ones_like(d), a, d, a * d]),
}
BACK = {"log-log": np.exp, "tangent-power": np.exp, "cube-root": lambda v: max(v, 0.0) ** 3}
COEFFICIENTS = {"log-log": [-1.6, 1.7, 0.02], "tangent-power": [-1.0, 1.7, 0.8], "cube-root": [-0.8, 0.01, 0.1, 0.002]}
SE = {"log-log": [0.2, 0.05, 0.002], "tangent-power": [0.1, 0.05, 0.06], "cube-root": [0.1, 0.001, 0.01, 0.0001]}

cases = []
for form, depth, dsd, ang, asd, spread, df in [
    ("log-log", 6.0, 0.3, 75.0, 4.0, 0.5, 40.0),
    ("log-log", 4.0, 1.0, 75.0, 0.0, 0.1, 12.0),
    ("log-log", 2.0, 1.0, 70.0, 7.5, 0.4, 300.0),
    ("log-log", 6.0, 0.0, 176.0, 7.5, 0.4, 30.0),
    ("tangent-power", 6.0, 0.0, 86.0, 5.0, 0.5, 40.0),
    ("tangent-power", 2.0, 0.5, 80.0, 6.0, 0.6, 25.0),
    ("tangent-power", 9.0, 0.39, 60.0, 3.0, 0.3, 100.0),
    ("tangent-power", 9.0, 0.0, 89.9, 4.0, 0.3, 8.0),
    ("cube-root", 6.0, 1.0, 85.0, 4.0, 0.2, 50.0),
]:
    d, wd = length(depth, dsd)
    a, wa = angle(ang, asd, 90.0 if form == "tangent-power" else 180.0)
    dd, aa = (m.ravel() for m in np.meshgrid(d, a))
    w = np.outer(wa, wd).ravel()
    x = FORMS[form](dd, aa)
    location = np.array(COEFFICIENTS[form]) @ x
    scale = np.sqrt(spread**2 + np.sum((np.array(SE[form])[:, None] * x) ** 2, axis=0))

    def cdf(v):
        return float(np.sum(w * student.cdf((v - location) / scale, df)))

    def quantile(p):
        return brentq(lambda v: cdf(v) - p, location.min() - 30 * spread, location.max() + 30 * spread, xtol=1e-14)

    probabilities = [0.025, 0.25, 0.5, 0.9, 0.975]
    q = [quantile(p) for p in probabilities]
    cases.append(
        {
            "form": form, "depth": depth, "depth_sd": dsd, "angle": ang, "angle_sd": asd, "spread": spread,
            "df": df, "coefficients": COEFFICIENTS[form], "se": SE[form],
            "probabilities": probabilities, "quantiles": [float(BACK[form](v)) for v in q],
        }
    )

path = pathlib.Path(__file__).with_name("measurement.json")
path.write_text(json.dumps({"cases": cases}, indent=1) + "\n")
