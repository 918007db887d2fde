"""Reference numbers of src/assess/tests.rs. Python 3 with numpy, scipy and statsmodels.

Cross-validates three forms for the mass of the field school's flakes by a fixed rule (flake i, from 0, is
tested in fold i mod 6; and by leaving out each knapper), each by ordinary least squares with t predictives,
and scores them on ln mass. Where a flake lies beyond those fitted, the variance is opened as
src/calibration/resolved/beyond.rs says. CRPS by quadrature of the definition, not by a closed form. Also the residual
checks of the form log-log that R's lmtest does not make.

Run from the project root:  python3 tests/reference/assess.py > tests/reference/assess.json
"""

import csv
import json
import math
import sys

import numpy as np
import scipy
import statsmodels
from scipy import integrate, stats
from statsmodels.stats.diagnostic import het_breuschpagan, normal_ad
from statsmodels.stats.outliers_influence import OLSInfluence, variance_inflation_factor
import statsmodels.api as sm

rows = list(csv.DictReader(open("examples/data/field-school.csv")))
n = len(rows)
depth = np.array([float(r["platform_depth_mm"]) for r in rows])
angle = np.array([float(r["exterior_platform_angle_deg"]) for r in rows])
mass = np.array([float(r["mass_g"]) for r in rows])
edge = np.array([r["blow_lands_on"] == "edge" for r in rows])
knapper = [r["knapper"] for r in rows]
one = np.ones(n)
forms = {
    "log-log": (np.column_stack([one, np.log(depth), angle]), np.log, np.exp, 1.0),
    "tangent-power": (np.column_stack([one, np.log(depth), np.log(np.tan(np.radians(angle)))]), np.log, np.exp, 1.0),
    "cube-root": (np.column_stack([one, angle, depth, angle * depth]), np.cbrt, lambda v: v**3, None),
}


def score(m, s, df, y, form):
    """Scores of ln size under g(size) = m + s t, given a size above zero."""
    t = stats.t(df)
    z = math.log(y)
    if form == "cube-root":
        g = lambda v: (math.exp(v / 3) - m) / s
        atom = t.cdf(-m / s)
        dg = lambda v: math.exp(v / 3) / 3 / s
        back = lambda q: 3 * math.log(m + s * q)
    else:
        g = lambda v: (v - m) / s
        atom = 0.0
        dg = lambda v: 1 / s
        back = lambda q: m + s * q
    rest = t.sf(-m / s) if form == "cube-root" else 1.0
    cdf = lambda v: (t.cdf(g(v)) - atom) / rest
    sf = lambda v: t.sf(g(v)) / rest
    quantile_upper = lambda q: back(t.isf(q * rest))
    out = {"atom": atom, "pit": cdf(z)}
    out["ln_error"] = z - quantile_upper(0.5)
    out["error"] = y - math.exp(quantile_upper(0.5))
    out["log_score"] = -(t.logpdf(g(z)) + math.log(dg(z)) - math.log(rest))
    lo = integrate.quad(lambda v: cdf(v) ** 2, z - 40, z, limit=2000, epsabs=1e-12, points=[z - 1, z - 0.1])[0]
    hi = integrate.quad(lambda v: sf(v) ** 2, z, z + 40, limit=2000, epsabs=1e-12, points=[z + 1, z + 0.1])[0]
    out["crps"] = lo + hi
    for level in (0.5, 0.8, 0.9, 0.95):
        a = (1 - level) / 2
        u, l = quantile_upper(a), quantile_upper(1 - a)
        out[f"width{level}"] = u - l
        out[f"inside{level}"] = float(l <= z <= u)
        if level == 0.95:
            out["interval_score"] = u - l + 40 * max(l - z, z - u, 0)
    return out


def fit(x, y):
    q, r = np.linalg.qr(x)
    b = np.linalg.solve(r, q.T @ y)
    df = len(y) - x.shape[1]
    s2 = ((y - x @ b) ** 2).sum() / df
    return b, s2, df, r


def beyond(train, i, m, form, s2, leverage, largest):
    """What the variance opens by for a flake beyond those fitted."""
    ln = 0.0
    for values, ends, slope in (
        (np.log(depth), (np.log(depth[train]).min(), np.log(depth[train]).max()), 0.38),
        (angle / 10, (angle[train].min() / 10, angle[train].max() / 10), 0.08),
    ):
        ln += (slope * max(ends[0] - values[i], values[i] - ends[1], 0)) ** 2
    per_ln = m / 3 if form == "cube-root" else 1.0
    return ln * per_ln**2 + s2 * max(leverage - largest, 0)


def mean(values, groups=None):
    v = np.asarray(values)
    m = v.mean()
    if groups is None:
        return [m, v.std(ddof=1) / math.sqrt(len(v))]
    names = sorted(set(groups))
    sums = np.array([sum(v[i] - m for i in range(len(v)) if groups[i] == g) for g in names])
    k = len(names)
    return [m, math.sqrt(k / (k - 1) * (sums**2).sum()) / len(v)]


def summary(scores, d2, keep, groups):
    pick = [i for i in range(n) if keep[i]]
    gr = [groups[i] for i in pick] if groups else None
    of = lambda k: [scores[i][k] for i in pick]
    out = {"flakes": len(pick)}
    sq = [e * e for e in of("ln_error")]
    m = mean(sq, gr)
    out["rmse_ln"] = [math.sqrt(m[0]), m[1] / 2 / math.sqrt(m[0])]
    out["mae_ln"] = mean(np.abs(of("ln_error")), gr)
    m = mean(np.square(of("error")), gr)
    out["rmse"] = [math.sqrt(m[0]), m[1] / 2 / math.sqrt(m[0])]
    out["mae"] = mean(np.abs(of("error")), gr)
    d = np.array([d2[i] for i in pick])
    ratio = sum(sq) / d.sum()
    lin = (np.array(sq) - ratio * d) / d.mean()
    out["r_squared"] = [1 - ratio, mean(lin, gr)[1]]
    for k in ("log_score", "crps", "interval_score"):
        out[k] = mean(of(k), gr)
    for level in (0.5, 0.8, 0.9, 0.95):
        out[f"inside{level}"] = mean(of(f"inside{level}"), gr)
        out[f"width{level}"] = mean(of(f"width{level}"), gr)
    out["atom"] = float(np.mean(of("atom")))
    return out


def run(fold, groups):
    result, all_scores = {}, {}
    d2 = [0.0] * n
    for f in sorted(set(fold)):
        test = [i for i in range(n) if fold[i] == f]
        train = [i for i in range(n) if fold[i] != f]
        centre = np.log(mass[train]).mean()
        for i in test:
            d2[i] = (math.log(mass[i]) - centre) ** 2
    for name, (x, g, _, _) in forms.items():
        scores = [None] * n
        for f in sorted(set(fold)):
            train = np.array([fold[i] != f for i in range(n)])
            b, s2, df, r = fit(x[train], g(mass[train]))
            largest = max((np.linalg.solve(r.T, row) ** 2).sum() for row in x[train])
            for i in np.flatnonzero(~train):
                z = np.linalg.solve(r.T, x[i])
                m = x[i] @ b
                opened = beyond(train, i, m, name, s2, z @ z, largest)
                scores[i] = score(m, math.sqrt(s2 * (1 + z @ z) + opened), df, mass[i], name)
        all_scores[name] = scores
        pit = np.array([s["pit"] for s in scores])
        result[name] = {
            "overall": summary(scores, d2, [True] * n, groups),
            "edge": summary(scores, d2, list(edge), groups),
            "platform": summary(scores, d2, list(~edge), groups),
            "pit": np.histogram(pit, bins=10, range=(0, 1))[0].tolist(),
        }
    diff = lambda k: mean([all_scores["log-log"][i][k] - all_scores["cube-root"][i][k] for i in range(n)], groups)
    result["log-log less cube-root"] = {k: diff(k) for k in ("crps", "log_score", "interval_score")}
    return result


x = forms["log-log"][0]
model = sm.OLS(np.log(mass), x).fit()
ad = normal_ad(model.resid)
bp = het_breuschpagan(model.resid, sm.add_constant(model.fittedvalues))
cook = OLSInfluence(model).cooks_distance[0]
out = {
    "made_by": f"Python {sys.version.split()[0]}, numpy {np.__version__}, scipy {scipy.__version__}, "
    f"statsmodels {statsmodels.__version__}",
    "modulo_6": run([i % 6 for i in range(n)], None),
    "by_knapper": run(knapper, knapper),
    "checks": {
        "anderson_darling": list(map(float, ad)),
        "koenker_fitted": [float(bp[0]), float(bp[1])],
        "vif": [float(variance_inflation_factor(x, j)) for j in (1, 2)],
        "condition_number": float(np.linalg.cond(x / np.linalg.norm(x, axis=0))),
        "cook": cook.tolist(),
    },
}
json.dump(out, sys.stdout, indent=1)
print()
