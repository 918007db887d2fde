"""Reference numbers for conjugate updating, by another road than the library's: explicit inverses in mpmath at
50 digits for the posterior, scipy's multivariate t for the marginal likelihood and, conditioned, for each row
left out. Seeded; writes updating.json beside itself. Made with numpy 2.x, scipy 1.x, mpmath 1.3."""

import json
import pathlib

import mpmath as mp
import numpy as np
from scipy.stats import multivariate_t, t as student

mp.mp.dps = 50
rng = np.random.default_rng(20240611)


def experiment(n):
    depth, angle = np.exp(rng.normal(1.8, 0.4, n)), rng.normal(75, 8, n)
    x = np.column_stack([np.ones(n), np.log(depth), angle])
    y = x @ [-3.0, 1.7, 0.03] + rng.normal(0, 0.6, n)
    b, *_ = np.linalg.lstsq(x, y, rcond=None)
    d = n - 3
    s2 = float(np.sum((y - x @ b) ** 2) / d)
    return x, y, b, s2 * np.linalg.inv(x.T @ x), np.sqrt(s2), d


def prior_unit(v, a, d, shift):
    v0 = v / a
    if shift:
        t, k, _ = shift
        level = 1.0 / np.linalg.inv(v)[0, 0]
        e = np.zeros((3, 3))
        e[0, 0] = 1.0
        v0 = v0 + t**2 * e + k**2 * d * (v - level * e)
    return v0


def posterior(m, v0, d0, s0, x, y, w):
    mm = lambda a: mp.matrix(a.tolist())
    m_, x_, y_ = mm(m), mm(x), mm(y)
    w_ = mp.diag(w.tolist())
    v0i = mm(v0) ** -1
    precision = v0i + x_.T * w_ * x_
    v = precision**-1
    b = v * (v0i * m_ + x_.T * w_ * y_)
    df = d0 + len(y)
    squares = d0 * mp.mpf(s0) ** 2 + ((y_ - x_ * b).T * w_ * (y_ - x_ * b))[0] + ((b - m_).T * v0i * (b - m_))[0]
    s2 = squares / df
    return b, v * s2, mp.sqrt(s2), df


cases = []
for n, local, a, shift, weighted in [
    (60, 7, 1.0, None, False),
    (60, 7, 0.3, None, True),
    (200, 12, 0.2, [1.0, 0.1, 6.0], False),
    (200, 1, 0.05, [2.0, 0.3, 4.0], True),
    (25, 30, 0.7, [0.5, 0.0, 100.0], True),
]:
    _, _, b, cov, s0, d = experiment(n)
    x, _, *_ = experiment(max(local, 5))
    x = x[:local]
    y = x @ [-2.4, 1.6, 0.035] + rng.normal(0, 0.9, local)
    w = rng.uniform(0.4, 2.5, local) if weighted else np.ones(local)
    v0 = prior_unit(cov / s0**2, a, d, shift)
    d0 = min(a * d, shift[2]) if shift else a * d
    pb, pc, ps, df = posterior(b, v0, d0, s0, x, y, w)
    shape = s0**2 * (np.diag(1 / w) + x @ v0 @ x.T)
    marginal = multivariate_t(x @ b, shape, df=d0).logpdf(y)
    scores = []
    for i in range(local):
        keep = [j for j in range(local) if j != i]
        if keep:
            lb, lc, ls, ldf = posterior(b, v0, d0, s0, x[keep], y[keep], w[keep])
            lb = np.array([float(v) for v in lb])
            lc = np.array(lc.tolist(), dtype=float)
            ls = float(ls)
        else:
            lb, lc, ls, ldf = b, s0**2 * v0, s0, d0
        scale = np.sqrt(ls**2 / w[i] + x[i] @ lc @ x[i])
        scores.append(float(student(ldf, x[i] @ lb, scale).logpdf(y[i])))
    new = np.array([1.0, 2.0, 70.0])
    pcf = np.array(pc.tolist(), dtype=float)
    cases.append(
        {
            "coefficients": b.tolist(), "covariance": cov.tolist(), "spread": float(s0), "df": d,
            "discount": a, "shift": shift, "x": x.tolist(), "y": y.tolist(), "weights": w.tolist(),
            "posterior": {
                "coefficients": [float(v) for v in pb], "covariance": pcf.tolist(), "spread": float(ps),
                "df": float(df), "ln_marginal": float(marginal), "left_out": scores,
                "new_row": new.tolist(),
                "new_scale": float(np.sqrt(float(ps) ** 2 / 1.7 + new @ pcf @ new)),
                "new_location": float(new @ [float(v) for v in pb]),
            },
        }
    )

path = pathlib.Path(__file__).with_name("updating.json")
path.write_text(json.dumps({"cases": cases}, indent=1) + "\n")
