"""Reference probabilities for src/infer/attribution/tests.rs: two normal classes by closed form and by brute force.

Python 3.11, numpy 2.4, scipy 1.17. Run: python3 attribution.py > attribution.csv

Two classes with the same residual covariance: sizes y (ln length, ln mass) of a flake have mean m_c under class
c, residual covariance S, and share a shift u ~ N(0, C_c) within a group. The log Bayes factor of a group is that
of the stacked normal vectors (closed form), and, for one flake and one size with a Student t residual, the
integral over the shift by adaptive quadrature.
"""
import numpy as np
from scipy import integrate, stats

S_LEN, S_MASS, RHO = 0.35, 0.6, 0.75
SD = np.array([S_LEN, S_MASS])
S = np.outer(SD, SD) * np.array([[1, RHO], [RHO, 1]])
# variance of an intercept and of a contrast, the same design for both sizes: sigma^2 times these
V = np.array([[0.02, -0.02], [-0.02, 0.07]])
B = {"metal": [(3.4, 0.0), (1.2, 0.0)], "organic": [(3.4, 0.3), (1.2, 0.05)]}
COMMON, OWN = 0.2, 0.1
POWER = np.array([1.0, 3.0])
GROUPS = {
    "one": [(45.0, 4.0)],
    "three": [(45.0, 4.0), (30.0, 2.5), (62.0, 9.0)],
    "long": [(60.0, 3.0), (80.0, 6.0), (55.0, 2.2), (71.0, 4.0), (64.0, 5.5)],
}


def shared(klass):
    x = np.array([1.0, 1.0 if klass == "organic" else 0.0])
    return S * (x @ V @ x) + np.outer(POWER, POWER) * COMMON**2 + np.eye(2) * OWN**2


def mean(klass):
    return np.array([sum(b) for b in B[klass]])


def ln_evidence(flakes, klass):
    y = np.log(np.array(flakes))
    n = len(flakes)
    cov = np.kron(np.eye(n), S) + np.kron(np.ones((n, n)), shared(klass))
    return stats.multivariate_normal(np.tile(mean(klass), n), cov).logpdf(y.ravel())


print("case,ln_bayes_factor")
for name, flakes in GROUPS.items():
    print(f"{name},{ln_evidence(flakes, 'metal') - ln_evidence(flakes, 'organic'):.12f}")

# one size, Student t residuals with 5 degrees of freedom, by quadrature over the shift
DF = 5.0
for name, lengths in {"t one": [80.0], "t four": [80.0, 30.0, 95.0, 140.0]}.items():
    total = {}
    for klass in B:
        sd = np.sqrt(shared(klass)[0, 0])
        m = mean(klass)[0]

        def integrand(u):
            p = stats.norm(0, sd).pdf(u)
            for length in lengths:
                p *= stats.t(DF, m + u, S_LEN).pdf(np.log(length))
            return p

        total[klass] = np.log(integrate.quad(integrand, -3, 3, epsabs=0, epsrel=1e-12, limit=400)[0])
    print(f"{name},{total['metal'] - total['organic']:.12f}")
