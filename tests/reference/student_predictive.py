"""Where the factor 2 / (1 + 6 kappa) of StudentFit::predict_row comes from. Python 3.11, numpy, scipy 1.17.

A mixture over ln sigma with variance v changes a t density f by v (l_tt + l_t^2) f / 2 (l its logarithm, t for
ln sigma). The nearest member of the family, to first order in v, moves (ln sigma, kappa) by
I^-1 E[s (l_tt + l_t^2) / 2] v, s the score and I the information of one row in (ln sigma, kappa).
Prints nu, the shift of kappa per v, and 2 / (1 + 6 kappa).
"""
import numpy as np
from scipy.special import gammaln

w = np.linspace(-12, 12, 400001)
e, jacobian = np.sinh(w), np.cosh(w) * (w[1] - w[0])


def log_density(tau, kappa):
    n = 1 / kappa
    u = (e * np.exp(-tau)) ** 2
    constant = gammaln((n + 1) / 2) - gammaln(n / 2) - 0.5 * np.log(n * np.pi)
    return constant - tau - (n + 1) / 2 * np.log1p(kappa * u)


for nu in [3, 4, 5, 7, 10, 30, 200]:
    k, h = 1 / nu, 2e-4
    hk = 2e-3 * k
    f = np.exp(log_density(0, k)) * jacobian
    up, down, mid = log_density(h, k), log_density(-h, k), log_density(0, k)
    s = [(up - down) / (2 * h), (log_density(0, k + hk) - log_density(0, k - hk)) / (2 * hk)]
    change = 0.5 * ((up - 2 * mid + down) / h**2 + s[0] ** 2)
    information = np.array([[np.sum(a * b * f) for b in s] for a in s])
    shift = np.linalg.solve(information, [np.sum(a * change * f) for a in s])
    print(nu, round(shift[1], 4), round(2 / (1 + 6 * k), 4))
