"""Reference numbers of the unit tests in src/fit/student/kappa.rs. Python 3.11, mpmath 1.3, 60 digits.

c(kappa) = lnGamma((nu+1)/2) - lnGamma(nu/2) - ln(nu/2)/2 at nu = 1/kappa, its first two derivatives, and
(trigamma(nu/2) - trigamma((nu+1)/2) - 2 kappa^2 - 2 kappa^3) / kappa^4.
"""
import mpmath as mp

mp.mp.dps = 60


def c(k):
    n = 1 / mp.mpf(k)
    return mp.loggamma((n + 1) / 2) - mp.loggamma(n / 2) - mp.log(n / 2) / 2


def c1(k):
    n = 1 / mp.mpf(k)
    return -(n**2) * (mp.digamma((n + 1) / 2) - mp.digamma(n / 2) - 1 / n) / 2


def c2(k):
    n = 1 / mp.mpf(k)
    first = (mp.digamma((n + 1) / 2) - mp.digamma(n / 2) - 1 / n) / 2
    second = (mp.polygamma(1, (n + 1) / 2) - mp.polygamma(1, n / 2)) / 4 + 1 / (2 * n**2)
    return n**4 * second + 2 * n**3 * first


def rest(k):
    k = mp.mpf(k)
    n = 1 / k
    return (mp.polygamma(1, n / 2) - mp.polygamma(1, (n + 1) / 2) - 2 * k**2 - 2 * k**3) / k**4


with open("student_ratio.csv", "w") as f:
    f.write("kappa,c,first,second,rest\n")
    for k in ["1e-9", "1e-6", "0.0001", "0.001", "0.01", "0.02", "0.0208", "0.0209", "0.03", "0.05", "0.1", "0.2",
              "0.3", "0.4", "0.476"]:
        f.write(",".join([k] + [mp.nstr(g(mp.mpf(float(k))), 20) for g in (c, c1, c2, rest)]) + "\n")
