"""What 1, 5 and 20 flakes tell of a group's effect, by Gauss-Legendre quadrature over ln spread and the
precision of the heavy tail, the normal part by explicit inverses of the full covariance of the flakes: another road than the crate's.

    python3 known_group.py > known_group.csv       (numpy 2, scipy 1)
"""
import numpy as np
from scipy.stats import multivariate_normal as mvn

V = np.array([[0.01, 0.001], [0.001, 0.004]])
H = np.array([[0.2, 0.0], [0.0, 0.0]])
E = np.array([[0.02, 0.0], [0.0, 0.0]])
m, s0, t = np.array([2.0, 1.2]), 0.7, 0.2


def case(n, d):
    i = np.arange(n)
    X = np.c_[np.ones(n), 0.3 * np.sin(1.7 * i)]
    y = 3.1 + 0.6 * np.cos(2.3 * i + 0.5)

    def at(ls, ll):
        P = V + H * np.exp(-ll) + E
        S = X @ P @ X.T + np.exp(2 * ls) * np.eye(n)
        gain = P @ X.T @ np.linalg.inv(S)
        f = mvn.pdf(y, X @ m, S) * np.exp(-0.5 * ((ls - np.log(s0)) / t) ** 2)
        if d:
            f *= np.exp(0.5 * d * (ll - np.exp(ll)))
        mean = m + gain @ (y - X @ m)
        cov = P - gain @ X @ P
        return f, mean, cov

    def moments(ls, ll):
        f, mean, cov = at(ls, ll)
        c = cov + np.outer(mean, mean)
        return f * np.array([1, mean[0], mean[1], c[0, 0], c[0, 1], c[1, 1], ls, ls * ls])

    def nodes(low, high, n):
        x, w = np.polynomial.legendre.leggauss(n)
        return 0.5 * (high - low) * x + 0.5 * (high + low), 0.5 * (high - low) * w

    w = np.zeros(8)
    # ln s within eight standard deviations, ln of the precision from far below to far above what its law allows
    for ls, a in zip(*nodes(np.log(s0) - 8 * t, np.log(s0) + 8 * t, 120)):
        for ll, b in zip(*nodes(-14.0, 4.5, 160)) if d else [(0.0, 1.0)]:
            w += a * b * moments(ls, ll)
    e = w / w[0]
    return [e[1], e[2], e[3] - e[1] ** 2, e[4] - e[1] * e[2], e[5] - e[2] ** 2, e[6], np.sqrt(e[7] - e[6] ** 2)]


for name, n, d in [("t4-1", 1, 4), ("t4-5", 5, 4), ("t4-20", 20, 4), ("normal-5", 5, None)]:
    print(name, *(f"{v:.12g}" for v in case(n, d)), sep=",")
